"""Options that many commands share."""

from __future__ import annotations

from datetime import UTC, date, datetime
from pathlib import Path
from typing import Annotated

import typer

from imgtrack.cli.console import say
from imgtrack.desk.study import Study, open_study

StudyFolder = Annotated[
    Path,
    typer.Option("--study", envvar="IMGTRACK_STUDY", help="The study folder."),
]
Who = Annotated[
    str,
    typer.Option("--as", envvar="IMGTRACK_AS", help="Code of the person at the desk."),
]
Amend = Annotated[
    str,
    typer.Option("--amend", metavar="REASON", help="Apply changes to what is recorded, and why."),
]
SheetFile = Annotated[Path, typer.Argument(help="A CSV or Excel sheet.")]
HERE = Path()


def clock() -> datetime:
    """Return the time now, in UTC."""
    return datetime.now(UTC)


def opened(folder: Path, who: str) -> Study:
    """Open the study a command is for, and say what opening it changed."""
    study = open_study(folder, who=who, now=clock)
    if study.notice:
        say(study.notice)
    return study


def day_given(text: str) -> date:
    """Read a day of the command line."""
    try:
        return date.fromisoformat(text)
    except ValueError as error:
        msg = f"{text!r} is no date; write it as 2031-05-28"
        raise typer.BadParameter(msg) from error
