"""Commands of the reading desk behind the reading: settle, readings, import-readings, grant."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from imgtrack.cli.asking import answers_in, ask_phrase
from imgtrack.cli.console import progress, say, say_caution
from imgtrack.cli.options import HERE, Amend, SheetFile, StudyFolder, Who, opened
from imgtrack.cli.unreadable import plain_unreadable, say_unreadable, unreadable_for
from imgtrack.desk.imports.readings import import_readings as take_readings
from imgtrack.desk.people import access
from imgtrack.desk.readings import settle as settling
from imgtrack.desk.readings.progress import drift as rolling
from imgtrack.desk.readings.progress import progress as how_far
from imgtrack.desk.readings.verdicts import follow_all

if TYPE_CHECKING:
    from imgtrack.desk.readings.progress import Drift, ReaderProgress, Step
    from imgtrack.desk.readings.settle import Waiting


def settle(
    case: Annotated[str, typer.Argument(help="Code of a settling case.")] = "",
    *,
    study: StudyFolder = HERE,
    who: Who = "",
    listing: Annotated[bool, typer.Option("--list", help="What waits to be settled.")] = False,
    show: Annotated[
        bool, typer.Option("--show", help="Print the first readings, without names, as JSON.")
    ] = False,
    answers: Annotated[
        Path | None,
        typer.Option(metavar="FILE", help="All answers, or the picked reading, as JSON."),
    ] = None,
    update: Annotated[
        bool, typer.Option("--update", help="Bring all verdicts up to date (coordinator).")
    ] = False,
) -> None:
    """Settle scans whose readers differ; the verdict follows at once."""
    if not case and (show or answers is not None):
        raise typer.BadParameter("which case? give its code")
    with opened(study, who) as desk:
        if update:
            moved = follow_all(desk)
            say(
                f"{sum(each.verdict is not None for each in moved)} verdicts, "
                f"{sum(each.case is not None for each in moved)} cases to settle added."
            )
        if show:
            sets = {each.label: each.answers for each in settling.answer_sets(desk, case)}
            typer.echo(json.dumps(sets, indent=2, ensure_ascii=False))
        if answers is not None:
            given = answers_in(answers)
            done = settling.settle(desk, case, given, pass_phrase=ask_phrase())
            say(f"Settled as {done.reading}.")
            for words in done.mismatches:
                say(f"  mismatch: {words}")
        if listing or not (case or update):
            _list(settling.waiting(desk))


def readings(
    *,
    study: StudyFolder = HERE,
    who: Who = "",
    drift: Annotated[
        bool, typer.Option("--drift", help="Agreement with repeats and verdicts, over time.")
    ] = False,
    as_json: Annotated[bool, typer.Option("--json", help="Print JSON.")] = False,
) -> None:
    """Show how far each reader has come, and whether they read as they did before."""
    with opened(study, who) as desk:
        people = how_far(desk)
        over_time = rolling(desk) if drift else ()
        unreadable = unreadable_for(desk)
    if as_json:
        told = _plain(people, over_time) | {"unreadable": plain_unreadable(unreadable)}
        typer.echo(json.dumps(told, indent=2))
        return
    say(f"{'reader':<10}{'open':>6}{'drafted':>9}{'signed':>8}{'minutes':>9}  mismatches  overdue")
    for each in people:
        say(_line(each))
    say_unreadable(unreadable)
    for found in over_time:
        say(f"{found.reader} against {found.against.value}: {_steps(found)}")
    if over_time:
        say_caution()


def import_readings(
    file: SheetFile, *, study: StudyFolder = HERE, who: Who = "", amend: Amend = ""
) -> None:
    """Take grades a group already has as signed readings: all of the sheet, or none."""
    with opened(study, who) as desk, progress() as report:
        done = take_readings(desk, file, reason=amend, progress=report)
    say(f"{done.added} readings added, {done.amended} amended, {done.unchanged} as recorded.")
    if done.scans:
        say(f"{done.scans} scans are known from this sheet alone; they have no images.")
    say(f"{done.verdicts} verdicts followed.")
    for note in done.notes:
        say(f"  {note}")


def grant(
    person: Annotated[str, typer.Argument(help="Code of the person.")],
    login: Annotated[str, typer.Argument(help="Login of the PostgreSQL server.")],
    *,
    study: StudyFolder = HERE,
    who: Who = "",
    revoke: Annotated[bool, typer.Option("--revoke", help="Take everything back.")] = False,
) -> None:
    """Bind a login of the PostgreSQL server to what a person may see and do."""
    with opened(study, who) as desk:
        if revoke:
            access.revoke(desk, login)
            say(f"{login} may do nothing in this study any more.")
        else:
            role = access.grant(desk, person, login)
            say(f"{login} may do what {person} may as {role.value}, and nothing else.")


def _list(waiting: tuple[Waiting, ...]) -> None:
    if not waiting:
        say("Nothing waits to be settled.")
    for each in waiting:
        state = each.state.value if each.state else "nobody can settle it"
        where = f"{each.repair} {each.timepoint}".strip()
        words = [each.code or "-", each.adjudicator, where, state]
        say("  ".join(word for word in words if word))
        for difference in each.differences:
            say(f"    {difference}")


def _line(each: ReaderProgress) -> str:
    minutes = "-" if each.active_minutes is None else f"{each.active_minutes:.1f}"
    imported = f"  ({each.imported} imported)" if each.imported else ""
    return (
        f"{each.reader:<10}{each.open:>6}{each.drafted:>9}{each.signed:>8}{minutes:>9}"
        f"{each.mismatches:>12}{each.overdue:>9}{imported}"
    )


def _steps(found: Drift) -> str:
    first, last = found.steps[0], found.steps[-1]
    then = f"; before, to {first.until:%Y-%m-%d}: {_share(first)}" if first is not last else ""
    return f"now {_share(last)}{then}"


def _share(step: Step) -> str:
    found = step.agreement
    return f"{found.estimate:.0%} of {found.n_used} pairs ({found.low:.0%} to {found.high:.0%})"


def _plain(people: tuple[ReaderProgress, ...], over_time: tuple[Drift, ...]) -> dict[str, Any]:
    return {
        "readers": [{name: getattr(each, name) for name in each.__slots__} for each in people],
        "drift": [
            {
                "reader": each.reader,
                "against": each.against.value,
                "steps": [
                    {
                        "until": step.until.isoformat(),
                        "agreement": step.agreement.estimate,
                        "low": step.agreement.low,
                        "high": step.agreement.high,
                        "pairs": step.agreement.n_used,
                    }
                    for step in each.steps
                ],
            }
            for each in over_time
        ],
    }
