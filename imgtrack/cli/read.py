"""The command that opens the reading window."""

from __future__ import annotations

from importlib import import_module
from pathlib import Path
from typing import Annotated

import typer

from imgtrack.cli.options import HERE, StudyFolder, opened
from imgtrack.cli.windows import require_window

WINDOWS = "imgtrack_napari.launch"
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
    require_window("reading window")
    windows = import_module(WINDOWS)
    if folder is not None:
        windows.measure(folder)
        return
    with opened(study, reader) as desk:
        windows.read(desk)
