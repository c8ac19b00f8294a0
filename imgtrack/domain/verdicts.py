"""From the readings of one scan to its verdict: who speaks for it, and by which rule.

A verdict is always the whole answers of one reading, so that every grade and length of it can be
traced to one look at the images; nothing is averaged. Where several readings stand for the same,
which of them speaks is drawn by the protocol's seed, so that no reader is favoured and the order
of the readings does not matter.
"""

from __future__ import annotations

import hashlib
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import TYPE_CHECKING, Any

from imgtrack.domain.differences import Difference, differences
from imgtrack.domain.form import names
from imgtrack.domain.form.answers import chosen, is_answered, is_torn
from imgtrack.domain.form.outcome import outcome_of, outcome_question
from imgtrack.domain.imaging import Stage
from imgtrack.domain.reading import Reading, Round

if TYPE_CHECKING:
    from imgtrack.domain.form.answers import Answers
    from imgtrack.domain.form.questions import Form
    from imgtrack.domain.protocol import Protocol
    from imgtrack.domain.scales import Healing


class Rule(StrEnum):
    """Which rule gave a verdict."""

    SINGLE = "single reading"
    """The protocol has one reader per scan."""
    AGREED = "agreed"
    """The readings do not differ by the protocol's definition."""
    OWN_ANSWER = "settled by the adjudicator's own answer"
    PICKED = "settled by the reading the adjudicator picked"
    MAJORITY = "majority"
    NOT_ASSESSABLE = "not assessable"
    """However it came about, the outcome cannot be assessed on this scan."""


@dataclass(frozen=True, slots=True)
class Decision:
    """What a verdict records.

    Attributes
    ----------
    rule
        The rule that gave it.
    answers
        The whole answers of the reading that speaks.
    speaker
        Key of that reading.
    readings
        Keys of the readings that count: the first ones, and the settling one if it was used.
    outcome
        Healed or retear; ``None`` when it is not assessable or the form does not ask it.
    """

    rule: Rule
    answers: Mapping[str, Any]
    speaker: str
    readings: tuple[str, ...]
    outcome: Healing | None


@dataclass(frozen=True, slots=True)
class Settling:
    """Why a scan goes to an adjudicator: the readers differ, or it was drawn as a sample."""

    differences: tuple[Difference, ...]

    @property
    def is_sample(self) -> bool:
        """Whether the readers agree, and the scan was drawn."""
        return not self.differences


def pick(reading: str) -> dict[str, Any]:
    """Return the answers of an adjudicator who picks a reading by its key."""
    return {names.PICKED_READING: {"value": reading}}


def standing(readings: Iterable[Reading]) -> tuple[Reading, ...]:
    """Return the readings that no other of them amends, by key."""
    every = tuple(readings)
    amended = {reading.amends for reading in every}
    return tuple(sorted((r for r in every if r.key not in amended), key=lambda r: r.key))


def first_readings(readings: Iterable[Reading]) -> tuple[Reading, ...]:
    """Return the standing first reading of each reader, by key.

    Of several by one reader the one signed last counts.
    """
    latest: dict[str, Reading] = {}
    for reading in sorted(standing(readings), key=lambda r: (r.signed_at, r.key)):
        if reading.round is Round.FIRST:
            latest[reading.reader] = reading
    return tuple(sorted(latest.values(), key=lambda r: r.key))


def settling_reading(readings: Iterable[Reading]) -> Reading | None:
    """Return the standing settling reading signed last, by someone who did not read first."""
    every = tuple(readings)
    first = {reading.reader for reading in first_readings(every)}
    found = [r for r in standing(every) if r.round is Round.SETTLING and r.reader not in first]
    return max(found, key=lambda r: (r.signed_at, r.key), default=None)


def settling_needed(form: Form, readings: Sequence[Reading], protocol: Protocol) -> Settling | None:
    """Return why a scan goes to an adjudicator, or ``None`` while or because it does not.

    Parameters
    ----------
    form, readings, protocol
        The form and all readings of one scan. Until all first readings are signed, or when the
        protocol settles by majority or with one reader, none is needed. A settling reading that
        is already there does not change the answer: see :func:`stage_of`.
    """
    first = first_readings(readings)
    design = protocol.reading
    if design.settle_by != "adjudicator" or not _all_signed(first, protocol) or len(first) < 2:
        return None
    found = differences(form, [reading.answers for reading in first], protocol)
    if found or is_sampled(first[0].scan, protocol):
        return Settling(found)
    return None


def is_sampled(scan: str, protocol: Protocol) -> bool:
    """Whether a scan is drawn to be settled even if its readers agree.

    Drawn by the protocol's seed from the scan's UID alone: adding scans changes nothing.
    """
    drawn = int.from_bytes(_draw(protocol, "sample", scan)[:8], "big")
    return drawn < protocol.reading.settle_agreeing_share * 2**64


def decide(form: Form, readings: Sequence[Reading], protocol: Protocol) -> Decision | None:
    """Return the verdict on a scan, or ``None`` while there is none.

    Parameters
    ----------
    form
        The form they answer.
    readings
        All readings of one scan, amended ones too, in any order.
    protocol
        Number of readers, what is a difference, and how differences are settled.

    Returns
    -------
    Decision or None
        ``None`` until every first reading is signed, and while differences wait to be settled:
        also when the reading an adjudicator picked was amended since, because nobody has looked
        at the new one. Readers who agree give the verdict themselves, even where an adjudicator
        read the scan as one of a sample: that reading stands beside it and tells how often
        agreeing readers are wrong, so that scans of the sample are not treated unlike others.
        By majority the outcome most readers gave wins; with none of more than half, the scan is
        not assessable.
    """
    first = first_readings(readings)
    if not _all_signed(first, protocol):
        return None
    case = _Case(form, first, protocol)
    if protocol.reading.readers_per_scan == 1 and len(first) == 1:
        return case.decision(Rule.SINGLE, first[0])
    if not differences(form, [reading.answers for reading in first], protocol):
        return case.decision(Rule.AGREED, case.drawn(case.assessable or first))
    if protocol.reading.settle_by == "majority":
        return case.by_majority()
    settling = settling_reading(readings)
    return None if settling is None else case.settled(settling)


def stage_of(
    form: Form, readings: Sequence[Reading], protocol: Protocol, *, is_opened: bool = False
) -> Stage:
    """Return how far the reading of a scan has come.

    Parameters
    ----------
    form, readings, protocol
        As for :func:`decide`.
    is_opened
        Whether a reader has begun, which counts as being read.
    """
    first = first_readings(readings)
    if not first and not is_opened:
        return Stage.SCAN_IN
    if not _all_signed(first, protocol):
        return Stage.BEING_READ
    return Stage.READERS_DIFFER if decide(form, readings, protocol) is None else Stage.FINAL


def _all_signed(first: Sequence[Reading], protocol: Protocol) -> bool:
    return len(first) >= protocol.reading.readers_per_scan


def _draw(protocol: Protocol, *what: str) -> bytes:
    text = "\x1f".join((str(protocol.reading.order_seed), *what))
    return hashlib.sha256(text.encode()).digest()


@dataclass(frozen=True, slots=True)
class _Case:
    """The first readings of one scan."""

    form: Form
    first: tuple[Reading, ...]
    protocol: Protocol

    @property
    def assessable(self) -> tuple[Reading, ...]:
        """The readings to which the scan was assessable."""
        return tuple(each for each in self.first if self.is_assessable(each.answers))

    def is_assessable(self, answers: Answers) -> bool:
        """Whether what decides the outcome was answered; else whether any question was."""
        name = outcome_question(self.form, self.protocol)
        if name is None and self.form.question(names.DEFECT):
            name = names.DEFECT
        if name is not None:
            return is_answered(answers, name)
        asked = (question.name for question in self.form.questions if question.required)
        return any(is_answered(answers, each) for each in asked)

    def drawn(self, readings: Iterable[Reading]) -> Reading:
        """Return the reading that the seed draws."""
        return min(
            readings, key=lambda r: (_draw(self.protocol, "speaker", r.scan, r.reader), r.key)
        )

    def decision(self, rule: Rule, speaker: Reading, *others: Reading) -> Decision:
        """Return the decision that a reading speaks for."""
        known = self.is_assessable(speaker.answers)
        keys = {reading.key for reading in (*self.first, speaker, *others)}
        return Decision(
            rule if known else Rule.NOT_ASSESSABLE,
            speaker.answers,
            speaker.key,
            tuple(sorted(keys)),
            outcome_of(speaker.answers, self.protocol) if known else None,
        )

    def settled(self, settling: Reading) -> Decision | None:
        """Return what the adjudicator decided; ``None`` for a pick that stands no more."""
        picked = chosen(settling.answers, names.PICKED_READING)
        if picked is None:
            return self.decision(Rule.OWN_ANSWER, settling)
        found = next((reading for reading in self.first if reading.key == picked), None)
        return None if found is None else self.decision(Rule.PICKED, found, settling)

    def by_majority(self) -> Decision | None:
        """Return what more than half of the readers say of the outcome.

        Of those readings the ones with the median grade count, the milder of two. Without a
        majority a reading that could not assess the scan speaks. An odd number of readers always
        leaves one of the two; of an even number that is split in halves there is no verdict.
        """
        votes = Counter(self._vote(reading) for reading in self.first)
        vote, count = min(votes.items(), key=lambda each: (-each[1], each[0]))
        if 2 * count <= len(self.first):
            unclear = [r for r in self.first if not self.is_assessable(r.answers)]
            return self.decision(Rule.NOT_ASSESSABLE, self.drawn(unclear)) if unclear else None
        side = [reading for reading in self.first if self._vote(reading) == vote]
        ranks = sorted(self._rank(reading) for reading in side)
        middle = ranks[(len(ranks) - 1) // 2]
        return self.decision(Rule.MAJORITY, self.drawn(r for r in side if self._rank(r) == middle))

    def _vote(self, reading: Reading) -> str:
        answers = reading.answers
        if not self.is_assessable(answers):
            return "not assessable"
        outcome = outcome_of(answers, self.protocol)
        return outcome.value if outcome else str(is_torn(answers))

    def _rank(self, reading: Reading) -> int:
        name = outcome_question(self.form, self.protocol) or ""
        scale, code = self.form.scale(name), chosen(reading.answers, name)
        return scale.level(code).rank if scale and code else 0
