"""What a decision procedure returns, and the checks its inputs share."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from types import MappingProxyType

from imgtrack.domain.errors import Fault, InvalidInput

Input = float | bool | str | None

WORDS: Mapping[str, str] = MappingProxyType(
    {
        "coronal_gap_slices": "coronal slices that show the gap",
        "sagittal_gap_slices": "sagittal slices that show the gap",
        "thickness_ratio": "thickness of the tendon over normal",
        "high_signal": "any bright area within the tendon",
        **dict.fromkeys(("stump_mm", "apex_mm", "rim_mm"), "landmarks of the retraction"),
        "length_mm": "retraction",
        "width_mm": "width of the tear",
        "greatest_diameter_mm": "width of the tear or retraction",
        "depth_mm": "depth of the partial tear",
        "goutallier": "fatty infiltration by Goutallier",
        "supraspinatus": "supraspinatus",
        "infraspinatus": "infraspinatus",
        "subscapularis": "subscapularis",
        "height_above_line_mm": "supraspinatus and tangent line",
        "occupation_ratio": "supraspinatus and its fossa",
        "acromiohumeral_interval_mm": "acromiohumeral interval",
        "acetabulisation": "acromion hollowed by the head",
        "narrowing": "glenohumeral joint narrowed",
        "collapse": "humeral head collapsed",
    }
)
"""What the inputs of the rules are called where people read of them, as the form says it."""


class Flag(StrEnum):
    """What a person should look at before the derived grade is used."""

    INPUT_MISSING = "input missing"
    GAP_IN_ONE_PLANE = "gap in one plane only"
    PLANES_DISAGREE = "planes disagree"
    NO_PUBLISHED_LIMIT = "no published limit"
    LANDMARKS_OUT_OF_ORDER = "landmarks out of order"
    GRADE_BY_EYE = "grade by eye"
    CRITERIA_CONFLICT = "criteria conflict"
    RADIOGRAPH_MISSING = "radiograph missing"
    RATIO_ABOVE_ONE = "ratio above one"


@dataclass(frozen=True, slots=True, kw_only=True)
class Derived:
    """The grade that measurements imply.

    Attributes
    ----------
    scale, version
        Which scale.
    possible
        Codes of the levels the measurements allow, by rank: one when they settle the grade,
        several when something is missing, none when they imply nothing.
    value
        The number, for a scale that is an index; else ``None``.
    flags
        What a person should look at.
    reason
        How the answer came about, in plain words.
    inputs
        The measurements by name; ``None`` for a missing one.
    """

    scale: str
    version: str
    possible: tuple[str, ...]
    reason: str
    inputs: Mapping[str, Input]
    flags: tuple[Flag, ...] = ()
    value: float | None = None

    @property
    def level(self) -> str | None:
        """The one level the measurements imply, or ``None``."""
        return self.possible[0] if len(self.possible) == 1 else None

    def allows(self, code: str) -> bool | None:
        """Whether the measurements allow the reader's grade; ``None`` when they imply nothing."""
        return code in self.possible if self.possible else None


def named(**inputs: Input) -> Mapping[str, Input]:
    """Return inputs by name, not to be changed."""
    return MappingProxyType(inputs)


def check_not_negative(**inputs: float | None) -> None:
    """Refuse inputs that are negative or not finite; a missing one (``None``) passes.

    Raises
    ------
    InvalidInput
        With every such input.
    """
    faults = [
        Fault(f"{name} cannot be used", expected="a finite number, 0 or more", found=repr(value))
        for name, value in inputs.items()
        if value is not None and not (math.isfinite(value) and value >= 0)
    ]
    if faults:
        raise InvalidInput(faults)


def check_positive(**inputs: float | None) -> None:
    """Refuse inputs that are not above zero or not finite; a missing one (``None``) passes.

    Raises
    ------
    InvalidInput
        With every such input.
    """
    faults = [
        Fault(
            f"{name} cannot be used",
            expected="a finite number above 0",
            found=repr(value),
            next_step="leave it empty when there is nothing to measure",
        )
        for name, value in inputs.items()
        if value is not None and not (math.isfinite(value) and value > 0)
    ]
    if faults:
        raise InvalidInput(faults)


def not_recorded(inputs: Mapping[str, Input]) -> str:
    """Return which inputs are missing, in the words of the form; each thing once."""
    words = [WORDS[name] for name, value in inputs.items() if value is None]
    return "not recorded: " + ", ".join(dict.fromkeys(words))


def lacking(scale: str, version: str, inputs: Mapping[str, Input]) -> Derived:
    """Return the answer that implies nothing because inputs are missing."""
    return Derived(
        scale=scale,
        version=version,
        possible=(),
        flags=(Flag.INPUT_MISSING,),
        reason=not_recorded(inputs),
        inputs=inputs,
    )
