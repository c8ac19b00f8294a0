"""Grades that a reader's measurements imply."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import TYPE_CHECKING

from imgtrack.domain.form import names
from imgtrack.domain.form.answers import (
    chosen,
    gap_count,
    is_torn,
    length_mm,
    position_mm,
    ratio_of,
)
from imgtrack.domain.form.graded import is_published
from imgtrack.domain.protocol import Measure, Plane, ThicknessReference
from imgtrack.domain.scales import Scale, derive
from imgtrack.domain.scales import get as get_scale
from imgtrack.domain.scales.derive import Derived, Flag

if TYPE_CHECKING:
    from imgtrack.domain.form.answers import Answers
    from imgtrack.domain.form.questions import Form
    from imgtrack.domain.protocol import Protocol

TO_LOOK_AT = frozenset(
    {
        Flag.GAP_IN_ONE_PLANE,
        Flag.PLANES_DISAGREE,
        Flag.LANDMARKS_OUT_OF_ORDER,
        Flag.GRADE_BY_EYE,
        Flag.CRITERIA_CONFLICT,
        Flag.RATIO_ABOVE_ONE,
    }
)
"""Flags that a reader can do something about."""


@dataclass(frozen=True, slots=True)
class DerivedGrade:
    """What measurements imply for one grade.

    Attributes
    ----------
    question
        Name of the question; for a grade that nobody is asked, the id of its scale (with the
        muscle, where it is of one).
    title
        In words.
    derived
        The implied levels, number, flags and reason.
    given
        The reader's own grade; ``None`` where none was asked or given.
    """

    question: str
    title: str
    derived: Derived
    given: str | None = None

    @property
    def words(self) -> str:
        """The implied grade and why, with what to look at."""
        found = self.derived
        grade = " or ".join(found.possible) or (
            "nothing" if found.value is None else f"{found.value:.2f}"
        )
        flags = [flag.value for flag in found.flags if flag in TO_LOOK_AT]
        tail = f"; look at: {', '.join(flags)}" if flags else ""
        return f"{self.title}: {found.reason}, implies {grade}{tail}"


@dataclass(frozen=True, slots=True)
class Source:
    """What grades are derived from: the arguments of :func:`derived`."""

    form: Form
    answers: Answers
    protocol: Protocol
    reference_thickness_mm: float | None
    arthropathy: bool | None

    def length(self, name: str) -> float | None:
        """Return a length in mm."""
        return length_mm(self.answers, name)

    def says_yes(self, name: str) -> bool | None:
        """Whether a question was answered by yes; ``None`` when it was not answered."""
        answer = chosen(self.answers, name)
        return None if answer is None else answer == names.YES

    def grade(self, scale: Scale, found: Derived, muscle: str = "") -> DerivedGrade:
        """Return a derived grade beside the reader's own."""
        name = names.of_muscle(scale.id, muscle) if muscle else scale.id
        title = f"{scale.title}: {muscle}" if muscle else scale.title
        return DerivedGrade(name, title, found, chosen(self.answers, name))


def derived(
    form: Form,
    answers: Answers,
    protocol: Protocol,
    *,
    reference_thickness_mm: float | None = None,
    arthropathy: bool | None = None,
) -> tuple[DerivedGrade, ...]:
    """Return the grades that measurements imply, for every scale of the form that has a rule.

    Parameters
    ----------
    form, answers
        The form and checked answers, complete or not; what is missing leaves a grade open.
    protocol
        Its reference of thickness is used.
    reference_thickness_mm
        Normal thickness of this tendon where the protocol's reference lies on another scan
        (before surgery, other shoulder); ``None`` when it is not known.
    arthropathy
        Whether the radiograph shows cuff tear arthropathy; ``None`` without one.

    Returns
    -------
    tuple
        In the order of the protocol's scales. A grade of a full-thickness tear is derived only
        where there is one. The global fatty degeneration index goes with Goutallier grades, and
        has a number only when three muscles are graded.
    """
    source = Source(form, answers, protocol, reference_thickness_mm, arthropathy)
    return tuple(
        grade
        for scale in form.scales
        if scale.id in RULES and is_published(scale)
        for grade in RULES[scale.id](scale, source)
    )


def thickness_ratio(
    answers: Answers, protocol: Protocol, *, reference_mm: float | None = None
) -> float | None:
    """Return tendon thickness over normal thickness, by the reference the protocol states.

    Parameters
    ----------
    answers, protocol
        Checked answers, and the protocol with its reference.
    reference_mm
        Normal thickness where the reference lies on another scan.

    Returns
    -------
    float or None
        ``None`` when either thickness is not known, or the ratio is not finite.
    """
    study = protocol.study
    reference = {
        ThicknessReference.FIXED: study.fixed_thickness_mm,
        ThicknessReference.ADJACENT_INTACT_CUFF: length_mm(answers, names.REFERENCE_THICKNESS),
    }.get(study.thickness_reference, reference_mm)
    thickness = length_mm(answers, Measure.THICKNESS)
    if thickness is None or reference is None:
        return None
    ratio = thickness / reference
    return ratio if math.isfinite(ratio) else None


def _sugaya(scale: Scale, source: Source) -> Iterator[DerivedGrade]:
    answers = source.answers
    ratio = thickness_ratio(answers, source.protocol, reference_mm=source.reference_thickness_mm)
    found = derive.sugaya(
        coronal_gap_slices=gap_count(answers, Plane.CORONAL_OBLIQUE),
        sagittal_gap_slices=gap_count(answers, Plane.SAGITTAL_OBLIQUE),
        thickness_ratio=ratio,
        high_signal=source.says_yes(names.BRIGHT_SIGNAL),
        version=scale.version,
    )
    yield source.grade(scale, found)


def _patte(scale: Scale, source: Source) -> Iterator[DerivedGrade]:
    if is_torn(source.answers):
        stump, apex, rim = (
            position_mm(source.answers, Measure.PATTE_LANDMARKS, result)
            for result in ("stump", "apex", "rim")
        )
        found = derive.patte_stage(stump_mm=stump, apex_mm=apex, rim_mm=rim)
        yield source.grade(scale, found)


def _geometry(scale: Scale, source: Source) -> Iterator[DerivedGrade]:
    if is_torn(source.answers):
        found = derive.davidson_burkhart(
            length_mm=source.length(Measure.RETRACTION),
            width_mm=source.length(Measure.WIDTH),
            arthropathy=source.arthropathy,
        )
        yield source.grade(scale, found)


def _size(scale: Scale, source: Source) -> Iterator[DerivedGrade]:
    """Take the larger of width and retraction for the greatest diameter: our reading."""
    if is_torn(source.answers):
        width, length = source.length(Measure.WIDTH), source.length(Measure.RETRACTION)
        known = width is not None and length is not None
        greatest = max(width or 0.0, length or 0.0) if known else None
        yield source.grade(scale, derive.deorio_cofield(greatest_diameter_mm=greatest))


def _depth(scale: Scale, source: Source) -> Iterator[DerivedGrade]:
    if chosen(source.answers, names.DEFECT) == names.PARTIAL_DEFECT:
        found = derive.ellman_depth(depth_mm=source.length(names.PARTIAL_DEPTH))
        yield source.grade(scale, found)


def _goutallier(source: Source, muscle: str) -> str | None:
    return chosen(source.answers, names.of_muscle("goutallier", muscle))


def _fuchs(scale: Scale, source: Source) -> Iterator[DerivedGrade]:
    for muscle in names.MUSCLES:
        if source.form.question(names.of_muscle("goutallier", muscle)):
            found = derive.fuchs(goutallier=_goutallier(source, muscle))
            yield source.grade(scale, found, muscle)


def _index(_scale: Scale, source: Source) -> Iterator[DerivedGrade]:
    found = derive.gfdi(
        supraspinatus=_goutallier(source, names.SUPRASPINATUS),
        infraspinatus=_goutallier(source, names.INFRASPINATUS),
        subscapularis=_goutallier(source, names.SUBSCAPULARIS),
    )
    yield source.grade(get_scale("gfdi"), found)


def _tangent(scale: Scale, source: Source) -> Iterator[DerivedGrade]:
    height = position_mm(source.answers, Measure.TANGENT_LINE, "height")
    yield source.grade(scale, derive.tangent_sign(height_above_line_mm=height))


def _occupation(scale: Scale, source: Source) -> Iterator[DerivedGrade]:
    ratio = ratio_of(source.answers, Measure.OCCUPATION_RATIO)
    yield source.grade(scale, derive.thomazeau(occupation_ratio=ratio))


def _hamada(scale: Scale, source: Source) -> Iterator[DerivedGrade]:
    found = derive.hamada(
        acromiohumeral_interval_mm=source.length(Measure.ACROMIOHUMERAL_INTERVAL),
        acetabulisation=source.says_yes(names.ACETABULISATION),
        narrowing=source.says_yes(names.NARROWING),
        collapse=source.says_yes(names.COLLAPSE),
    )
    yield source.grade(scale, found)


Rule = Callable[["Scale", Source], Iterator[DerivedGrade]]
RULES: Mapping[str, Rule] = MappingProxyType(
    {
        "sugaya": _sugaya,
        "patte_stage": _patte,
        "davidson_burkhart": _geometry,
        "deorio_cofield": _size,
        "ellman_depth": _depth,
        "fuchs": _fuchs,
        "goutallier": _index,
        "tangent_sign": _tangent,
        "occupation_ratio": _occupation,
        "hamada": _hamada,
    }
)
"""The published scales that measurements imply, by id."""
