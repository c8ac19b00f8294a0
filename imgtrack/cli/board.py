"""The follow-up board in the terminal."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Annotated

import typer
from rich.table import Table
from rich.text import Text

from imgtrack.cli.console import OUT, say
from imgtrack.cli.options import HERE, StudyFolder, Who, day_given, opened
from imgtrack.cli.unreadable import say_unreadable, unreadable_for
from imgtrack.desk.board import Board
from imgtrack.desk.board import board as follow_up_board
from imgtrack.domain.schedule import Cell, State

LOOKS = {
    State.NOT_YET_DUE: "dim",
    State.DUE: "bold",
    State.OVERDUE: "bold black on yellow",
    State.MISSED: "bold magenta",
    State.SCAN_IN: "cyan",
    State.BEING_READ: "cyan",
    State.READERS_DIFFER: "bold cyan",
    State.FINAL: "blue",
    State.ENDED: "dim italic",
}
MOST_LINES = 200
MOST_CALLS = 10


def board(
    *,
    study: StudyFolder = HERE,
    who: Who = "",
    date: Annotated[str, typer.Option(help="Day the board is for, as 2031-05-28.")] = "",
    site: Annotated[str, typer.Option(help="Only this site.")] = "",
    late: Annotated[bool, typer.Option("--late", help="Only overdue and missed.")] = False,
    csv: Annotated[Path | None, typer.Option(help="Write it as CSV.")] = None,
    as_json: Annotated[bool, typer.Option("--json", help="Print it as JSON.")] = False,
) -> None:
    """Show every repair at every timepoint, the counts, and whom to call first."""
    day = day_given(date) if date else None
    with opened(study, who) as desk:
        shown = follow_up_board(desk, day=day, site=site)
        unreadable = unreadable_for(desk)
    if late:
        shown = shown.only_late()
    if csv is not None:
        shown.frame().to_csv(csv, index=False)
        say(f"{len(shown.lines)} repairs written to {csv}.")
    elif as_json:
        typer.echo(json.dumps(shown.plain(), indent=2, ensure_ascii=False))
    else:
        draw(shown)
        say_unreadable(unreadable)


def draw(shown: Board) -> None:
    """Draw the board, its counts and whom to call on the terminal."""
    say(f"{shown.study}, {shown.day.isoformat()}: {len(shown.lines)} repairs")
    table = Table(show_edge=False, pad_edge=False, show_footer=False)
    for heading in ("repair", "operated", *shown.timepoints):
        table.add_column(heading, no_wrap=True)
    for line in shown.lines[:MOST_LINES]:
        cells = [_cell(line.cells[name]) for name in shown.timepoints]
        table.add_row(line.repair.code, line.repair.operated_on.isoformat(), *cells)
    OUT.print(table)
    if len(shown.lines) > MOST_LINES:
        rest = len(shown.lines) - MOST_LINES
        say(f"... and {rest} more repairs: use --late, --site or --csv FILE")
    _draw_counts(shown)
    _draw_calls(shown)


def _cell(cell: Cell) -> Text:
    missing = " ".join(f"(no {modality.value})" for modality in cell.missing)
    return Text(f"{cell.state.value} {missing}".strip(), LOOKS[cell.state])


def _draw_counts(shown: Board) -> None:
    counts, complete = shown.counts(), shown.completeness()
    table = Table(title="Counts", title_justify="left", show_edge=False, pad_edge=False)
    table.add_column("state")
    for name in shown.timepoints:
        table.add_column(name, justify="right")
    for state in State:
        numbers = [counts[name][state] for name in shown.timepoints]
        if any(numbers):
            table.add_row(Text(state.value, LOOKS[state]), *map(str, numbers))
    table.add_section()
    table.add_row("in / asked for", *(f"{i}/{a}" for i, a in complete.values()))
    table.add_row("complete", *(f"{i / a:.0%}" if a else "-" for i, a in complete.values()))
    OUT.print()
    OUT.print(table)


def _draw_calls(shown: Board) -> None:
    calls = shown.calls()
    say("")
    if not calls:
        say("Nobody is to be called.")
        return
    say("Call first:", "bold")
    for call in calls[:MOST_CALLS]:
        days = f"{call.days_left} day{'s' if call.days_left != 1 else ''} left"
        until = call.closes_on.isoformat()
        say(f"  {call.repair.code}  {call.timepoint}  {call.state.value}, {days} (until {until})")
    if len(calls) > MOST_CALLS:
        say(f"  ... and {len(calls) - MOST_CALLS} more")
