"""Run the job on an invented study, through the same use cases as a real one."""

from __future__ import annotations

import os
from datetime import date
from pathlib import Path
from typing import Annotated

import typer

from imgtrack.cli.board import draw
from imgtrack.cli.console import progress, say, say_caution
from imgtrack.cli.options import clock
from imgtrack.desk import safety
from imgtrack.desk import study as studies
from imgtrack.desk.board import board
from imgtrack.desk.enrol import enrol
from imgtrack.desk.events import take_events
from imgtrack.desk.intake.outcome import Fate
from imgtrack.desk.intake.run import take_in
from imgtrack.desk.scores import take_scores
from imgtrack.domain.errors import InvalidInput
from synthetic_scans.cohort import AS_OF, plan_cohort
from synthetic_scans.cohort_files import write_sheets
from synthetic_scans.cohort_run import Settings, make_cohort
from synthetic_scans.readers import default_readers

STEPS = (
    (enrol, "enrolment.csv", "repairs enrolled"),
    (take_scores, "scores.csv", "clinical scores taken"),
    (take_events, "events.csv", "events taken"),
)


def demo(
    folder: Annotated[Path, typer.Argument(help="A new or empty folder.")] = Path("demo-study"),
    *,
    repairs: Annotated[int, typer.Option(min=1, help="Repairs to invent.")] = 30,
    seed: Annotated[int, typer.Option(min=0, help="Everything follows from it.")] = 20417,
    images: Annotated[
        bool,
        typer.Option(
            help="Make small scans of every visit and take them in (minutes, not seconds)."
        ),
    ] = False,
) -> None:
    """Run the job on an invented study of two repair techniques."""
    if faults := studies.folder_faults(folder):
        raise InvalidInput(faults)
    sheets, place = folder / "sheets", folder / "study"
    if images:
        _make_scans(sheets, Settings(seed=seed, repairs=repairs, size="quick"))
    else:
        write_sheets(plan_cohort(seed, repairs), default_readers(), sheets)
    say(f"Invented {repairs} repairs of two hospitals; their sheets are in {sheets}.")
    studies.start(place, name="Two techniques (invented)", who="C1", now=clock).close()
    _name_sites(place / studies.PROTOCOL_FILE)
    with studies.open_study(place, now=clock) as study:
        for act, name, words in STEPS:
            if not _has_rows(sheets / name):  # a few repairs may have no event
                continue
            with progress() as report:
                filed = act(study, sheets / name, progress=report)
            say(f"{filed.added} {words} from {name}.")
        if images:
            with progress() as report:
                taken = take_in(study, [sheets / "scans"], progress=report)
            say(f"{taken.count(Fate.TAKEN_IN)} studies taken in from {sheets / 'scans'}.")
        say("")
        draw(board(study, day=AS_OF))
        number, _, faults = safety.verify(study)
    say("")
    say(f"The log has {number} entries; " + ("it is broken!" if faults else "it is whole."))
    _try_next(place, AS_OF, images=images)


def _has_rows(sheet: Path) -> bool:
    return len(sheet.read_text("utf-8").splitlines()) > 1


def _make_scans(folder: Path, settings: Settings) -> None:
    with progress() as report:
        make_cohort(
            folder,
            settings,
            jobs=os.cpu_count() or 1,
            progress=lambda done, total: report("making scans", done, total),
        )


def _name_sites(protocol: Path) -> None:
    text = protocol.read_text("utf-8")
    protocol.write_text(text.replace("sites = []", 'sites = ["H", "Q"]', 1), "utf-8")


def _try_next(place: Path, day: date, *, images: bool) -> None:
    say("Try next:")
    if images:
        say(f"  imgtrack scans --problems --study {place}")
    say(f"  imgtrack board --study {place} --date {day.isoformat()} --late")
    say(f"  imgtrack protocol --study {place}")
    say(f"  imgtrack verify --study {place}")
    say_caution()
