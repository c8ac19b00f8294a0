"""How the reading goes: what each reader has done, and whether they read as they did before."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, time, timedelta
from enum import StrEnum
from statistics import fmean
from typing import TYPE_CHECKING

import numpy as np

from imgtrack.desk.cases.layout import form_of, scan_of
from imgtrack.desk.cases.lists import CaseState, lines_of
from imgtrack.desk.readings.looking import SEE_ALL, latest
from imgtrack.desk.readings.verdicts import latest_verdicts
from imgtrack.domain.cases import Case
from imgtrack.domain.errors import Fault, InvalidInput
from imgtrack.domain.form import is_torn, outcome_of, outcome_question
from imgtrack.domain.protocol import Role
from imgtrack.domain.reading import Reading, Round
from imgtrack.domain.scales import Healing
from imgtrack.stats.agreement import Agreement, percent_agreement

if TYPE_CHECKING:
    from collections.abc import Mapping

    from imgtrack.desk.cases.lists import Line
    from imgtrack.desk.study import Study
    from imgtrack.domain.form import Form
    from imgtrack.domain.form.answers import Answers
    from imgtrack.domain.protocol import Protocol
    from imgtrack.store.database import Look

OVERDUE_AFTER = timedelta(days=14)
"""A case that can be read and waits longer than this is overdue. Our choice, no source."""

PAIRS_AT_ONCE = 20
"""Pairs of readings in one step of the rolling agreement. Our choice, no source."""

UNCLEAR = "not assessable"
LEVELS = ("healed or not torn", "retear or torn", UNCLEAR)


class Against(StrEnum):
    """What a reader's first readings are compared with."""

    REPEATS = "hidden repeats"
    VERDICTS = "verdicts"


@dataclass(frozen=True, slots=True)
class ReaderProgress:
    """One reader or adjudicator.

    Attributes
    ----------
    reader, role
        Code and role; a reader of imported readings may have left and has no role.
    open, drafted, signed
        Cases that can be opened, are begun, are signed; training cases included.
    not_yet
        Cases that wait for the washout or for the training set.
    imported
        Readings that came from a spreadsheet.
    active_minutes
        Mean reading time of the signed cases, without pauses; ``None`` when none is known.
    mismatches
        Readings with a grade that is not the one its measurements imply.
    overdue
        Cases that are open or drafted and were allotted too long ago.
    """

    reader: str
    role: Role | None
    open: int
    drafted: int
    signed: int
    not_yet: int
    imported: int
    active_minutes: float | None
    mismatches: int
    overdue: int


@dataclass(frozen=True, slots=True)
class Step:
    """Agreement over one window of pairs.

    Attributes
    ----------
    until
        When the last pair of it was complete.
    agreement
        Share of pairs with one outcome (healed, retear, not assessable), with limits.
    """

    until: datetime
    agreement: Agreement


@dataclass(frozen=True, slots=True)
class Drift:
    """Rolling agreement of one reader.

    Attributes
    ----------
    reader, against
        Who, and compared with what.
    steps
        One for each pair from the first full window on, the oldest first; a single step with
        all pairs while there are fewer. The last one tells how the reader reads now.
    """

    reader: str
    against: Against
    steps: tuple[Step, ...]


Pair = tuple[datetime, str, str]
"""When it was complete, and the two outcomes."""


def progress(
    study: Study, *, overdue_after: timedelta = OVERDUE_AFTER
) -> tuple[ReaderProgress, ...]:
    """Return how far each reader and adjudicator has come, in the order of the protocol.

    Parameters
    ----------
    study
        Open, with a coordinator or analyst at the desk.
    overdue_after
        How long an open case may wait: from its allotment, or from the end of its washout.

    Raises
    ------
    Refused
        For anyone else; logged.
    """
    study.require(SEE_ALL, "see how the reading goes")
    with study.store.look() as look:
        readings = latest(look)
        allotted = look.added_at(Case)
        late = study.now() - overdue_after
        return tuple(
            _of_reader(
                reader,
                study.protocol,
                lines_of(look, study.protocol, reader, study.now().date()),
                [each for each in readings if each.reader == reader],
                lambda line: _waits_since(line, allotted) < late,
            )
            for reader in _everyone(study.protocol, readings)
        )


def _everyone(protocol: Protocol, readings: Iterable[Reading]) -> list[str]:
    """Return who reads by protocol, then who has read and is not in it any more."""
    named = [p.code for p in protocol.person if p.role in {Role.READER, Role.ADJUDICATOR}]
    return list(dict.fromkeys((*named, *(reading.reader for reading in readings))))


def _of_reader(
    reader: str,
    protocol: Protocol,
    lines: Sequence[Line],
    readings: Sequence[Reading],
    is_late: Callable[[Line], bool],
) -> ReaderProgress:
    person = protocol.person_coded(reader)
    count = Counter(line.state for line in lines)
    seconds = [each.active_seconds for each in readings if each.active_seconds is not None]
    to_do = [line for line in lines if line.state in {CaseState.OPEN, CaseState.DRAFTED}]
    return ReaderProgress(
        reader=reader,
        role=person.role if person else None,
        open=count[CaseState.OPEN],
        drafted=count[CaseState.DRAFTED],
        signed=count[CaseState.SIGNED],
        not_yet=count[CaseState.WAITING] + count[CaseState.LOCKED],
        imported=sum(bool(each.source) for each in readings),
        active_minutes=fmean(seconds) / 60 if seconds else None,
        mismatches=sum(bool(each.mismatches) for each in readings),
        overdue=sum(is_late(line) for line in to_do),
    )


def _waits_since(line: Line, allotted: Mapping[str, datetime]) -> datetime:
    since = allotted[line.case.code]
    opens = line.case.open_from
    return since if opens is None else max(since, datetime.combine(opens, time(), UTC))


def drift(study: Study, *, pairs_at_once: int = PAIRS_AT_ONCE) -> tuple[Drift, ...]:
    """Return how each reader agrees with their own hidden repeats and with the verdicts, over time.

    Parameters
    ----------
    study
        Open, with a coordinator or analyst at the desk.
    pairs_at_once
        Pairs in one window, at least 1.

    Returns
    -------
    tuple of Drift
        Readers by their code, repeats before verdicts; without a pair there is none. Pairs are in
        the order in which they were complete.

    Raises
    ------
    Refused
        For anyone else; logged.
    InvalidInput
        For a window of no pairs.

    Notes
    -----
    A reader's first reading is part of what a verdict follows from, so agreement with verdicts
    lies above agreement with the truth. A fall of it still tells of drift, as do the repeats,
    which no other reader has part in.
    """
    study.require(SEE_ALL, "see how readers drift")
    if pairs_at_once < 1:
        raise InvalidInput(Fault("a window holds at least one pair", found=str(pairs_at_once)))
    with study.store.look() as look:
        found = _pairs(look, study)
    return tuple(
        Drift(reader, against, tuple(_rolling(sorted(pairs), pairs_at_once)))
        for (reader, against), pairs in sorted(found.items(), key=lambda each: each[0])
    )


def _rolling(pairs: Sequence[Pair], size: int) -> Iterator[Step]:
    for end in range(min(size, len(pairs)), len(pairs) + 1):
        window = pairs[max(0, end - size) : end]
        ratings = np.array([pair[1:] for pair in window], dtype=object)
        yield Step(window[-1][0], percent_agreement(ratings, categories=LEVELS))


def _pairs(look: Look, study: Study) -> dict[tuple[str, Against], list[Pair]]:
    """Return the pairs of outcomes by reader and what is compared."""
    found: defaultdict[tuple[str, Against], list[Pair]] = defaultdict(list)
    verdicts = latest_verdicts(look)
    by_scan: defaultdict[str, list[Reading]] = defaultdict(list)
    for reading in latest(look):
        by_scan[reading.scan].append(reading)
    for uid, readings in by_scan.items():
        form = form_of(look, study, scan_of(look, uid, uid))
        repeats = {each.reader: each for each in readings if each.round is Round.REPEAT}
        for first in (each for each in readings if each.round is Round.FIRST):
            mine = _outcome(form, first.answers, study.protocol)
            if (again := repeats.get(first.reader)) is not None:
                other = _outcome(form, again.answers, study.protocol)
                at = max(first.signed_at, again.signed_at)
                found[first.reader, Against.REPEATS].append((at, mine, other))
            if (verdict := verdicts.get(uid)) is not None:
                other = _outcome(form, verdict.answers, study.protocol)
                found[first.reader, Against.VERDICTS].append((first.signed_at, mine, other))
    return found


def _outcome(form: Form, answers: Answers, protocol: Protocol) -> str:
    """Return the outcome in one of three levels; torn or not where the form asks no outcome."""
    name = outcome_question(form, protocol)
    if name is None:
        torn = is_torn(answers)
    else:
        outcome = outcome_of(answers, protocol)
        torn = None if outcome is None else outcome is Healing.RETEAR
    return UNCLEAR if torn is None else LEVELS[torn]
