"""What a person sees: faults laid out, progress with time left, and the exit code."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING

from rich.console import Console
from rich.progress import (
    BarColumn,
    MofNCompleteColumn,
    Progress,
    TextColumn,
    TimeElapsedColumn,
    TimeRemainingColumn,
)
from rich.text import Text

from imgtrack.domain.cautions import CAUTION

if TYPE_CHECKING:
    from imgtrack.desk.registry.sheets import Progress as Report
    from imgtrack.domain.errors import ImgtrackError

OUT = Console(highlight=False, soft_wrap=True)
ERR = Console(stderr=True, highlight=False, soft_wrap=True)
MOST_FAULTS = 40


def show_error(error: ImgtrackError) -> None:
    """Lay out every fault on standard error: where, what, expected, found, next step."""
    count = len(error.faults)
    ERR.print(Text(f"{count} fault{'s' if count != 1 else ''}; nothing was changed.", "bold"))
    for fault in error.faults[:MOST_FAULTS]:
        ERR.print(Text(f"- {fault.where or 'here'}: {fault.what}"))
        for label, text in (
            ("expected", fault.expected),
            ("found", fault.found),
            ("next", fault.next_step),
        ):
            if text:
                ERR.print(Text.assemble("    ", (f"{label:<9}", "dim"), text))
    if count > MOST_FAULTS:
        ERR.print(f"... and {count - MOST_FAULTS} more of the kind")


def say(text: str, style: str = "") -> None:
    """Print one line on standard output."""
    OUT.print(Text(text, style))


def say_caution() -> None:
    """Print the cautions that stand beside every result."""
    OUT.print(Text(CAUTION, "dim"))


@contextmanager
def progress() -> Iterator[Report]:
    """Give a reporter that draws one bar per step on standard error when that is a terminal."""
    columns = (
        TextColumn("{task.description:<14}"),
        BarColumn(),
        MofNCompleteColumn(),
        TimeElapsedColumn(),
        TimeRemainingColumn(),
    )
    with Progress(*columns, console=ERR, disable=not sys.stderr.isatty()) as bars:
        tasks = {}

        def report(what: str, done: int, total: int) -> None:
            if what not in tasks:
                tasks[what] = bars.add_task(what, total=total or None)
            bars.update(tasks[what], completed=done, total=total or None)

        yield report
