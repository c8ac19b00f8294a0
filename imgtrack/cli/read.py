"""The command that opens the reading window.

The window is a package of its own, which this one knows by name only: it comes with the
``reading`` extra, and everything else works without it.
"""

from __future__ import annotations

import os
import sys
from importlib import import_module
from importlib.util import find_spec
from pathlib import Path
from typing import Annotated, Any

import typer

from imgtrack.cli.options import HERE, StudyFolder, opened
from imgtrack.domain.errors import Fault, Unavailable

WINDOWS = "imgtrack_napari.launch"
SCREENS = ("DISPLAY", "WAYLAND_DISPLAY")
"""What a desktop session sets on Linux."""

NEEDED = ("napari", "PySide6", "imgtrack_napari")

Reader = Annotated[
    str,
    typer.Option("--reader", "--as", envvar="IMGTRACK_AS", help="Code of the reader."),
]


def read(
    *,
    study: StudyFolder = HERE,
    reader: Reader = "",
    folder: Annotated[
        Path | None,
        typer.Option("--loose", help="Measure a loose DICOM folder; nothing is recorded."),
    ] = None,
) -> None:
    """Open the reading window at the next case of the reader's list."""
    windows = _windows()
    if folder is not None:
        windows.measure(folder)
        return
    with opened(study, reader) as desk:
        windows.read(desk)


def _windows() -> Any:
    missing = [name for name in NEEDED if find_spec(name) is None]
    if missing:
        raise Unavailable(
            Fault(
                "the reading window is not installed",
                expected="the 'reading' extra",
                found=f"no {', '.join(missing)}",
                next_step="pip install 'imgtrack[reading]'",
            )
        )
    if sys.platform == "linux" and not any(map(os.environ.get, SCREENS)):
        raise Unavailable(
            Fault(
                "there is no screen to open a window on",
                expected=" or ".join(SCREENS),
                next_step="start it in a desktop session",
            )
        )
    return import_module(WINDOWS)
