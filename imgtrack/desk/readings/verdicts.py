"""After every signature: the scan's verdict, its settling case and its stage follow its readings.

Nobody compares readings before the first ones are all signed. What was decided stays: when an
amendment changes the readings, another verdict stands beside the one before.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from imgtrack.desk.cases.allot import fresh_codes, random_code
from imgtrack.desk.cases.layout import form_of, scan_of
from imgtrack.domain.allotment import order_key
from imgtrack.domain.cases import Case, TrainingKey
from imgtrack.domain.imaging import Stage
from imgtrack.domain.protocol import Role
from imgtrack.domain.reading import Reading, Round, Verdict
from imgtrack.domain.series import Series
from imgtrack.domain.verdicts import (
    decide,
    first_readings,
    settling_needed,
    settling_reading,
    stage_of,
)

if TYPE_CHECKING:
    from collections.abc import Collection, Sequence

    from imgtrack.desk.study import Study
    from imgtrack.domain.imaging import Scan
    from imgtrack.domain.protocol import Protocol
    from imgtrack.domain.verdicts import Decision, Settling
    from imgtrack.store.database import Change, Look

BY_PROTOCOL = "protocol"
"""Stands for a person in a verdict that follows from the readings by rule."""

STAGES = list(Stage)

FIRST_READINGS = "first readings"
"""What a settling reading records when its adjudicator was shown the answers."""


@dataclass(frozen=True, slots=True)
class Followed:
    """What a scan's readings led to.

    Attributes
    ----------
    stage
        How far the reading of the scan has come now.
    verdict
        The verdict that was added; ``None`` when none is due or it stands already.
    case
        The settling case that was opened; ``None`` when none is due or it is open already.
    """

    stage: Stage
    verdict: Verdict | None = None
    case: Case | None = None


def follow(
    change: Change, study: Study, uid: str, *, draw_code: Callable[[], str] = random_code
) -> Followed:
    """Bring verdict, settling case and stage of a scan up to date with its readings.

    Parameters
    ----------
    change
        The change that added a reading; what is added here stands or falls with it.
    study
        Open; its protocol says what differs and how it is settled.
    uid
        UID of the scan; one of the training set never gets a verdict.
    draw_code
        Draws the code of a settling case; one that is taken is drawn again.

    Returns
    -------
    Followed
        Calling again at once adds nothing.
    """
    scan = scan_of(change, uid, uid)
    if change.get(TrainingKey, uid) is not None:
        return Followed(scan.stage)
    readings = change.where(Reading, scan=uid)
    form = form_of(change, study, scan)
    decision = decide(form, readings, study.protocol)
    settling = settling_needed(form, readings, study.protocol)
    verdict = None if decision is None else _verdict(change, study, uid, decision, readings)
    case = None
    if settling is not None and _lacks_case(change, uid, settling, readings, decision):
        case = _settling_case(change, study, scan, readings, draw_code)
    change.add([each for each in (verdict, case) if each is not None])
    stage = _forward(scan.stage, stage_of(form, readings, study.protocol))
    if stage is not scan.stage:
        change.amend(replace(scan, stage=stage), reason=f"its readings are {stage.value}")
    return Followed(stage, verdict, case)


def follow_all(study: Study) -> tuple[Followed, ...]:
    """Bring every scan that was read up to date, and return what was added or moved.

    Needed after the protocol was amended, when an adjudicator joins, and where readers sign
    under a database role of their own that cannot see the other reader's answers.

    Raises
    ------
    Refused
        When the person at the desk is no coordinator.
    """
    study.require([Role.COORDINATOR], "bring verdicts up to date")
    with study.store.change(who=study.who, now=study.now) as change:
        uids = dict.fromkeys(change.values(Reading, "scan"))
        found = [(scan_of(change, uid, uid).stage, follow(change, study, uid)) for uid in uids]
    return tuple(
        each for before, each in found if each.verdict or each.case or each.stage is not before
    )


def latest_verdicts(look: Look) -> dict[str, Verdict]:
    """Return the verdict that counts, by scan: the last one of each."""
    return {verdict.scan: verdict for verdict in look.all(Verdict)}


def _forward(before: Stage, now: Stage) -> Stage:
    """Return the stage to keep: signed readings stay, so none is ever unread again."""
    is_back = STAGES.index(now) <= STAGES.index(Stage.BEING_READ) < STAGES.index(before)
    return before if is_back else now


def _verdict(
    change: Change, study: Study, uid: str, decision: Decision, readings: Sequence[Reading]
) -> Verdict | None:
    """Return the verdict to add, or ``None`` when the last one says the same."""
    before = change.where(Verdict, scan=uid)
    verdict = Verdict(
        key=f"{uid}/{len(before) + 1}",
        scan=uid,
        rule=decision.rule.value,
        answers=decision.answers,
        readings=decision.readings,
        decided_by=_decided_by(decision, readings),
        decided_at=study.now(),
    )
    last = before[-1] if before else None
    is_same = last is not None and (last.rule, last.readings, last.decided_by) == (
        verdict.rule,
        verdict.readings,
        verdict.decided_by,
    )
    return None if is_same else verdict


def _decided_by(decision: Decision, readings: Sequence[Reading]) -> str:
    """Return who decided: the adjudicator whose reading counts, else the protocol."""
    by = [
        each.reader
        for each in readings
        if each.key in decision.readings and each.round is Round.SETTLING
    ]
    return by[0] if by else BY_PROTOCOL


def _lacks_case(
    change: Change,
    uid: str,
    settling: Settling,
    readings: Sequence[Reading],
    decision: Decision | None,
) -> bool:
    """Whether nobody has settled the scan, and nobody is asked to."""
    if settling.is_sample:
        is_settled = settling_reading(readings) is not None
    else:
        is_settled = decision is not None
    signed = {reading.case_code for reading in readings}
    cases = change.where(Case, scan=uid, round=Round.SETTLING)
    return not is_settled and all(case.code in signed for case in cases)


def _settling_case(
    change: Change,
    study: Study,
    scan: Scan,
    readings: Sequence[Reading],
    draw_code: Callable[[], str],
) -> Case | None:
    """Return a case for an adjudicator; ``None`` where none is free or there is no image to see."""
    picks = study.protocol.reading.settle_choice == "pick one reading"
    if not picks and not change.where(Series, scan=scan.uid):
        return None
    cases = change.all(Case)
    readers = {reading.reader for reading in first_readings(readings)}
    readers |= {c.reader for c in cases if c.scan == scan.uid and c.round is not Round.SETTLING}
    adjudicator = adjudicator_for(scan.uid, cases, study.protocol, but=readers)
    if adjudicator is None:
        return None
    batch = max((case.batch for case in cases), default=1)
    mine = [case for case in cases if case.reader == adjudicator]
    asked = [case for case in mine if case.scan == scan.uid and case.round is Round.SETTLING]
    return Case(
        code=next(fresh_codes(draw_code, {case.code for case in cases})),
        reader=adjudicator,
        scan=scan.uid,
        round=Round.SETTLING,
        batch=batch,
        place=1 + max((case.place for case in mine if case.batch == batch), default=0),
        attempt=1 + len(asked),
    )


def adjudicator_for(
    scan: str, cases: Collection[Case], protocol: Protocol, *, but: Collection[str]
) -> str | None:
    """Return who settles a scan: who has the fewest settling cases, then drawn by the seed.

    Parameters
    ----------
    scan
        UID of the scan.
    cases
        All cases of the study.
    protocol
        Its adjudicators and its seed.
    but
        Who read the scan, and may not settle it.

    Returns
    -------
    str or None
        ``None`` when every adjudicator read it.
    """
    work = Counter(case.reader for case in cases if case.round is Round.SETTLING)
    seed = protocol.reading.order_seed
    free = [each.code for each in protocol.people(Role.ADJUDICATOR) if each.code not in but]
    return min(
        free,
        key=lambda code: (work[code], order_key(seed, Round.SETTLING.value, code, scan)),
        default=None,
    )


def shown_to(case: Case, protocol: Protocol) -> tuple[str, ...]:
    """Return what a settling reading records as shown beyond the images."""
    is_shown = case.round is Round.SETTLING and protocol.reading.settle_shows_readings
    return (FIRST_READINGS,) if is_shown else ()


def settles_by_pick(case: Case, protocol: Protocol) -> bool:
    """Whether a case is settled by picking one of the first readings, as the protocol has it."""
    return case.round is Round.SETTLING and protocol.reading.settle_choice == "pick one reading"
