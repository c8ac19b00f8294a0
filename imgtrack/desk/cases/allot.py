"""Allot: make each reader's list by the protocol; run again, it only adds.

One run makes one batch. A batch holds the training set for those who have not passed it, the scans
that came since, and hidden repeats of scans whose first reading is signed by now: they are mixed
with the new scans, under new codes, and open after the washout. Codes are drawn at random and not
from the seed: a reader who knows the protocol could work seeded ones out.
"""

from __future__ import annotations

import secrets
from collections import defaultdict
from collections.abc import Callable
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import TYPE_CHECKING

from imgtrack.desk.cases.lists import training_of
from imgtrack.domain.allotment import assign, order_key, to_repeat
from imgtrack.domain.cases import Case, TrainingKey
from imgtrack.domain.imaging import Scan, Stage
from imgtrack.domain.protocol import Role
from imgtrack.domain.reading import Reading, Round
from imgtrack.domain.series import ScanProblem
from imgtrack.domain.training import Standing

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    from imgtrack.desk.study import Study
    from imgtrack.domain.protocol import Protocol
    from imgtrack.store.database import Look

READABLE = frozenset({Stage.SCAN_IN, Stage.BEING_READ})
"""Stages of scans that may lack a reader: before all readings of a scan are in."""

CODE_SIGNS = "23456789ABCDEFGHJKMNPQRSTVWXYZ"
"""Digits and capitals without those that look alike (0 O, 1 I L) and without U."""
CODE_LENGTH = 8

Wanted = tuple[Round, str, int, date | None]
"""What a new case is about: round, scan, attempt, first day."""


@dataclass(frozen=True, slots=True)
class Allotted:
    """What one run of the allotment added.

    Attributes
    ----------
    cases
        The new cases, reader by reader in reading order.
    held
        Scans that wait because a problem of theirs is open.
    repeats_to_come
        Hidden repeats that are drawn and not allotted yet, because the first reading is not
        signed.
    """

    cases: tuple[Case, ...]
    held: int
    repeats_to_come: int

    def count(self, round_: Round) -> int:
        """Return how many new cases are of a round."""
        return sum(case.round is round_ for case in self.cases)


def random_code() -> str:
    """Return a code nobody can guess or compute."""
    return "".join(secrets.choice(CODE_SIGNS) for _ in range(CODE_LENGTH))


def allot(study: Study, *, draw_code: Callable[[], str] = random_code) -> Allotted:
    """Add to the reading lists what can be read and is not on them yet.

    Parameters
    ----------
    study
        Open, with a coordinator at the desk.
    draw_code
        Draws the code of a case; one that is taken is drawn again.

    Returns
    -------
    Allotted
        What was added; running again at once adds nothing.

    Raises
    ------
    Refused
        When the person at the desk is no coordinator.
    """
    study.require([Role.COORDINATOR], "allot readings")
    with study.store.change(who=study.who, now=study.now) as change:
        state = _State(change, study.protocol)
        wanted = state.wanted()
        codes = fresh_codes(draw_code, {case.code for case in state.cases})
        cases = tuple(state.batch(wanted, codes))
        change.add(cases)
        held = sum(scan.uid in state.held for scan in state.to_read)
        to_come = _State(change, study.protocol).repeats_to_come()
    return Allotted(cases, held, to_come)


def first_readings_to_allot(look: Look, protocol: Protocol) -> int:
    """Return how many first readings `allot` would put on a list now."""
    return sum(map(len, _State(look, protocol).first_readers().values()))


def fresh_codes(draw: Callable[[], str], taken: set[str]) -> Iterator[str]:
    """Yield codes that nothing has yet, and note each as taken."""
    while True:
        code = draw()
        if code not in taken:
            taken.add(code)
            yield code


class _State:
    """What is allotted so far, and what the protocol still asks for."""

    def __init__(self, look: Look, protocol: Protocol) -> None:
        self._look = look
        self._protocol = protocol
        self._design = protocol.reading
        self._seed = protocol.reading.order_seed
        self.readers = [person.code for person in protocol.people(Role.READER)]
        self.cases = look.all(Case)
        self.keys = look.all(TrainingKey)
        self.held = {each.scan for each in look.all(ScanProblem) if each.blocks_reading}
        in_training = {key.scan for key in self.keys}
        self.to_read = [
            scan
            for scan in look.all(Scan)
            if scan.stage in READABLE and scan.uid not in in_training
        ]

    def wanted(self) -> dict[str, list[Wanted]]:
        """Return what each reader's list lacks."""
        lacking: defaultdict[str, list[Wanted]] = defaultdict(list)
        for reader in self.readers:
            lacking[reader] += self._training(reader)
            lacking[reader] += self._repeats(reader)
        for scan, readers in self.first_readers().items():
            for reader in readers:
                lacking[reader].append((Round.FIRST, scan, 1, None))
        return lacking

    def _training(self, reader: str) -> Iterator[Wanted]:
        stands = training_of(self._look, self._protocol, reader)
        if stands.standing in {Standing.NOT_ALLOTTED, Standing.FAILED}:
            for key in self.keys:
                yield Round.TRAINING, key.scan, stands.attempt + 1, None

    def first_readers(self) -> dict[str, tuple[str, ...]]:
        """Return the readers to add by scan; one who left without signing is replaced."""
        signed = set(self._look.values(Reading, "case_code"))
        have: defaultdict[str, list[str]] = defaultdict(list)
        for case in self._of(Round.FIRST):
            if case.reader in self.readers or case.code in signed:
                have[case.scan].append(case.reader)
        open_scans = {scan.uid for scan in self.to_read} - self.held
        per_scan = self._design.readers_per_scan
        return assign(open_scans, have, self.readers, per_scan=per_scan, seed=self._seed)

    def _repeats(self, reader: str) -> Iterator[Wanted]:
        washout = timedelta(days=self._design.washout_days)
        for scan in self._drawn(reader):
            if signed := self._signed(reader, scan):
                yield Round.REPEAT, scan, 1, max(signed).date() + washout

    def repeats_to_come(self) -> int:
        """Return how many drawn repeats wait for their first reading to be signed."""
        return sum(
            not self._signed(reader, scan)
            for reader in self.readers
            for scan in self._drawn(reader)
        )

    def _drawn(self, reader: str) -> list[str]:
        """Return the scans a reader is to repeat and has no repeat of yet."""
        mine = [case for case in self._of(Round.FIRST) if case.reader == reader]
        drawn = to_repeat(mine, share=self._design.repeat_share, seed=self._seed)
        there = {case.scan for case in self._of(Round.REPEAT) if case.reader == reader}
        return sorted(drawn - there)

    def _signed(self, reader: str, scan: str) -> list[datetime]:
        return self._look.values(Reading, "signed_at", reader=reader, scan=scan, round=Round.FIRST)

    def _of(self, round_: Round) -> Iterable[Case]:
        return (case for case in self.cases if case.round is round_)

    def batch(self, wanted: dict[str, list[Wanted]], codes: Iterator[str]) -> Iterator[Case]:
        """Yield the new cases, those of each reader in drawn order, training first."""
        number = max((case.batch for case in self.cases), default=0) + 1
        for reader, items in wanted.items():
            for place, item in enumerate(sorted(items, key=self._order(reader)), 1):
                round_, scan, attempt, open_from = item
                yield Case(next(codes), reader, scan, round_, number, place, attempt, open_from)

    def _order(self, reader: str) -> Callable[[Wanted], tuple[bool, str]]:
        def key(item: Wanted) -> tuple[bool, str]:
            round_, scan, attempt, _ = item
            purpose = round_.value if attempt == 1 else f"{round_.value} {attempt}"
            return round_ is not Round.TRAINING, order_key(self._seed, purpose, reader, scan)

        return key
