"""What a question is: its name and words, when it is asked, and what an answer to it holds.

Answers are JSON values, one object per question, by the question's name. Whatever the question,
an answer is one of

``{"not_assessable": REASON}``
    It was asked and cannot be answered; ``"note"`` says more and is needed with ``"other"``.
    Where a whole group of questions falls with one, the others are filled in with the same
    reason and ``"because": NAME`` of that one.
``{"not_asked": WORDS}``
    It does not apply, as a retraction where there is no full-thickness defect.
a value, by the kind of question

    =============  ==============================================================================
    `Graded`       ``{"value": CODE}``, or a number on a scale that is an index
    `Choice`       ``{"value": OPTION}``
    `Measured`     ``{"mm": 12.5, "points": [[x, y, z], ...], "images": [IMAGE, ...],
                   "origin": ORIGIN}``; ``"degrees"`` in place of ``"mm"`` for an angle
    `GapSlices`    ``{PLANE: {"images": [IMAGE, ...], "count": 2, "spacing_mm": 4.4,
                   "thickness_mm": 4.0, "implied_mm": 8.8}, ...}``, or for one plane
                   ``{"not_assessable": REASON}``; ``implied_mm`` is the longest run of
                   neighbouring slices times their spacing, 0 without a gap
    `Landmarks`    ``{"points": {NAME: [[x, y, z], ...]}, "mm": {RESULT: number},
                   "images": [IMAGE], "origin": ORIGIN}``
    `Ratio`        ``{"value": 0.62, TOP: PART, BOTTOM: PART, WORD: OPTION}``, each part a
                   measurement in its own quantity (``mm``, ``mm2``, or ``mean`` with ``sd`` and
                   ``voxels``); ``value`` is filled in when it is left out
    `FatFraction`  ``{"percent": 6.2, "sd_percent": 4.8, "voxels": 640, "mm2": 402.1,
                   "points": [[x, y, z], ...], "images": [IMAGE], "origin": ORIGIN,
                   "fat": SIGNAL, "water": SIGNAL}``: mean and standard deviation of the pixels'
                   fractions in percent; ``images`` is what was drawn on, and each SIGNAL is
                   ``{"mean": 12.4, "images": [IMAGE]}``, the mean within the outline. Both are
                   left out where it was drawn on the scanner's map of fat fractions
    `Implants`     ``{"implants": [{"label": "1", "points": [[x, y, z]], "images": [IMAGE],
                   "origin": ORIGIN, "seat": OPTION, "grades": {SCALE: {"value": CODE}},
                   "migration": {"mm": 1.2, "residual_mm": 0.3}}, ...]}``; a grade or the
                   migration may be ``{"not_assessable": REASON}``, and a migration that the
                   program proposed has an ``"origin"``
    `Note`         ``{"text": "..."}``
    =============  ==============================================================================

Points are patient LPS millimetres; on a radiograph ``[x, y]`` millimetres in its plane. IMAGE is
``{"uid": SOP Instance UID, "frame": 1}``, frames counting from 1. ORIGIN is a value of `Origin`.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import Literal

from imgtrack.domain.form import names
from imgtrack.domain.imaging import Modality
from imgtrack.domain.protocol import Plane
from imgtrack.domain.scales import Scale, View


class Step(StrEnum):
    """The steps of a form, in their order."""

    ADEQUACY = "adequacy"
    TEAR = "tear"
    MUSCLE = "muscle"
    JOINT = "joint"
    GRADE = "grade"


class Reason(StrEnum):
    """Why a question cannot be answered; ``NOT_STATED`` is for imported readings alone."""

    MOTION = "motion"
    METAL = "metal"
    COVERAGE = "coverage"
    NOT_ACQUIRED = "not acquired"
    WRONG_PLANE = "wrong plane"
    FAT_SUPPRESSION = "fat suppression failed"
    WRONG_SIDE = "wrong side"
    OTHER = "other"
    NOT_STATED = "not stated"


class Origin(StrEnum):
    """Where the points of a measurement come from; ``IMPORTED`` ones have no points."""

    DRAWN = "drawn"
    ACCEPTED = "suggestion accepted"
    MOVED = "suggestion moved"
    IMPORTED = "imported"


@dataclass(frozen=True, slots=True)
class Graded:
    """A grade on a scale."""

    scale: Scale


@dataclass(frozen=True, slots=True)
class Choice:
    """One of a few options."""

    options: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Measured:
    """A length or an angle with the points that define it.

    Attributes
    ----------
    points
        What each point is, in the order in which they are set.
    quantity
        Key of the value: ``mm`` or ``degrees``.
    open_ended
        Whether further points may follow between first and last, the length going along all.
    views
        Images it may be drawn on.
    """

    points: tuple[str, ...]
    views: tuple[View, ...]
    quantity: Literal["mm", "degrees"] = "mm"
    open_ended: bool = False


@dataclass(frozen=True, slots=True)
class GapSlices:
    """Slices of each plane that show the tendon interrupted over its full thickness."""

    planes: tuple[Plane, ...]


@dataclass(frozen=True, slots=True)
class PointSet:
    """Named points of a landmark answer; ``fewest`` is 1 for a landmark, more for an outline."""

    name: str
    fewest: int = 1

    @property
    def is_outline(self) -> bool:
        """Whether more points than one are set."""
        return self.fewest > 1


@dataclass(frozen=True, slots=True)
class Result:
    """A number that follows from landmarks, in mm, with its lower bound (``None`` for none)."""

    name: str
    low: float | None = None


@dataclass(frozen=True, slots=True)
class Landmarks:
    """Named points on one image, and the positions in mm that follow from them."""

    sets: tuple[PointSet, ...]
    results: tuple[Result, ...]
    views: tuple[View, ...]


@dataclass(frozen=True, slots=True)
class Part:
    """Upper or lower part of a ratio.

    Attributes
    ----------
    name
        Its key in the answer.
    quantity
        Key of its value: ``mm``, ``mm2`` or ``mean`` (signal).
    fewest
        Fewest points that define it.
    may_be_zero
        Whether it may be 0, then without points.
    """

    name: str
    quantity: Literal["mm", "mm2", "mean"]
    fewest: int
    may_be_zero: bool = False


@dataclass(frozen=True, slots=True)
class Ratio:
    """A ratio of two measurements of one kind.

    Attributes
    ----------
    top, bottom
        The two parts.
    word, options
        Key and options of what must be said beside it, as the roof of the fossa.
    at_most
        Upper bound of the ratio, or ``None``.
    views
        Images it may be drawn on.
    """

    top: Part
    bottom: Part
    views: tuple[View, ...]
    word: str = ""
    options: tuple[str, ...] = ()
    at_most: float | None = None


@dataclass(frozen=True, slots=True)
class FatFraction:
    """Fat fraction within an outline, from Dixon images.

    Attributes
    ----------
    outline
        What is outlined, once: on any image of an acquisition with fat and water, or on the map of
        fat fractions that the scanner made.
    views
        Images it may be drawn on.
    """

    outline: str
    views: tuple[View, ...]


@dataclass(frozen=True, slots=True)
class Implants:
    """Every implant seen, with position, seat, grades and migration.

    Attributes
    ----------
    seats
        Options of how an implant sits.
    scales
        Scales on which each implant is graded.
    migration
        Whether migration against the first scan after surgery is asked; only where the reader
        is shown earlier scans, else it is computed from the positions later.
    """

    seats: tuple[str, ...]
    scales: tuple[Scale, ...] = ()
    migration: bool = False


@dataclass(frozen=True, slots=True)
class Note:
    """A free text of at most ``longest`` characters."""

    longest: int = 2000


Asks = Graded | Choice | Measured | GapSlices | Landmarks | Ratio | FatFraction | Implants | Note


@dataclass(frozen=True, slots=True)
class Condition:
    """A question is asked only after an earlier one was answered in a certain way.

    Attributes
    ----------
    question
        Name of the earlier question.
    values
        Answers that open it; empty when any value does.
    otherwise
        What is recorded in place of an answer when it is not opened.
    """

    question: str
    values: tuple[str, ...] = ()
    otherwise: str = ""


@dataclass(frozen=True, slots=True)
class Question:
    """One question of a form.

    Attributes
    ----------
    name
        Key of the answer, unique in the form.
    title
        What is shown.
    step
        Where it is asked.
    asks
        What an answer holds.
    required
        Whether a signed reading needs an answer (or "not assessable") when it is asked.
    when
        All must hold for it to be asked; each names an earlier question.
    help
        How to answer, in a sentence; may be empty.
    """

    name: str
    title: str
    step: Step
    asks: Asks
    required: bool = True
    when: tuple[Condition, ...] = ()
    help: str = ""

    @property
    def options(self) -> tuple[str, ...]:
        """The options of a choice or the levels of a grade; nothing for other questions."""
        if isinstance(self.asks, Choice):
            return self.asks.options
        return self.asks.scale.codes if isinstance(self.asks, Graded) else ()

    @property
    def is_adequacy(self) -> bool:
        """Whether it asks if the images serve a group of other questions."""
        return isinstance(self.asks, Choice) and self.asks.options == (names.ADEQUATE,)


@dataclass(frozen=True, slots=True)
class Form:
    """What a reading asks, in order; every condition names an earlier question.

    Attributes
    ----------
    modality
        Of the scans it is for.
    questions
        In the order of the steps.
    scales
        Scales in use, whether asked or derived, in the order of the protocol.
    """

    modality: Modality
    questions: tuple[Question, ...]
    scales: tuple[Scale, ...]

    @property
    def dimensions(self) -> int:
        """Coordinates of a point: 3, or 2 on a radiograph."""
        return 3 if self.modality is Modality.MR else 2

    @property
    def names(self) -> tuple[str, ...]:
        """The names of the questions in order."""
        return tuple(question.name for question in self.questions)

    def question(self, name: str) -> Question | None:
        """Return the question of that name, or ``None``."""
        return next((each for each in self.questions if each.name == name), None)

    def scale(self, name: str) -> Scale | None:
        """Return the scale of a graded question, or ``None`` when the form does not ask it."""
        question = self.question(name)
        asks = question.asks if question else None
        return asks.scale if isinstance(asks, Graded) else None
