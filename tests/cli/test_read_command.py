"""``imgtrack read``: what it says before any window opens."""

from __future__ import annotations

import sys

import pytest
from typer.testing import CliRunner

from imgtrack.cli import read, windows
from imgtrack.cli.main import app
from imgtrack.domain.errors import Unavailable


def test_without_the_extra_it_says_what_to_install(monkeypatch):
    monkeypatch.setattr(windows, "find_spec", lambda name: None if name == "napari" else object())
    found = CliRunner().invoke(app, ["read", "--reader", "R1"])
    assert isinstance(found.exception, Unavailable)
    (fault,) = found.exception.faults
    assert fault.found == "no napari"
    assert "imgtrack[reading]" in fault.next_step


@pytest.mark.skipif(sys.platform != "linux", reason="other systems always have a screen")
def test_without_a_screen_it_says_so(monkeypatch):
    monkeypatch.setattr(windows, "find_spec", lambda _name: object())
    for name in windows.SCREENS:
        monkeypatch.delenv(name, raising=False)
    found = CliRunner().invoke(app, ["read", "--reader", "R1"])
    assert isinstance(found.exception, Unavailable)
    assert "no screen" in str(found.exception)


def test_the_help_tells_both_ways_in():
    found = CliRunner().invoke(app, ["read", "--help"])
    assert "--reader" in found.output
    assert "--loose" in found.output


def test_the_window_named_here_is_there():
    pytest.importorskip("napari", reason="needs the reading extra")
    from importlib.util import find_spec

    assert find_spec(read.WINDOWS) is not None
