"""Amend a signed reading: a new one with its reason takes its place, and the old one stays."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from imgtrack.desk.cases.images import aliased, aliases_in
from imgtrack.desk.cases.layout import blinded, form_of, lay_out, scan_of
from imgtrack.desk.cases.lists import MAY_READ
from imgtrack.desk.cases.stored_pixels import StoredPixels
from imgtrack.desk.people.pass_phrases import check_pass_phrase
from imgtrack.desk.readings.looking import latest_of, own_reading
from imgtrack.desk.readings.signing import Signed, judged, settled, sound
from imgtrack.desk.readings.verdicts import follow
from imgtrack.desk.reasons import AMENDMENT_REASON, reason_faults
from imgtrack.domain.errors import Fault, InvalidInput, Refused
from imgtrack.domain.reading import Reading, Round

if TYPE_CHECKING:
    from imgtrack.desk.cases.images import Images, Shelf
    from imgtrack.desk.cases.screen import BlindCase
    from imgtrack.desk.study import Study
    from imgtrack.store.database import Look

NOT_A_DRAFT = ""
"""Session of a case that is opened to be looked at; no draft has it."""


def signed_answers(study: Study, key: str) -> dict[str, Any]:
    """Return the answers of a signed reading of one's own, images by their alias.

    Parameters
    ----------
    study
        Open, with the reader at the desk.
    key
        Key of the reading, the code of its case; its latest amendment is returned.

    Raises
    ------
    Refused
        When it is not theirs; logged.
    """
    reading = _own_latest(study, key, f"see reading {key}")
    return aliased(reading.answers, reading.images)


def reopen(study: Study, key: str, *, shelf: Shelf | None = None) -> BlindCase:
    """Open the images of a signed reading of one's own again, with its answers.

    The case takes no drafts: what changes goes to `amend`.

    Parameters
    ----------
    study, key
        As for `signed_answers`.
    shelf
        Where the images lie; the study's folder when ``None``.

    Raises
    ------
    Refused
        When it is not theirs (logged), or its images have changed since it was signed.
    Unavailable
        When its images cannot be read.
    """
    reading = _own_latest(study, key, f"reopen reading {key}")
    layout = lay_out(study, reading.scan, key, shelf)
    _require_same(reading, layout.images)
    return blinded(
        study,
        layout,
        code=key,
        session=NOT_A_DRAFT,
        answers=aliased(reading.answers, reading.images),
        proposals={},
        told=reading.shown,
        training=reading.round is Round.TRAINING,
    )


def amend(
    study: Study,
    key: str,
    answers: Mapping[str, Any],
    *,
    reason: str,
    pass_phrase: str,
    shelf: Shelf | None = None,
) -> Signed:
    """Replace a signed reading of one's own.

    Parameters
    ----------
    study, key
        As for `signed_answers`.
    answers
        All answers, images by the aliases of `signed_answers` and `reopen`.
    reason
        Why.
    pass_phrase
        The reader's, typed again.
    shelf
        As for `reopen`; asked only when answers point to images that were not measured on before,
        or a number follows from pixels.

    Raises
    ------
    Refused
        When the reading is not theirs, nothing differs, or the phrase is wrong.
    InvalidInput
        When there is no reason, and with everything that is wrong in the answers.
    Unavailable
        When images that were not measured on before cannot be read.
    """
    act = f"amend reading {key}"
    require_reason(reason, key)
    before = _own_latest(study, key, act)
    images = _images(study, before, answers, key, shelf)
    with study.store.look() as look:
        form = form_of(look, study, scan_of(look, before.scan, key))
    pixels = StoredPixels(study, before.scan, key, shelf)
    fit = sound(study, form, answers, images, pixels)
    if fit.answers == aliased(before.answers, before.images):
        raise Refused(Fault("nothing differs from what is signed", key))
    proposals = settled(form, _proposed(before), fit, images)
    check_pass_phrase(study, pass_phrase, act)
    with study.store.change(who=study.who, now=study.now) as change:
        if latest_of(change, key).key != before.key:
            raise Refused(Fault("the reading was amended meanwhile", key, next_step="look again"))
        root, number = _chain(change, before)
        now = study.now()
        reading = Reading(
            key=f"{root}/{number + 1}",
            scan=before.scan,
            reader=study.who,
            round=before.round,
            began_at=now,
            signed_at=now,
            amends=before.key,
            reason=reason.strip(),
            shown=before.shown,
            **judged(study, fit, images, proposals),
        )
        change.add([reading])
        follow(change, study, before.scan)
    return Signed(reading.key, reading.signed_at, reading.mismatches)


def require_reason(reason: str, key: str) -> None:
    """Refuse an amendment that does not say why.

    Raises
    ------
    InvalidInput
        When there are no words.
    """
    if faults := reason_faults(reason, key, what=AMENDMENT_REASON):
        raise InvalidInput(faults)


def _proposed(reading: Reading) -> dict[str, Any] | None:
    """Return what was proposed to the reader, images by their alias."""
    return None if reading.proposals is None else aliased(reading.proposals, reading.images)


def _own_latest(study: Study, key: str, act: str) -> Reading:
    study.require(MAY_READ, act)
    own_reading(study, key, act)
    with study.store.look() as look:
        return latest_of(look, key)


def _chain(look: Look, reading: Reading) -> tuple[str, int]:
    """Return the key of the original reading, and how many readings lead from it to this one."""
    length = 1
    while reading.amends and (before := look.get(Reading, reading.amends)) is not None:
        reading, length = before, length + 1
    return reading.key, length


def _images(
    study: Study, before: Reading, answers: Mapping[str, Any], code: str, shelf: Shelf | None
) -> Images:
    if all(alias in before.images for alias in aliases_in(answers)):
        return before.images
    images = lay_out(study, before.scan, code, shelf).images
    _require_same(before, images)
    return images


def _require_same(reading: Reading, images: Images) -> None:
    """Refuse when aliases would mean other images than they did."""
    if any(images.get(alias) != image for alias, image in reading.images.items()):
        raise Refused(
            Fault(
                "the images of this scan have changed since the reading was signed",
                reading.key,
                next_step="tell the coordinator",
            )
        )
