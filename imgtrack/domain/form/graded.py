"""Questions about scales: which are asked, when, and which follow from measurements alone."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from types import MappingProxyType
from typing import TYPE_CHECKING

from imgtrack.domain.form import names
from imgtrack.domain.form.questions import Condition, Graded, Question, Step
from imgtrack.domain.protocol import Measure
from imgtrack.domain.scales import Unit, versions

if TYPE_CHECKING:
    from imgtrack.domain.form.wanted import Wanted
    from imgtrack.domain.scales import Scale

FULL_THICKNESS: Mapping[str, frozenset[str]] = MappingProxyType(
    {
        "sugaya": frozenset({"IV", "V"}),
        "hayashida": frozenset({"4", "5"}),
        "patte_extent": frozenset({"1c", "2", "3", "4"}),
        "isakos_pattern": frozenset({"crescent", "L", "reverse L", "U", "massive"}),
    }
)
"""Levels of published scales that say "full-thickness defect"; their others say there is none."""

OF_PARTIAL_TEARS = frozenset({"ellman_depth", "ellman_side"})
OF_ANY_TEAR = frozenset({"patte_extent", "isakos_pattern"})
OF_ONE_MUSCLE = frozenset({"tangent_sign", "occupation_ratio", "warner_atrophy"})
"""Scales of the supraspinatus alone; other scales of muscles are asked of each muscle."""

DEFECT_KNOWN = Condition(names.DEFECT)
TORN = Condition(names.DEFECT, (names.FULL_DEFECT,), names.NO_FULL_DEFECT)
PARTLY_TORN = Condition(names.DEFECT, (names.PARTIAL_DEFECT,), "no partial-thickness defect")
ANY_TEAR = Condition(names.DEFECT, (names.PARTIAL_DEFECT, names.FULL_DEFECT), names.NO_DEFECT)
CONTINUOUS = Condition(
    names.DEFECT,
    (names.NO_FULL_DEFECT, names.NO_DEFECT, names.PARTIAL_DEFECT),
    names.FULL_DEFECT,
)
MUSCLE_SEEN = Condition(names.ADEQUACY_MUSCLE)

CONDITIONS: Mapping[str, Condition] = MappingProxyType(
    {
        "sugaya": DEFECT_KNOWN,
        "hayashida": DEFECT_KNOWN,
        "retear_pattern": TORN,
        **dict.fromkeys(OF_PARTIAL_TEARS, PARTLY_TORN),
        **dict.fromkeys(OF_ANY_TEAR, ANY_TEAR),
    }
)
"""When a published scale is asked, where that does not follow from its unit."""

BY_UNIT: Mapping[Unit, tuple[Step, tuple[Condition, ...]]] = MappingProxyType(
    {
        Unit.REPAIR: (Step.GRADE, ()),
        Unit.TEAR: (Step.TEAR, (TORN,)),
        Unit.MUSCLE: (Step.MUSCLE, (MUSCLE_SEEN,)),
        Unit.SERIES: (Step.ADEQUACY, ()),
    }
)
"""Step and conditions of a scale by what it grades; anchors are graded one by one."""


def is_published(scale: Scale) -> bool:
    """Whether the scale is one that comes with the program."""
    return scale.version in versions(scale.id)


def full_thickness_levels(scale: Scale) -> frozenset[str] | None:
    """Return the levels of a scale that say "full-thickness defect"; ``None`` if it is silent."""
    return FULL_THICKNESS.get(scale.id) if is_published(scale) else None


def is_computed(scale: Scale, want: Wanted) -> bool:
    """Whether a grade follows wholly from what is asked anyway, so that nobody is asked for it."""
    measured = {
        "gfdi": True,
        "ellman_depth": True,
        "fuchs": want.uses("goutallier", "gfdi"),
        "deorio_cofield": {Measure.WIDTH, Measure.RETRACTION} <= want.required,
        "occupation_ratio": Measure.OCCUPATION_RATIO in want.required,
    }
    return is_published(scale) and measured.get(scale.id, False)


def graded_questions(want: Wanted, units: Iterable[Unit]) -> list[Question]:
    """Return the questions about scales that grade one of these units, in the protocol's order."""
    chosen = [scale for scale in want.of_unit(*units) if not is_computed(scale, want)]
    return [question for scale in chosen for question in _questions(scale, want)]


def _questions(scale: Scale, want: Wanted) -> list[Question]:
    step, when = BY_UNIT[scale.unit]
    if scale.id in CONDITIONS:
        when = (CONDITIONS[scale.id],)
    when += tuple(
        Condition(other, levels, f"only with {other} {' or '.join(levels)}")
        for other, levels in scale.only_with.items()
        if want.uses(other)
    )
    if scale.unit is Unit.MUSCLE and scale.id not in OF_ONE_MUSCLE:
        return [_of_muscle(scale, muscle, step, when) for muscle in names.MUSCLES]
    return [Question(scale.id, scale.title, step, Graded(scale), when=when, help=scale.grades)]


def _of_muscle(scale: Scale, muscle: str, step: Step, when: tuple[Condition, ...]) -> Question:
    return Question(
        names.of_muscle(scale.id, muscle),
        f"{scale.title}: {muscle}",
        step,
        Graded(scale),
        required=muscle != names.TERES_MINOR,
        when=when,
        help=scale.grades,
    )
