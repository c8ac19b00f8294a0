"""Checking a set of answers against its form: every fault together, or the answers completed."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from imgtrack.domain.errors import Fault, InvalidInput
from imgtrack.domain.form import names
from imgtrack.domain.form.answers import chosen, gap_count, is_torn, reason_of
from imgtrack.domain.form.asking import LEFT_OUT, State, asking
from imgtrack.domain.form.fields import Fields, shown
from imgtrack.domain.form.graded import full_thickness_levels
from imgtrack.domain.form.notices import Notice, notices
from imgtrack.domain.form.questions import GapSlices, Graded, Note
from imgtrack.domain.form.values import Purpose, Reading, read_not_assessable, read_value
from imgtrack.domain.protocol import Measure

if TYPE_CHECKING:
    from collections.abc import Iterator

    from imgtrack.domain.form.answers import Answers
    from imgtrack.domain.form.asking import Asking
    from imgtrack.domain.form.questions import Form, Question

__all__ = ["Checked", "Purpose", "Review", "read_answers", "review"]

GENERAL = ""
"""In place of a question's name: faults of the set as a whole."""


@dataclass(frozen=True, slots=True)
class Checked:
    """Sound answers in their one layout, and what looks odd in them.

    Attributes
    ----------
    answers
        JSON values by question, in the order of the form. After signing every question of the
        form is there: with a value, "not assessable" or "not asked".
    notices
        What the reader should look at again; no reason to refuse.
    """

    answers: Mapping[str, Any]
    notices: tuple[Notice, ...]


@dataclass(frozen=True, slots=True)
class Review:
    """A set of answers looked through.

    Attributes
    ----------
    answers
        The sound ones in their one layout, completed by what follows from them.
    faults_of
        Faults by name of the question, in the order of the form; under an empty name those of
        the set as a whole. Questions without fault are left out.
    notices
        What looks odd in the sound answers.
    asking
        Where each question stands, by name.
    """

    answers: Mapping[str, Any]
    faults_of: Mapping[str, tuple[Fault, ...]]
    notices: tuple[Notice, ...]
    asking: Mapping[str, Asking]

    @property
    def faults(self) -> tuple[Fault, ...]:
        """All faults in the order of the form."""
        return tuple(fault for faults in self.faults_of.values() for fault in faults)


def read_answers(form: Form, answers: Any, *, purpose: Purpose = Purpose.SIGNING) -> Checked:
    """Return answers checked and completed.

    Parameters
    ----------
    form
        From :func:`imgtrack.domain.form.form_for`.
    answers
        A mapping of JSON values, laid out as `imgtrack.domain.form.questions` says. Answers that
        this function returned are accepted and returned unchanged.
    purpose
        For a draft or an import anything may be missing; for signing nothing required may be.

    Raises
    ------
    InvalidInput
        With every fault of the answers.
    """
    found = review(form, answers, purpose=purpose)
    if found.faults:
        raise InvalidInput(found.faults)
    return Checked(found.answers, found.notices)


def review(form: Form, answers: Any, *, purpose: Purpose = Purpose.DRAFT) -> Review:
    """Return what is sound and what is wrong in a set of answers; never raises.

    Parameters
    ----------
    form, answers, purpose
        As for :func:`read_answers`.

    Notes
    -----
    A question that falls with an earlier one, or that does not apply, is filled in; an answer
    given to it all the same is a fault. In an import a defect that was not recorded is taken
    from the first grade that states it (a Sugaya type IV or V is a full-thickness defect).
    """
    passed = _Pass(form, purpose)
    passed.parse(answers)
    standing = asking(form, {**passed.assumed, **passed.sound})
    for question in form.questions:
        passed.place(question, standing[question.name])
    for name, fault in _contradictions(form, passed.completed):
        passed.faults[name].append(fault)
    faults = {name: tuple(found) for name, found in passed.faults.items() if found}
    return Review(passed.completed, faults, notices(form, passed.completed), standing)


@dataclass(slots=True)
class _Pass:
    """A set of answers on its way from what was given to what is complete.

    ``given`` holds the names that were given, ``sound`` the answers that can be used as they
    stand, ``completed`` these with what follows from them.
    """

    form: Form
    purpose: Purpose
    given: set[str] = field(default_factory=set)
    sound: dict[str, Any] = field(default_factory=dict)
    completed: dict[str, Any] = field(default_factory=dict)
    faults: dict[str, list[Fault]] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self.faults = {name: [] for name in (GENERAL, *self.form.names)}

    @property
    def assumed(self) -> dict[str, Any]:
        """What an import need not say: that the images served."""
        if self.purpose is not Purpose.IMPORT:
            return {}
        gates = [question.name for question in self.form.questions if question.is_adequacy]
        return {gate: {"value": names.ADEQUATE} for gate in gates}

    def parse(self, answers: Any) -> None:
        """Read every answer by itself."""
        if not isinstance(answers, Mapping):
            self.faults[GENERAL].append(
                Fault("these are no answers", expected="an object", found=shown(answers))
            )
            return
        for name in answers:
            if not isinstance(name, str) or name not in self.form.names:
                expected = "one of " + ", ".join(self.form.names)
                fault = Fault("the form has no such question", "", expected, shown(name))
                self.faults[GENERAL].append(fault)
        for question in self.form.questions:
            if question.name in answers:
                self._read(question, answers[question.name])
        if self.purpose is Purpose.IMPORT:
            self.sound |= _implied_defect(self.form, self.sound)

    def _read(self, question: Question, answer: Any) -> None:
        if isinstance(question.asks, Note) and _is_blank(answer):
            return
        self.given.add(question.name)
        faults = self.faults[question.name]
        fields = Fields(answer, question.title, faults)
        how = Reading(self.purpose, self.form.dimensions)
        if faults:
            return
        found = _answer(question, fields, how)
        fields.close()
        if not faults:
            self.sound[question.name] = found

    def place(self, question: Question, stand: Asking) -> None:
        """Put an answer to the completed ones, or note why it cannot be."""
        name, record = question.name, stand.record
        answer = self.sound.get(name)
        if record is None:
            self._asked(question, answer, stand)
        elif answer is None or answer == record:
            self.completed[name] = record
        elif stand.state is State.NOT_ASSESSABLE and _is_own_reason(answer):
            self.completed[name] = answer
        else:
            self.faults[name].append(_not_wanted(self.form, question, stand))

    def _asked(self, question: Question, answer: Any, stand: Asking) -> None:
        name = question.name
        is_signing = self.purpose is Purpose.SIGNING
        left_out = {"not_asked": LEFT_OUT}
        if answer is None:
            is_missing = name not in self.given and stand.state is State.ASKED and is_signing
            if is_missing and question.required:
                self.faults[name].append(_missing(question))
            elif is_missing:
                self.completed[name] = left_out
        elif "because" in answer or ("not_asked" in answer and not _may_be_left(question, answer)):
            self.faults[name].append(
                Fault(
                    "this question does apply",
                    question.title,
                    found=shown(answer),
                    next_step="answer it, or say why it is not assessable",
                )
            )
        else:
            self.completed[name] = answer


def _answer(question: Question, fields: Fields, how: Reading) -> dict[str, Any]:
    """Return one answer in its one layout; faults go to ``fields``."""
    if fields.has("not_asked"):
        return {"not_asked": fields.text("not_asked", longest=200)}
    if fields.has("not_assessable"):
        if isinstance(question.asks, Note):
            fields.fault("a note is left out where there is nothing to say")
        found = read_not_assessable(fields, how)
        if fields.has("because"):
            found["because"] = fields.text("because", longest=200)
        return found
    return read_value(question.asks, fields, how)


def _is_blank(answer: Any) -> bool:
    text = answer.get("text") if isinstance(answer, Mapping) and len(answer) == 1 else None
    return isinstance(text, str) and not text.strip()


def _is_own_reason(answer: Mapping[str, Any]) -> bool:
    return "not_assessable" in answer and "because" not in answer


def _may_be_left(question: Question, answer: Mapping[str, Any]) -> bool:
    return not question.required and answer == {"not_asked": LEFT_OUT}


def _missing(question: Question) -> Fault:
    return Fault(
        "this question is not answered",
        question.title,
        next_step="answer it, or say why it is not assessable",
    )


def _not_wanted(form: Form, question: Question, stand: Asking) -> Fault:
    earlier = form.question(stand.because)
    words = stand.words or f"{earlier.title if earlier else stand.because}: not assessable"
    return Fault(
        "this cannot be answered beside an earlier answer",
        question.title,
        "no answer",
        words,
        "take this answer away, or correct the earlier one",
    )


def _implied_defect(form: Form, sound: Answers) -> dict[str, Any]:
    """Return the answer to the tendon's defect that imported grades state, if it is not there."""
    question = form.question(names.DEFECT)
    if question is None or names.DEFECT in sound:
        return {}
    options = question.options
    for name, full in _stating(form):
        if (reason := reason_of(sound, name)) is not None:
            return {names.DEFECT: {"not_assessable": reason.value}}
        code = chosen(sound, name)
        if code is not None and (code in full or names.NO_FULL_DEFECT in options):
            answer = names.FULL_DEFECT if code in full else names.NO_FULL_DEFECT
            return {names.DEFECT: {"value": answer}}
    return {}


def _stating(form: Form) -> Iterator[tuple[str, frozenset[str]]]:
    """Yield each graded question that states whether there is a full-thickness defect."""
    for question in form.questions:
        if isinstance(question.asks, Graded):
            full = full_thickness_levels(question.asks.scale)
            if full is not None:
                yield question.name, full


def _contradictions(form: Form, answers: Answers) -> Iterator[tuple[str, Fault]]:
    """Yield what is never allowed together, with the question to correct."""
    torn = is_torn(answers)
    if torn is None:
        return
    for name, full in _stating(form):
        question, code = form.question(name), chosen(answers, name)
        if question is not None and code is not None and (code in full) != torn:
            fault = Fault(
                "this grade contradicts the defect of the tendon",
                question.title,
                f"{'one' if torn else 'none'} of {', '.join(sorted(full))}",
                f"{code} with {chosen(answers, names.DEFECT)}",
                "correct the grade or the defect",
            )
            yield name, fault
    yield from _no_slice(form, answers, torn=torn)


def _no_slice(form: Form, answers: Answers, *, torn: bool) -> Iterator[tuple[str, Fault]]:
    name = Measure.GAP_SLICES.value
    question = form.question(name)
    if question is None or not isinstance(question.asks, GapSlices):
        return
    counts = [gap_count(answers, plane) for plane in question.asks.planes]
    if torn and all(count == 0 for count in counts):
        fault = Fault(
            "a full-thickness defect shows in one slice at least",
            question.title,
            "a marked slice in a plane",
            "none",
            "mark the slices, or correct the defect",
        )
        yield name, fault
