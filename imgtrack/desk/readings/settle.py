"""Settle: an adjudicator decides where readers differ, and on a sample of where they agree.

What the adjudicator sees of the first readings is answers without a name, called A, B ... in a
drawn order, and only where the protocol shows them.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from importlib.metadata import version
from typing import TYPE_CHECKING, Any

from imgtrack.desk.cases.images import aliased
from imgtrack.desk.cases.layout import form_of, scan_of
from imgtrack.desk.cases.lists import CaseState, lines_of
from imgtrack.desk.cases.opening import open_case, own_case
from imgtrack.desk.people.pass_phrases import check_pass_phrase
from imgtrack.desk.readings.drafts import save_draft
from imgtrack.desk.readings.signing import Signed, sign
from imgtrack.desk.readings.verdicts import follow, shown_to
from imgtrack.desk.refusal import refusal
from imgtrack.domain.allotment import order_key
from imgtrack.domain.cases import Case
from imgtrack.domain.errors import Fault, InvalidInput, Refused
from imgtrack.domain.form import chosen, names
from imgtrack.domain.imaging import Scan, Stage
from imgtrack.domain.protocol import Role
from imgtrack.domain.reading import Reading, Round
from imgtrack.domain.verdicts import first_readings, pick, settling_needed
from imgtrack.store.drafts import draft_of, drop_draft

if TYPE_CHECKING:
    from collections.abc import Sequence

    from imgtrack.desk.cases.images import Shelf
    from imgtrack.desk.study import Study
    from imgtrack.domain.protocol import Protocol
    from imgtrack.store.database import Look

MAY_SEE = (Role.COORDINATOR, Role.ADJUDICATOR)
LABELS = "ABCDEFGHI"
"""One for each of the nine readers a protocol may have at most."""


@dataclass(frozen=True, slots=True)
class Waiting:
    """One scan to be settled.

    Attributes
    ----------
    code
        Code of the settling case; empty when no adjudicator could be given it.
    state
        How far the case has come; ``None`` without one.
    adjudicator, repair, timepoint
        Who is asked, and about what; empty for an adjudicator, who must not know.
    differences
        In what the readers differ, in words; empty for a scan of the sample, and for an
        adjudicator to whom the protocol shows no readings.
    """

    code: str
    state: CaseState | None
    adjudicator: str = ""
    repair: str = ""
    timepoint: str = ""
    differences: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class AnswerSet:
    """One first reading as the adjudicator is shown it.

    Attributes
    ----------
    label
        A, B ...; the order is drawn anew for each scan.
    answers
        All answers, images by their alias where the reading was made at the desk.
    """

    label: str
    answers: Mapping[str, Any]


def waiting(study: Study) -> tuple[Waiting, ...]:
    """Return what is to be settled: all of it for a coordinator, one's own for an adjudicator.

    Raises
    ------
    Refused
        For anyone else; logged.
    """
    study.require(MAY_SEE, "see what is to be settled")
    person = study.protocol.person_coded(study.who)
    is_all = person is not None and person.role is Role.COORDINATOR
    with study.store.look() as look:
        return tuple(_all_waiting(look, study) if is_all else _own_waiting(look, study))


def _own_waiting(look: Look, study: Study) -> list[Waiting]:
    shows = study.protocol.reading.settle_shows_readings
    lines = lines_of(look, study.protocol, study.who, study.now().date())
    return [
        Waiting(
            line.case.code,
            line.state,
            differences=_differences(look, study, line.case.scan) if shows else (),
        )
        for line in lines
        if line.case.round is Round.SETTLING and line.state is not CaseState.SIGNED
    ]


def _all_waiting(look: Look, study: Study) -> list[Waiting]:
    today = study.now().date()
    settling = [case for case in look.all(Case) if case.round is Round.SETTLING]
    states = {
        line.case.code: line.state
        for person in dict.fromkeys(case.reader for case in settling)
        for line in lines_of(look, study.protocol, person, today)
    }
    open_cases = [case for case in settling if states[case.code] is not CaseState.SIGNED]
    asked = {case.scan for case in open_cases}
    nobody = [
        scan for scan in look.where(Scan, stage=Stage.READERS_DIFFER) if scan.uid not in asked
    ]
    cases = [
        _known(look, study, scan_of(look, case.scan, case.code), case, states[case.code])
        for case in open_cases
    ]
    return cases + [_known(look, study, scan, None, None) for scan in nobody]


def _known(
    look: Look, study: Study, scan: Scan, case: Case | None, state: CaseState | None
) -> Waiting:
    return Waiting(
        case.code if case else "",
        state,
        case.reader if case else "",
        scan.repair,
        scan.timepoint,
        _differences(look, study, scan.uid),
    )


def _differences(look: Look, study: Study, uid: str) -> tuple[str, ...]:
    form = form_of(look, study, scan_of(look, uid, uid))
    found = settling_needed(form, look.where(Reading, scan=uid), study.protocol)
    return tuple(each.words for each in found.differences) if found else ()


def answer_sets(study: Study, code: str) -> tuple[AnswerSet, ...]:
    """Return the first readings of a settling case of one's own, without who gave them.

    Raises
    ------
    Refused
        When the case is not theirs, or the protocol shows no readings; logged.
    """
    case = _own_settling(study, code, f"see the readings of case {code}")
    if not study.protocol.reading.settle_shows_readings:
        fault = Fault("the protocol shows no readings to adjudicators", code)
        raise refusal(study, f"see the readings of case {code}", fault)
    with study.store.look() as look:
        readings = _drawn(look, case, study.protocol)
    return tuple(
        AnswerSet(label, aliased(reading.answers, reading.images))
        for label, reading in zip(LABELS, readings, strict=False)
    )


def readings_beside(study: Study, code: str) -> tuple[AnswerSet, ...]:
    """Return the first readings that a window shows beside a case it has opened.

    Nothing beside a case that settles none, or where the protocol shows no readings. Images go by
    their alias in the opened case: the series of a scan may have changed since they were read.

    Raises
    ------
    InvalidInput
        When a reading lies on an image that the case no longer has.
    """
    with study.store.look() as look:
        case, draft = look.get(Case, code), draft_of(look, code)
        is_shown = study.protocol.reading.settle_shows_readings
        if case is None or draft is None or case.round is not Round.SETTLING or not is_shown:
            return ()
        drawn = _drawn(look, case, study.protocol)
    return tuple(
        AnswerSet(label, aliased(reading.answers, draft.images))
        for label, reading in zip(LABELS, drawn, strict=False)
    )


def settle(
    study: Study,
    code: str,
    answers: Mapping[str, Any],
    *,
    pass_phrase: str,
    shelf: Shelf | None = None,
) -> Signed:
    """Settle a case of one's own; the verdict follows at once.

    Parameters
    ----------
    study
        Open, with the adjudicator at the desk.
    code
        Code of the case.
    answers
        A whole set of answers, images by their alias; or, where the protocol lets adjudicators
        pick, ``{"picked reading": {"value": "A"}}`` with a label of `answer_sets`.
    pass_phrase
        The adjudicator's, typed again.
    shelf
        Where the images lie; the study's folder when ``None``.

    Raises
    ------
    Refused
        When the case is not theirs or is settled, the protocol asks for the other way of
        settling, or the phrase is wrong.
    InvalidInput
        With everything that is wrong in the answers; nothing is signed.
    Unavailable
        When an own answer is given and the images cannot be read.
    """
    act = f"settle case {code}"
    kept = _own_settling(study, code, act)
    _require_way(study.protocol, code, is_pick=names.PICKED_READING in answers)
    if names.PICKED_READING in answers:
        return _pick(study, kept, answers, pass_phrase, act)
    with open_case(study, code, shelf=shelf) as case:
        save_draft(study, case, answers)
        return sign(study, case, pass_phrase)


def _own_settling(study: Study, code: str, act: str) -> Case:
    study.require([Role.ADJUDICATOR], act)
    return own_case(study, code, act)


def _require_way(protocol: Protocol, code: str, *, is_pick: bool) -> None:
    picks = protocol.reading.settle_choice == "pick one reading"
    if picks == is_pick:
        return
    raise Refused(
        Fault(
            "the protocol asks adjudicators for "
            + ("a pick of one reading" if picks else "an answer of their own"),
            code,
            protocol.reading.settle_choice,
            "a pick" if is_pick else "a set of answers",
            "see settle_choice in study.toml",
        )
    )


def _drawn(look: Look, case: Case, protocol: Protocol) -> Sequence[Reading]:
    """Return the first readings of a scan in an order that tells nothing of their readers."""
    seed = protocol.reading.order_seed
    return sorted(
        first_readings(look.where(Reading, scan=case.scan)),
        key=lambda each: order_key(seed, f"{Round.SETTLING.value} shown", each.reader, case.scan),
    )


def _pick(
    study: Study, case: Case, answers: Mapping[str, Any], pass_phrase: str, act: str
) -> Signed:
    with study.store.look() as look:
        picked = _picked(_drawn(look, case, study.protocol), answers, case.code)
    check_pass_phrase(study, pass_phrase, act)
    with study.store.change(who=study.who, now=study.now) as change:
        if change.where(Reading, case_code=case.code):
            raise Refused(Fault("this case is signed", case.code))
        if picked not in _drawn(change, case, study.protocol):
            raise Refused(Fault("a reading was amended meanwhile", case.code, "", "", "look again"))
        now, draft = study.now(), draft_of(change, case.code)
        reading = Reading(
            key=case.code,
            scan=case.scan,
            reader=study.who,
            round=Round.SETTLING,
            answers=pick(picked.key),
            protocol_hash=study.protocol.hash,
            software_version=version("imgtrack"),
            began_at=draft.began_at if draft else now,
            signed_at=now,
            case_code=case.code,
            shown=shown_to(case, study.protocol),
            active_seconds=draft.active_seconds if draft else None,
        )
        change.add([reading])
        drop_draft(change, case.code)
        follow(change, study, case.scan)
    return Signed(reading.key, reading.signed_at, ())


def _picked(readings: Sequence[Reading], answers: Mapping[str, Any], code: str) -> Reading:
    by_label = dict(zip(LABELS, readings, strict=False))
    label = chosen(answers, names.PICKED_READING)
    if label not in by_label or len(answers) > 1:
        raise InvalidInput(
            Fault(
                "this picks no reading",
                code,
                f'{{"{names.PICKED_READING}": {{"value": LABEL}}}} with {" or ".join(by_label)}',
                repr(dict(answers))[:80],
            )
        )
    return by_label[label]
