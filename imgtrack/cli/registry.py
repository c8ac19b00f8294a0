"""Commands that make a study and fill its registry."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Annotated

import typer

from imgtrack.cli.console import progress, say
from imgtrack.cli.options import HERE, Amend, SheetFile, StudyFolder, Who, clock, opened
from imgtrack.desk import protocols
from imgtrack.desk import study as studies
from imgtrack.desk.registry.enrol import enrol as enrol_repairs
from imgtrack.desk.registry.events import take_events
from imgtrack.desk.registry.filing import Filed
from imgtrack.desk.registry.scores import take_scores
from imgtrack.domain.protocol import Role

NewFolder = Annotated[Path, typer.Argument(help="A new or empty folder.")]
KeyFile = Annotated[
    Path | None,
    typer.Option("--keys", help="Where the key file goes (default: beside the study folder)."),
]
Coordinator = Annotated[str, typer.Option("--as", help="Code of the coordinator.")]


def start(
    folder: NewFolder,
    name: Annotated[str, typer.Option(help="Name of the study.")] = "Rotator cuff healing study",
    who: Coordinator = "C1",
    database: Annotated[str, typer.Option(help="Database URL; a file when left out.")] = "",
    keys: KeyFile = None,
) -> None:
    """Start a study: a protocol to edit, an empty registry and a key file."""
    with studies.start(folder, name=name, who=who, now=clock, url=database, keys=keys) as study:
        say(f"Study started in {folder}.")
        say(f"Key file (keep it apart from the study): {study.keys_path}")
    say(f"Next: edit {folder / studies.PROTOCOL_FILE}, then: imgtrack enrol FILE --study {folder}")


def join(
    folder: NewFolder,
    database: Annotated[str, typer.Option(help="URL of the study's database.")],
    who: Coordinator = "C1",
    keys: KeyFile = None,
) -> None:
    """Open a further site's desk on a study that is in a shared database."""
    with studies.join(folder, who=who, now=clock, url=database, keys=keys) as study:
        say(f"Joined '{study.protocol.study.name}' in {folder}.")


def enrol(file: SheetFile, *, study: StudyFolder = HERE, who: Who = "", amend: Amend = "") -> None:
    """Enrol repairs: one row each, with subject code, side and operation date."""
    _file(enrol_repairs, "repairs", file, folder=study, who=who, reason=amend)


def scores(file: SheetFile, *, study: StudyFolder = HERE, who: Who = "", amend: Amend = "") -> None:
    """Take clinical scores, checked against the ranges and parts of the protocol."""
    _file(take_scores, "scores", file, folder=study, who=who, reason=amend)


def events(file: SheetFile, *, study: StudyFolder = HERE, who: Who = "", amend: Amend = "") -> None:
    """Take revisions, infections, withdrawals, deaths and losses to follow-up."""
    _file(take_events, "events", file, folder=study, who=who, reason=amend)


def protocol(
    study: StudyFolder = HERE,
    who: Who = "",
    amend: Annotated[
        str, typer.Option("--amend", metavar="REASON", help="Put a changed protocol in force.")
    ] = "",
) -> None:
    """Check study.toml and show what it promises; amend it once readings are signed."""
    checked, _ = studies.protocol_of(study)
    if amend:
        _amend(study, who, amend)
    windows = ", ".join(f"{p.name} day {p.window[0]} to {p.window[1]}" for p in checked.timepoint)
    say(f"{checked.study.name}: the protocol is sound ({checked.hash[:12]}).")
    say(f"Timepoints: {windows}.")
    say("People: " + ", ".join(f"{p.code} ({p.role.value})" for p in checked.person) + ".")
    say("Scales: " + ", ".join(f"{s.name} {s.version}".strip() for s in checked.scale) + ".")
    say(f"Retear by {checked.outcome.retear_rule}, beside it {checked.outcome.sensitivity_rule}.")


def _amend(folder: Path, who: str, reason: str) -> None:
    with studies.open_for_amendment(folder, who=who, now=clock) as study:
        study.require([Role.COORDINATOR], "amend the protocol")
        changed = protocols.amend(
            study.store, study.protocol, study.text, who=study.who, now=clock, reason=reason
        )
    say("The amended protocol is in force." if changed else "The protocol had not changed.")


def _file(
    act: Callable[..., Filed], noun: str, file: Path, *, folder: Path, who: str, reason: str
) -> None:
    with opened(folder, who) as study, progress() as report:
        filed = act(study, file, reason=reason, progress=report)
    changed = len({difference.record for difference in filed.changed})
    say(f"{filed.added} {noun} added, {changed} changed, {filed.unchanged} as recorded.")
    for difference in filed.changed:
        say(f"  {difference}")
    for note in filed.notes:
        say(f"  {note}")
