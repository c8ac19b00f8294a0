"""Cuff tear arthropathy from the true anteroposterior radiograph."""

from __future__ import annotations

from typing import TYPE_CHECKING

from imgtrack.domain.scales.derive.result import (
    Derived,
    Flag,
    check_not_negative,
    lacking,
    named,
)

if TYPE_CHECKING:
    from collections.abc import Mapping

    from imgtrack.domain.scales.derive.result import Input

KEPT_FROM_MM, NARROW_TO_MM, NARROWING_BELOW_MM = 6.0, 5.0, 7.0
"""Interval of grade 1 from, of grades 2, 3 and 4b up to, and of grade 4a below."""


def hamada(
    *,
    acromiohumeral_interval_mm: float | None,
    acetabulisation: bool | None,
    narrowing: bool | None,
    collapse: bool | None,
) -> Derived:
    """Return the Hamada grade with Walch's 4a and 4b.

    Parameters
    ----------
    acromiohumeral_interval_mm
        Shortest distance from the undersurface of the acromion to the humeral head on a true
        anteroposterior radiograph; values from supine MR must not be used.
    acetabulisation, narrowing, collapse
        Whether the acromion is hollowed, the glenohumeral joint narrowed, and the humeral head
        collapsed.

    Returns
    -------
    Derived
        Between 5 and 6 mm no grade is published: the grade is set by eye. Findings that no
        grade describes (as a hollowed acromion with an interval of 6 mm or more) are flagged
        and imply nothing.

    Raises
    ------
    InvalidInput
        If the interval is negative or not finite.

    References
    ----------
    Hamada K et al. Clin Orthop Relat Res 1990;254:92-6, in the restatement with 6, 5 and 7 mm;
    others write above 6 and below 5, or above 6 and below 7.
    """
    check_not_negative(acromiohumeral_interval_mm=acromiohumeral_interval_mm)
    inputs = named(
        acromiohumeral_interval_mm=acromiohumeral_interval_mm,
        acetabulisation=acetabulisation,
        narrowing=narrowing,
        collapse=collapse,
    )
    if collapse:
        return _answer(("5",), "the head has collapsed", inputs)
    if acromiohumeral_interval_mm is None or None in (acetabulisation, narrowing, collapse):
        return lacking("hamada", "2005", inputs)
    interval = acromiohumeral_interval_mm
    if not acetabulisation and not narrowing:
        return _normal_joint(interval, inputs)
    if narrowing and not acetabulisation:
        return _within("4a", interval, inputs, fits=interval < NARROWING_BELOW_MM)
    grade = "4b" if narrowing else "3"
    if NARROW_TO_MM < interval < KEPT_FROM_MM:
        reason = f"{grade} ends at 5 mm, interval {interval:.1f} mm"
        return _answer((), reason, inputs, Flag.GRADE_BY_EYE)
    return _within(grade, interval, inputs, fits=interval <= NARROW_TO_MM)


def _normal_joint(interval: float, inputs: Mapping[str, Input]) -> Derived:
    reason = f"joint normal, interval {interval:.1f} mm"
    if interval >= KEPT_FROM_MM:
        return _answer(("1",), reason, inputs)
    if interval <= NARROW_TO_MM:
        return _answer(("2",), reason, inputs)
    return _answer(("1", "2"), f"{reason}, between the grades", inputs, Flag.GRADE_BY_EYE)


def _within(grade: str, interval: float, inputs: Mapping[str, Input], *, fits: bool) -> Derived:
    if fits:
        return _answer((grade,), f"interval {interval:.1f} mm", inputs)
    reason = f"the findings of {grade} with an interval of {interval:.1f} mm: no grade says so"
    return _answer((), reason, inputs, Flag.CRITERIA_CONFLICT)


def _answer(
    possible: tuple[str, ...], reason: str, inputs: Mapping[str, Input], *flags: Flag
) -> Derived:
    return Derived(
        scale="hamada",
        version="2005",
        possible=possible,
        flags=flags,
        reason=reason,
        inputs=inputs,
    )
