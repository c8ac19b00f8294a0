"""Commands of the reading desk: allot, people, amend."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from imgtrack.cli.asking import answers_in, ask_phrase
from imgtrack.cli.console import say
from imgtrack.cli.options import HERE, Amend, StudyFolder, Who, opened
from imgtrack.desk.cases.allot import allot as allot_readings
from imgtrack.desk.cases.training import take_training_key
from imgtrack.desk.people import pass_phrases
from imgtrack.desk.people.roll import people as everyone
from imgtrack.desk.readings import amending
from imgtrack.domain.reading import Round
from imgtrack.domain.training import NOT_ASSESSABLE

if TYPE_CHECKING:
    from imgtrack.desk.people.roll import Standing


def allot(
    study: StudyFolder = HERE,
    who: Who = "",
    training: Annotated[
        Path | None,
        typer.Option(metavar="SHEET", help="The expert's key: puts scans in the training set."),
    ] = None,
    amend: Amend = "",
) -> None:
    """Add to each reader's list what can be read now; run again after scans came in."""
    with opened(study, who) as desk:
        if training is not None:
            filed = take_training_key(desk, training, reason=amend)
            say(f"{filed.added} scans put in the training set, {len(filed.changed)} changed.")
        done = allot_readings(desk)
    counts = ", ".join(
        f"{done.count(round_)} {word}"
        for round_, word in (
            (Round.FIRST, "first readings"),
            (Round.REPEAT, "hidden repeats"),
            (Round.TRAINING, "training cases"),
        )
    )
    say(f"Allotted: {counts}.")
    if done.held:
        say(f"{done.held} scans wait for a problem to be settled (imgtrack scans --problems).")
    if done.repeats_to_come:
        say(f"{done.repeats_to_come} hidden repeats follow: allot again once they were read first.")


def people(
    *,
    study: StudyFolder = HERE,
    who: Who = "",
    set_pass_phrase: Annotated[
        bool, typer.Option("--set-pass-phrase", help="Set the pass phrase of the person --as.")
    ] = False,
    clear: Annotated[
        str, typer.Option("--clear-pass-phrase", metavar="CODE", help="Of who forgot it.")
    ] = "",
) -> None:
    """Show who can sign; set one's pass phrase, or clear that of somebody who forgot it."""
    with opened(study, who) as desk:
        if set_pass_phrase:
            old = ask_phrase("Pass phrase until now") if pass_phrases.needs_old(desk) else ""
            new = ask_phrase("New pass phrase", twice=True)
            pass_phrases.set_pass_phrase(desk, new, old=old)
            say(f"The pass phrase of {desk.who} is set.")
        elif clear:
            pass_phrases.clear_pass_phrase(desk, clear)
            say(f"The pass phrase of {clear} is cleared; {clear} sets a new one.")
        else:
            for standing in everyone(desk):
                say(_in_words(standing))


def amend(
    reading: Annotated[str, typer.Argument(help="Key of the signed reading.")],
    *,
    study: StudyFolder = HERE,
    who: Who = "",
    reason: Annotated[str, typer.Option(help="Why it is amended.")] = "",
    answers: Annotated[
        Path | None, typer.Option(metavar="FILE", help="All answers, as --show prints them.")
    ] = None,
    change: Annotated[
        list[str] | None,
        typer.Option("--set", metavar="QUESTION=VALUE", help="Another grade or choice."),
    ] = None,
    show: Annotated[bool, typer.Option("--show", help="Only print the answers as JSON.")] = False,
) -> None:
    """Replace a signed reading of one's own by a new one with a reason; both stay on record."""
    with opened(study, who) as desk:
        signed = amending.signed_answers(desk, reading)
        if show:
            typer.echo(json.dumps(signed, indent=2, ensure_ascii=False))
            return
        amending.require_reason(reason, reading)
        given = signed if answers is None else answers_in(answers)
        given |= dict(map(_answer, change or []))
        done = amending.amend(desk, reading, given, reason=reason, pass_phrase=ask_phrase())
    say(f"Signed as {done.reading}; {reading} stays on record.")
    for words in done.mismatches:
        say(f"  mismatch: {words}")


def _answer(text: str) -> tuple[str, dict[str, str]]:
    """Return question and answer of ``QUESTION=VALUE`` or ``QUESTION=not assessable:REASON``."""
    name, equals, value = text.partition("=")
    if not equals:
        msg = f"{text!r} is no answer; write it as sugaya=IV"
        raise typer.BadParameter(msg)
    head, colon, reason = value.partition(":")
    if colon and head.strip() == NOT_ASSESSABLE:
        return name.strip(), {"not_assessable": reason.strip()}
    return name.strip(), {"value": value.strip()}


def _in_words(standing: Standing) -> str:
    person, training = standing.person, standing.training
    signs = "can sign" if standing.can_sign else "no pass phrase"
    words = f"{person.code:<8} {person.role.value:<12} {signs}"
    if training is None:
        return words
    share = "" if training.share is None else f", {training.hits} of {training.asked}"
    return f"{words:<38} training: {training.standing.value}{share}"
