"""Each reader's list: what is open, drafted, signed, and which case comes next."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime, timedelta
from enum import StrEnum
from typing import TYPE_CHECKING

from imgtrack.domain.cases import Case, TrainingKey
from imgtrack.domain.protocol import Role
from imgtrack.domain.reading import Reading, Round
from imgtrack.domain.training import Training, training
from imgtrack.store.drafts import drafts_saved

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Mapping

    from imgtrack.desk.study import Study
    from imgtrack.domain.protocol import Protocol
    from imgtrack.store.database import Look

READ_BY = {Round.SETTLING: Role.ADJUDICATOR}
"""Which role reads the cases of a round; the others are for readers."""

MAY_READ = (Role.READER, Role.ADJUDICATOR)


class CaseState(StrEnum):
    """How far a case of somebody's list has come."""

    WAITING = "waits for its washout"
    LOCKED = "training comes first"
    OPEN = "open"
    DRAFTED = "drafted"
    SIGNED = "signed"


OPENABLE = frozenset({CaseState.OPEN, CaseState.DRAFTED})


@dataclass(frozen=True, slots=True)
class Line:
    """One case of a list, as coordinators may know it.

    Attributes
    ----------
    case, state
        The case and how far it has come.
    saved_at
        When its draft was last opened or saved; ``None`` without a draft.
    """

    case: Case
    state: CaseState
    saved_at: datetime | None = None


@dataclass(frozen=True, slots=True)
class ListedCase:
    """One case of a list, as its reader may know it.

    Attributes
    ----------
    code
        Code of the case.
    number
        Place among the cases the list shows, from 1.
    state
        Never `CaseState.WAITING`: a case that waits would tell that it is a repeat.
    training
        Whether it belongs to the training set.
    """

    code: str
    number: int
    state: CaseState
    training: bool


def lines_of(look: Look, protocol: Protocol, reader: str, today: date) -> list[Line]:
    """Return somebody's whole list in reading order.

    Parameters
    ----------
    look
        A view of the study.
    protocol
        Its pass mark of the training and its washout are used.
    reader
        Code of the reader or adjudicator.
    today
        UTC.
    """
    known = _Known(
        signed=frozenset(look.values(Reading, "case_code", reader=reader)),
        saved=drafts_saved(look),
        lets_in=training_of(look, protocol, reader).lets_in,
        may_open=lambda case: today >= washed_out_on(look, protocol, case),
    )
    cases = sorted(
        look.where(Case, reader=reader),
        key=lambda case: (not case.training, case.batch, case.place),
    )
    return [Line(case, known.state(case), known.saved.get(case.code)) for case in cases]


@dataclass(frozen=True, slots=True)
class _Known:
    """What the state of a case follows from."""

    signed: frozenset[str]
    saved: Mapping[str, datetime]
    lets_in: bool
    may_open: Callable[[Case], bool]

    def state(self, case: Case) -> CaseState:
        if case.code in self.signed:
            return CaseState.SIGNED
        if case.code in self.saved:
            return CaseState.DRAFTED
        if case.round in {Round.FIRST, Round.REPEAT} and not self.lets_in:
            return CaseState.LOCKED
        if case.round is Round.REPEAT and not self.may_open(case):
            return CaseState.WAITING
        return CaseState.OPEN


def washed_out_on(look: Look, protocol: Protocol, case: Case) -> date:
    """Return the first day of a hidden repeat: the washout after the reader last signed the scan.

    An amendment made since the repeat was allotted moves it.
    """
    moments: list[datetime] = look.values(Reading, "signed_at", reader=case.reader, scan=case.scan)
    washout = timedelta(days=protocol.reading.washout_days)
    return max([moment.date() + washout for moment in moments] + [case.open_from or date.min])


def training_of(look: Look, protocol: Protocol, reader: str) -> Training:
    """Return where a reader stands with the training set."""
    readings = {
        reading.case_code: reading
        for reading in look.where(Reading, reader=reader, round=Round.TRAINING)
    }
    return training(
        {key.scan: key for key in look.all(TrainingKey)},
        look.where(Case, reader=reader, round=Round.TRAINING),
        readings,
        pass_share=protocol.reading.training_pass_share,
    )


def my_cases(study: Study) -> tuple[ListedCase, ...]:
    """Return the list of the person at the desk, without what waits for a washout.

    Raises
    ------
    Refused
        When the person reads nothing in this study.
    """
    study.require(MAY_READ, "see a reading list")
    with study.store.look() as look:
        lines = lines_of(look, study.protocol, study.who, study.now().date())
    visible = [line for line in lines if line.state is not CaseState.WAITING]
    return tuple(
        ListedCase(line.case.code, number, line.state, line.case.training)
        for number, line in enumerate(visible, 1)
    )


def next_case(study: Study) -> str | None:
    """Return the code of the first case of the list that can be opened now, or ``None``.

    Raises
    ------
    Refused
        When the person reads nothing in this study.
    """
    listed = my_cases(study)
    return next((each.code for each in listed if each.state in OPENABLE), None)


def first_openable(
    lines: Iterable[Line], *, untouched_since: datetime | None = None
) -> Case | None:
    """Return the first case of a list that can be opened.

    Parameters
    ----------
    lines
        The list.
    untouched_since
        Leave cases alone whose draft was saved later; ``None`` takes them too.
    """
    for line in lines:
        is_busy = untouched_since and line.saved_at and line.saved_at > untouched_since
        if line.state in OPENABLE and not is_busy:
            return line.case
    return None
