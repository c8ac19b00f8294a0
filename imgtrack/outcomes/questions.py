"""What a protocol asks, over all its forms: levels in their order, and which are severity."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from imgtrack.domain.form import Choice, Form, Graded, form_for
from imgtrack.domain.imaging import Modality

if TYPE_CHECKING:
    from imgtrack.domain.form import Question
    from imgtrack.domain.protocol import Protocol


@dataclass(frozen=True, slots=True)
class Levels:
    """The levels of a graded question in their order, and whether the order is one of severity."""

    codes: tuple[str, ...]
    ordered: bool
    title: str


@dataclass(frozen=True, slots=True)
class Asked:
    """The questions of all forms of a protocol.

    Attributes
    ----------
    forms
        By modality; those after surgery.
    questions
        By name, first come.
    """

    forms: dict[Modality, Form]
    questions: dict[str, Question] = field(default_factory=dict)

    def form(self, modality: Modality) -> Form | None:
        """Return the form of a modality, or ``None`` when the study expects none of it."""
        return self.forms.get(modality)

    def levels(self, name: str) -> Levels | None:
        """Return the levels of a question; ``None`` when it has none."""
        question = self.questions.get(name)
        asks = question.asks if question else None
        if isinstance(asks, Graded) and asks.scale.levels:
            return Levels(asks.scale.codes, asks.scale.ordered, asks.scale.title)
        if isinstance(asks, Choice):
            return Levels(asks.options, ordered=False, title=name)
        return None


def asked(protocol: Protocol) -> Asked:
    """Return everything a protocol asks of the modalities it expects."""
    wanted = dict.fromkeys(scan.modality for point in protocol.timepoint for scan in point.scan)
    wanted.pop(Modality.ULTRASOUND, None)
    forms: dict[Modality, Form] = {each: form_for(protocol, each) for each in wanted}
    before = [form_for(protocol, m, before_repair=True) for m in forms]
    questions: dict[str, Question] = {}
    for form in (*forms.values(), *before):
        for question in form.questions:
            questions.setdefault(question.name, question)
    return Asked(forms, questions)
