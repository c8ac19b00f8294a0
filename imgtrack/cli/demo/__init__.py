"""The invented study: made, read by simulated readers and reported through the real desk."""

from imgtrack.cli.demo.command import demo

__all__ = ["demo"]
