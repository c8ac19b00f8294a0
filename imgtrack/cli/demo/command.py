"""``imgtrack demo``: the whole job on an invented study, through the desk of a real one."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from imgtrack.cli.board import draw
from imgtrack.cli.console import progress, say, say_caution
from imgtrack.cli.demo import steps
from imgtrack.cli.demo.people import DemoClock
from imgtrack.desk import safety
from imgtrack.desk.board import board
from imgtrack.domain.errors import Fault, InvalidInput
from imgtrack.domain.protocol import Role
from synthetic_scans.cohort.plan import AS_OF
from synthetic_scans.cohort.run import FolderRefused, Settings
from synthetic_scans.readers.people import default_readers

if TYPE_CHECKING:
    from imgtrack.cli.demo.people import Report
    from imgtrack.desk.study import Study

REPAIRS, QUICK_REPAIRS = 30, 4
LEFT_FOR_YOU = 1
"""Cases of MR that R1 leaves, with what follows them."""

READ_BY_HAND = (Role.READER, Role.ADJUDICATOR)


def demo(
    folder: Annotated[
        Path, typer.Argument(help="A new folder, or one where the demo was stopped.")
    ] = Path("demo-study"),
    *,
    repairs: Annotated[
        int | None,
        typer.Option(
            min=1, help="Repairs to invent.", show_default=f"{REPAIRS}, quick {QUICK_REPAIRS}"
        ),
    ] = None,
    seed: Annotated[int, typer.Option(min=0, help="Everything follows from it.")] = 127,
    quick: Annotated[bool, typer.Option("--quick", help="A minute instead of five.")] = False,
) -> None:
    """Run the whole job on an invented study of two techniques: scans, readings, report."""
    count = repairs if repairs is not None else QUICK_REPAIRS if quick else REPAIRS
    places, clock = steps.Places(folder), DemoClock()
    settings = Settings(seed=seed, repairs=count, size="quick")
    _require_demo_folder(places)
    with progress() as report:
        scans = _made(places, settings, report)
    say(f"{scans} invented scans of {count} repairs lie in {places.sheets}.")
    with steps.begin(places, clock) as study:
        _fill(study, places)
        phrases = steps.phrases_of(study, READ_BY_HAND)
        left = _read(study, places, clock, seed, phrases)
        with progress() as report:
            written, repair = steps.write_results(study, places.report, report)
        say(f"The report with a healing sheet of each repair is {written.page}.")
        say("")
        draw(board(study, day=AS_OF))
        _verify(study)
    _try_next(places, phrases, repair, left)


def _made(places: steps.Places, settings: Settings, report: Report) -> int:
    try:
        return steps.make_scans(places, settings, report)
    except FolderRefused as error:
        where = str(places.sheets)
        step = "give a new folder, or the numbers it was begun with"
        raise InvalidInput(
            Fault("the folder cannot be used", where, "", str(error), step)
        ) from error


def _require_demo_folder(places: steps.Places) -> None:
    """Refuse a folder with other things in it; what an earlier run left may stay."""
    folder = places.folder
    if folder.is_dir() and (not any(folder.iterdir()) or places.sheets.is_dir()):
        return
    if folder.exists():
        raise InvalidInput(
            Fault(
                "the folder is in use",
                str(folder),
                "a new folder, or one where the demo was stopped",
                "files in it" if folder.is_dir() else "a file",
                "choose another folder",
            )
        )


def _fill(study: Study, places: steps.Places) -> None:
    with progress() as report:
        filed = steps.take_sheets(study, places.sheets, report)
        taken = steps.take_scans(study, places.sheets / "scans", report)
    for words in filed:
        say(f"{words}.")
    say(f"{taken} studies de-identified and taken in.")
    settled = steps.settle_problems(study)
    say(f"{settled} doubts about scans settled by the coordinator (imgtrack scans --problems).")


def _read(
    study: Study, places: steps.Places, clock: DemoClock, seed: int, phrases: dict[str, str]
) -> int:
    """Let everyone read; return how many cases R1 has left."""
    steps.give_phrases(study, phrases)
    reading = steps.ReadingTime(study, clock, places.sheets, default_readers(), phrases, seed)
    with progress() as report:
        signed = reading.run(report, leave=LEFT_FOR_YOU)
    say(f"{signed} readings signed by two simulated readers and an adjudicator.")
    return reading.left()


def _verify(study: Study) -> None:
    number, _, faults = safety.verify(study)
    say("")
    say(f"The log has {number} entries; " + ("it is broken!" if faults else "it is whole."))


def _try_next(places: steps.Places, phrases: dict[str, str], repair: str, left: int) -> None:
    say("")
    say("Everyone's pass phrase: " + "; ".join(f"{who}: {what}" for who, what in phrases.items()))
    more = left - LEFT_FOR_YOU
    after = f", and {more} of radiographs after it" if more > 0 else ""
    say(f"{LEFT_FOR_YOU} case of R1 is left for you{after}, if its washout is over. Try next:")
    say(f"  imgtrack read --as R1 --study {places.study}")
    say(f"  imgtrack course {repair} --study {places.study}")
    say(f"  open {places.report / 'index.html'} in a browser")
    say(f"The invented study stands at {AS_OF}; give the board that day:")
    say(f"  imgtrack board --study {places.study} --date {AS_OF}")
    say_caution()
