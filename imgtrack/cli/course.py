"""The command that opens the course of a repair."""

from __future__ import annotations

from importlib import import_module
from importlib.util import find_spec
from typing import Annotated

import typer

from imgtrack.cli.options import HERE, StudyFolder, Who, opened
from imgtrack.desk.course import open_course
from imgtrack.domain.errors import Fault, Unavailable

WINDOWS = "imgtrack_napari.course"
NEEDED = ("napari", "PySide6", "imgtrack_napari")


def course(
    repair: Annotated[str, typer.Argument(help="Code of the repair, as S014-R.")],
    *,
    study: StudyFolder = HERE,
    who: Who = "",
) -> None:
    """Open the scans of a repair side by side, laid on each other, with what changed along time."""
    missing = [name for name in NEEDED if find_spec(name) is None]
    if missing:
        raise Unavailable(
            Fault(
                "the course window is not installed",
                expected="the 'reading' extra",
                found=f"no {', '.join(missing)}",
                next_step="pip install 'imgtrack[reading]'",
            )
        )
    with opened(study, who) as desk:
        found = open_course(desk, repair)
        import_module(WINDOWS).course(found)
