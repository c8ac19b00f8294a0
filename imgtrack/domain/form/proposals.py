"""What the program proposed to a reader, what became of it, and how far the answer lies from it.

A record of proposals is a JSON object by question, each a list in the order in which the reader saw
them::

    {"tear width": [{"value": ANSWER, "before": {"mm": 14.0}, "decision": "accepted"}]}

``value`` is the answer as the program proposed it, laid out as an answer to the question, before
the reader moved anything. ``before`` holds the numbers the reader had given by then, by their name
(``mm``, ``degrees``, or a plane with its count of slices), and is empty where there were none: it
tells a reader who looked first from one who saw the proposal first. With the signature comes
``fate``, see :class:`Fate`.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from enum import StrEnum
from typing import TYPE_CHECKING, Any

from imgtrack.domain.errors import Fault, InvalidInput
from imgtrack.domain.form.answers import is_answered
from imgtrack.domain.form.fields import Fields, shown
from imgtrack.domain.form.questions import GapSlices, Measured, Origin
from imgtrack.domain.form.values import Purpose, Reading, read_value
from imgtrack.domain.protocol import Plane

if TYPE_CHECKING:
    from collections.abc import Sequence

    from imgtrack.domain.form.answers import Answers
    from imgtrack.domain.form.questions import Form, Question

Proposals = Mapping[str, "Sequence[Mapping[str, Any]]"]
"""A record of proposals, see the head of this module."""

MOST = 200
"""Proposals of one question that are kept; a reader sees one or two. Our choice, no source."""

SLICES = "slices"
QUANTITIES = ("mm", "degrees")


class Decision(StrEnum):
    """What the reader did with a proposal when it was shown."""

    OPEN = "not decided"
    """Left standing, as when the window was closed; counts as rejected."""
    ACCEPTED = "accepted"
    REJECTED = "rejected"
    """Rejected by name, or put away by drawing or by asking for another."""


class Fate(StrEnum):
    """What became of a proposal in the signed answers."""

    ACCEPTED = "accepted"
    MOVED = "accepted and moved"
    """Before or after it was accepted; of gap slices: a mark was added or taken away."""
    OTHERWISE = "rejected, answered otherwise"
    """The answer was drawn by the reader, or is another proposal."""
    UNANSWERED = "rejected, not answered"


@dataclass(frozen=True, slots=True)
class Told:
    """One number of one proposal beside the number that was signed.

    Attributes
    ----------
    question, part
        Name of the question, and the plane for gap slices; else empty.
    unit
        ``mm``, ``degrees`` or ``slices``.
    turn
        Which proposal of the question, from 1.
    proposed
        As the program proposed it.
    before
        What the reader had by then; ``None`` for nothing.
    signed
        What was signed; ``None`` where it was not answered.
    fate
        What became of the proposal.
    """

    question: str
    part: str
    unit: str
    turn: int
    proposed: float
    before: float | None
    signed: float | None
    fate: Fate

    @property
    def difference(self) -> float | None:
        """Signed minus proposed; ``None`` where it was not answered."""
        return None if self.signed is None else self.signed - self.proposed


def numbers_of(answer: Mapping[str, Any]) -> dict[str, float]:
    """Return the numbers of an answer by their name: ``mm``, ``degrees``, or a plane's count."""
    found: dict[str, float] = {}
    for name in (*QUANTITIES, *Plane):
        value = answer.get(name)
        number = value.get("count") if isinstance(value, Mapping) else value
        if isinstance(number, int | float):
            found[str(name)] = float(number)
    return found


def read_proposals(form: Form, given: Any) -> dict[str, list[dict[str, Any]]]:
    """Return a record of proposals checked, in its one layout and without fates.

    Raises
    ------
    InvalidInput
        With every fault.
    """
    faults: list[Fault] = []
    found: dict[str, list[dict[str, Any]]] = {}
    for name, entries in given.items() if isinstance(given, Mapping) else ():
        question = form.question(name)
        if question is None or not isinstance(question.asks, Measured | GapSlices):
            faults.append(Fault("nothing is proposed for this question", "", found=shown(name)))
        elif not isinstance(entries, list | tuple) or len(entries) > MOST:
            expected = f"a list of at most {MOST} proposals"
            faults.append(Fault("these are no proposals", question.title, expected))
        else:
            found[name] = [_entry(question, form, each, faults) for each in entries]
    if not isinstance(given, Mapping):
        faults.append(Fault("these are no proposals", expected="an object", found=shown(given)))
    if faults:
        raise InvalidInput(faults)
    return found


def _entry(question: Question, form: Form, given: Any, faults: list[Fault]) -> dict[str, Any]:
    where = f"{question.title}, proposal"
    fields = Fields(given, where, faults)
    value = fields.inner("value", "what was proposed")
    proposed: dict[str, Any] = {}
    if value is not None:
        proposed = read_value(question.asks, value, Reading(Purpose.DRAFT, form.dimensions))
        value.close()
    before: dict[str, Any] = {}
    if (numbers := fields.inner("before", "the numbers before it")) is not None:
        known = [name for name in (*QUANTITIES, *map(str, Plane)) if numbers.has(name)]
        before = {name: numbers.number(name) for name in known}
        numbers.close()
    decision = fields.word("decision", tuple(Decision))
    if fields.has("fate"):
        fields.word("fate", tuple(Fate))
    fields.close()
    return {"value": proposed, "before": before, "decision": decision}


def with_fates(
    proposals: Mapping[str, Sequence[Mapping[str, Any]]], answers: Answers
) -> dict[str, list[dict[str, Any]]]:
    """Return a checked record of proposals with the fate of each, told from signed answers.

    Images must have the same names in both. Only one proposal of a question can be what was signed:
    the last one that was accepted, where the reader took none of the others back up.
    """
    return {
        name: [
            {**each, "fate": _fate(each, answers.get(name), is_signed=is_signed).value}
            for each, is_signed in zip(entries, _signed(entries, answers.get(name)), strict=True)
        ]
        for name, entries in proposals.items()
    }


def _signed(entries: Sequence[Mapping[str, Any]], answer: Any) -> list[bool]:
    """Return for each proposal whether it is what the answer was made of."""
    taken = [at for at, each in enumerate(entries) if each["decision"] == Decision.ACCEPTED]
    if not isinstance(answer, Mapping) or answer.get("origin") == Origin.DRAWN:
        taken = []
    same = [at for at in taken if numbers_of(entries[at]["value"]) == numbers_of(answer)]
    signed = (same or taken)[-1:]
    return [at in signed for at in range(len(entries))]


def _fate(entry: Mapping[str, Any], answer: Any, *, is_signed: bool) -> Fate:
    if not is_answered({"": answer}, ""):
        return Fate.UNANSWERED
    if not is_signed:
        return Fate.OTHERWISE
    origin = answer.get("origin")
    is_kept = _same_slices(entry["value"], answer) if origin is None else origin == Origin.ACCEPTED
    return Fate.ACCEPTED if is_kept else Fate.MOVED


def _same_slices(proposed: Mapping[str, Any], signed: Mapping[str, Any]) -> bool:
    return all(_marks(each) == _marks(signed.get(plane)) for plane, each in proposed.items())


def _marks(plane: Any) -> set[tuple[str, int]] | None:
    images = plane.get("images") if isinstance(plane, Mapping) else None
    return None if images is None else {(each["uid"], each["frame"]) for each in images}


def tell(proposals: Proposals, answers: Answers) -> Iterator[Told]:
    """Yield every number of every proposal of a signed reading, beside what was signed."""
    for name, entries in proposals.items():
        signed = numbers_of(answers[name]) if is_answered(answers, name) else {}
        for turn, entry in enumerate(entries, 1):
            for key, proposed in numbers_of(entry["value"]).items():
                is_length = key in QUANTITIES
                yield Told(
                    question=name,
                    part="" if is_length else key,
                    unit=key if is_length else SLICES,
                    turn=turn,
                    proposed=proposed,
                    before=entry["before"].get(key),
                    signed=signed.get(key),
                    fate=Fate(entry["fate"]),
                )
