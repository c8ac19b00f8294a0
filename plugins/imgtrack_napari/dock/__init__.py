"""The dock of the reading window: the questions of the form in steps, and signing."""

from imgtrack_napari.dock.dock import Dock

__all__ = ["Dock"]
