"""Sign a reading: complete, measured again, by a person who proves who they are.

What is signed is what the draft holds. The record keeps what a reading must be judged by later: the
images that were measured on with their geometry, the protocol, the program, the time it took, the
grades the measurements imply and where the reader's differ.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from importlib.metadata import version
from typing import TYPE_CHECKING, Any

from imgtrack.desk.cases.images import aliases_in, named
from imgtrack.desk.cases.layout import form_of, scan_of
from imgtrack.desk.cases.lists import MAY_READ
from imgtrack.desk.cases.opening import own_case
from imgtrack.desk.cases.stored_pixels import StoredPixels
from imgtrack.desk.people.pass_phrases import check_pass_phrase
from imgtrack.desk.readings.drafts import current_draft, with_time
from imgtrack.desk.readings.recompute import recompute
from imgtrack.desk.readings.verdicts import follow, settles_by_pick, shown_to
from imgtrack.domain.errors import Fault, InvalidInput, Refused
from imgtrack.domain.form import Purpose, derived, mismatches, review
from imgtrack.domain.form.proposals import read_proposals, with_fates
from imgtrack.domain.reading import Reading
from imgtrack.store.drafts import drop_draft

if TYPE_CHECKING:
    from imgtrack.desk.cases.images import Images, Shelf
    from imgtrack.desk.cases.screen import BlindCase
    from imgtrack.desk.cases.stored_pixels import PixelsOf
    from imgtrack.desk.study import Study
    from imgtrack.domain.cases import Case
    from imgtrack.domain.form import Form, Notice
    from imgtrack.domain.protocol import Protocol


@dataclass(frozen=True, slots=True)
class Signed:
    """What a reader is told of a reading just signed.

    Attributes
    ----------
    reading
        Its key.
    signed_at
        UTC.
    mismatches
        Where a grade is not the one the measurements imply; recorded, not refused.
    """

    reading: str
    signed_at: datetime
    mismatches: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Sound:
    """Answers fit to be signed.

    Attributes
    ----------
    answers
        Complete, images by their alias.
    derived
        By question: the levels or number that the measurements imply, why, and the flags.
    mismatches
        In plain words.
    notices
        What the reader should look at again.
    """

    answers: Mapping[str, Any]
    derived: Mapping[str, Any]
    mismatches: tuple[str, ...]
    notices: tuple[Notice, ...]


def sound(
    study: Study, form: Form, answers: Mapping[str, Any], images: Images, pixels: PixelsOf
) -> Sound:
    """Return answers checked, completed and measured again.

    Raises
    ------
    InvalidInput
        With every fault: what is missing or contradicts, every number that does not follow from
        its points, every point beside its image.
    ImagesUnreadable
        When a number follows from pixels that cannot be read.
    """
    named(answers, images)  # an alias the case does not have is told before anything else
    looked = review(form, answers, purpose=Purpose.SIGNING)
    faults = [*looked.faults, *recompute(form, looked.answers, images, pixels)]
    if faults:
        raise InvalidInput(faults)
    grades, differing = implied(form, looked.answers, study.protocol)
    return Sound(looked.answers, grades, differing, looked.notices)


def implied(
    form: Form, answers: Mapping[str, Any], protocol: Protocol
) -> tuple[dict[str, Any], tuple[str, ...]]:
    """Return what the measurements imply, by question, and where the reader's grade is another."""
    grades = derived(form, answers, protocol)
    found = {
        grade.question: {
            "possible": list(grade.derived.possible),
            "value": grade.derived.value,
            "reason": grade.derived.reason,
            "flags": [flag.value for flag in grade.derived.flags],
            "given": grade.given,
        }
        for grade in grades
    }
    return found, tuple(each.words for each in mismatches(grades))


def sign(study: Study, case: BlindCase, pass_phrase: str, *, shelf: Shelf | None = None) -> Signed:
    """Sign what the draft of an open case holds.

    Parameters
    ----------
    study
        Open, with the reader at the desk.
    case
        As `open_case` gave it; its last saved draft is signed.
    pass_phrase
        The reader's, typed again.
    shelf
        Where the images lie; the study's folder when ``None``. Asked only when a number follows
        from pixels.

    Raises
    ------
    Refused
        When the phrase is wrong, another window opened the case, it is signed already or is not
        theirs, or it is to be settled by picking a reading.
    InvalidInput
        With everything that is missing or wrong; the draft stays.
    ImagesUnreadable
        When a number follows from pixels that cannot be read; the draft stays.
    """
    act = f"sign case {case.code}"
    study.require(MAY_READ, act)
    kept = own_case(study, case.code, act)
    _require_own_answer(study, kept)
    with study.store.look() as look:
        draft = current_draft(look, case)
        form = form_of(look, study, scan_of(look, kept.scan, kept.code))
    pixels = StoredPixels(study, kept.scan, kept.code, shelf)
    fit = sound(study, form, draft.answers, draft.images, pixels)
    proposals = settled(form, draft.proposals, fit, draft.images)
    check_pass_phrase(study, pass_phrase, act)
    with study.store.change(who=study.who, now=study.now) as change:
        current = current_draft(change, case)
        if current.version != draft.version:
            raise Refused(Fault("the draft changed while it was signed", case.code))
        timed = with_time(current, study.now())
        reading = Reading(
            key=kept.code,
            scan=kept.scan,
            reader=study.who,
            round=kept.round,
            signed_at=timed.saved_at,
            began_at=timed.began_at,
            case_code=kept.code,
            shown=(*timed.shown, *shown_to(kept, study.protocol)),
            active_seconds=timed.active_seconds,
            **judged(study, fit, timed.images, proposals),
        )
        change.add([reading])
        drop_draft(change, kept.code)
        follow(change, study, kept.scan)
    return Signed(reading.key, reading.signed_at, reading.mismatches)


def _require_own_answer(study: Study, case: Case) -> None:
    if settles_by_pick(case, study.protocol):
        what = "the protocol asks adjudicators to pick a reading, not for an answer of their own"
        raise Refused(Fault(what, case.code, next_step=f"imgtrack settle {case.code} --answers"))


def settled(
    form: Form, proposals: Mapping[str, Any] | None, fit: Sound, images: Images
) -> dict[str, Any] | None:
    """Return what was proposed, checked, each with its fate in the answers; images by their alias.

    What was proposed for a question that an amended protocol no longer asks is left out.

    Raises
    ------
    InvalidInput
        With everything that is wrong in it.
    """
    if proposals is None:
        return None
    asked = {name: each for name, each in proposals.items() if name in form.names}
    named(asked, images)
    return dict(with_fates(read_proposals(form, asked), fit.answers))


def judged(
    study: Study, fit: Sound, images: Images, proposals: Mapping[str, Any] | None
) -> dict[str, Any]:
    """Return the fields of a reading that follow from its answers and what was proposed."""
    shown = (*aliases_in(fit.answers), *aliases_in(proposals))
    series = {images[alias]["series"] for alias in shown}
    return {
        "answers": named(fit.answers, images),
        "proposals": None if proposals is None else named(proposals, images),
        "images": {alias: image for alias, image in images.items() if image["series"] in series},
        "derived": fit.derived,
        "mismatches": fit.mismatches,
        "protocol_hash": study.protocol.hash,
        "software_version": version("imgtrack"),
    }
