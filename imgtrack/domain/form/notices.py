"""What looks odd in sound answers: told to the reader, never refused."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from imgtrack.domain.form.answers import length_mm, reason_of
from imgtrack.domain.form.questions import Measured, Reason
from imgtrack.domain.protocol import Measure, Plane

if TYPE_CHECKING:
    from collections.abc import Iterator

    from imgtrack.domain.form.answers import Answers
    from imgtrack.domain.form.questions import Form

LONG_MM = 80.0
"""A length above this is asked about again; our limit, no published one."""


@dataclass(frozen=True, slots=True)
class Notice:
    """Something a reader should look at again.

    Attributes
    ----------
    question
        Name of the question.
    words
        What looks odd.
    """

    question: str
    words: str


def notices(form: Form, answers: Answers) -> tuple[Notice, ...]:
    """Return what looks odd in checked answers."""
    return (
        *_long(form, answers),
        *_path(answers),
        *_slices(answers, Plane.CORONAL_OBLIQUE, Measure.WIDTH),
        *_slices(answers, Plane.SAGITTAL_OBLIQUE, Measure.RETRACTION),
        *_wrong_side(form, answers),
    )


def _long(form: Form, answers: Answers) -> Iterator[Notice]:
    for question in form.questions:
        value = length_mm(answers, question.name)
        if isinstance(question.asks, Measured) and value is not None and value > LONG_MM:
            words = f"{question.title}: {value:.1f} mm is more than {LONG_MM:.0f} mm"
            yield Notice(question.name, words)


def _path(answers: Answers) -> Iterator[Notice]:
    along = length_mm(answers, Measure.RETRACTION_ALONG_HEAD)
    straight = length_mm(answers, Measure.RETRACTION)
    if along is not None and straight is not None and along < straight:
        words = f"{along:.1f} mm along the head is shorter than {straight:.1f} mm straight"
        yield Notice(Measure.RETRACTION_ALONG_HEAD.value, words)


def _slices(answers: Answers, plane: Plane, measure: Measure) -> Iterator[Notice]:
    """Compare the run of slices across which a gap shows with the length in that direction.

    Coronal slices follow each other from front to back, as the width runs; sagittal ones from
    side to side, as the retraction runs. Within two slices either way nothing is said: a gap
    that touches a slice may or may not show in it, and tears run obliquely. Our own rule.
    """
    length = length_mm(answers, measure)
    marks = (answers.get(Measure.GAP_SLICES) or {}).get(plane, {})
    spacing, implied = marks.get("spacing_mm"), marks.get("implied_mm")
    if length is None or spacing is None or implied is None:
        return
    if abs(length - implied) > 2 * spacing:
        yield Notice(
            measure.value,
            f"{measure.value} of {length:.1f} mm, but the {plane.value} slices show the gap over "
            f"{implied:.1f} mm",
        )


def _wrong_side(form: Form, answers: Answers) -> Iterator[Notice]:
    for question in form.questions:
        if question.is_adequacy and reason_of(answers, question.name) is Reason.WRONG_SIDE:
            yield Notice(question.name, "the images are said to show the wrong side")
