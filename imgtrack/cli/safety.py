"""Commands that keep the records safe: log, verify, backup, restore, upgrade."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from imgtrack.cli.console import progress, say
from imgtrack.cli.options import HERE, StudyFolder, Who, clock, opened
from imgtrack.desk import safety
from imgtrack.desk.history import history


def log(
    about: Annotated[
        str, typer.Argument(metavar="[ABOUT]", help="A case, scan, repair or person.")
    ] = "",
    *,
    study: StudyFolder = HERE,
    who: Who = "",
    newest: Annotated[int, typer.Option(min=1, help="How many entries at most.")] = 60,
) -> None:
    """Show what was done, when, by whom and why: all of it, or about one thing."""
    with opened(study, who) as desk:
        entries = history(desk, about)
    for entry in entries[-newest:]:
        reason = f"  ({entry.reason})" if entry.reason else ""
        at = f"{entry.at:%Y-%m-%d %H:%M:%S}"
        say(f"{entry.number:>6}  {at}  {entry.who:<8}  {entry.what}  {entry.record}{reason}")
    left_out = len(entries) - newest
    say(
        f"{len(entries)} entries" + (f"; {left_out} older ones not shown." if left_out > 0 else ".")
    )


def verify(
    study: StudyFolder = HERE,
    who: Who = "",
    expect: Annotated[
        str, typer.Option(metavar="HEAD", help="Head of the log noted down earlier.")
    ] = "",
) -> None:
    """Walk the log, hold every record against it, and name what is broken."""
    with opened(study, who) as desk:
        number, head, faults = safety.verify(desk, expect_head=expect)
    if not faults:
        say(f"The log is whole: {number} entries, and every record is as it was written.")
        say(f"Head of the log (note it down): {head}")
        return
    for fault in faults:
        say(f"BROKEN  {fault}")
    say("Do not go on working on these records; restore a backup taken before the break.")
    raise typer.Exit(1)


def backup(
    target: Annotated[Path, typer.Argument(help="The archive to write, as study.zip.")],
    study: StudyFolder = HERE,
    who: Who = "",
) -> None:
    """Copy the whole study into one checked archive while others go on working."""
    with opened(study, who) as desk, progress() as report:
        done = safety.backup(desk, target, progress=report)
    say(f"{done.files} files and {done.records} records backed up to {target}.")
    for left_out in done.skipped:
        say(f"  left out: {left_out}")
    say("The key file is not in it: keep a copy of that elsewhere.")


def restore(
    archive: Annotated[Path, typer.Argument(help="An archive made by imgtrack backup.")],
    folder: Annotated[Path, typer.Argument(help="A new or empty folder.")],
    database: Annotated[str, typer.Option(help="Database URL; a file when left out.")] = "",
) -> None:
    """Lay out a study from an archive, checking every file and the log."""
    with progress() as report:
        done = safety.restore(archive, folder, url=database, progress=report)
    say(f"{done.files} files and {done.records} records restored to {folder}; the log is whole.")


def upgrade(study: StudyFolder = HERE, who: Who = "") -> None:
    """Bring a study's tables to the form this program writes (back up first)."""
    before, after = safety.upgrade(study, who=who, now=clock)
    say(f"The tables were at {before} and are at {after}.")
