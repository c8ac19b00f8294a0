"""The command that opens the course of a repair."""

from __future__ import annotations

from importlib import import_module
from typing import Annotated

import typer

from imgtrack.cli.options import HERE, StudyFolder, Who, opened
from imgtrack.cli.windows import require_window
from imgtrack.desk.course.visits import open_course

WINDOWS = "imgtrack_napari.course.opening"


def course(
    repair: Annotated[str, typer.Argument(help="Code of the repair, as S014-R.")],
    *,
    study: StudyFolder = HERE,
    who: Who = "",
) -> None:
    """Open the scans of a repair side by side, laid on each other, with what changed along time."""
    require_window("course window")
    with opened(study, who) as desk:
        found = open_course(desk, repair)
        import_module(WINDOWS).course(found)
