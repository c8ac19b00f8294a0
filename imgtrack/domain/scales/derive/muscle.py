"""Fatty infiltration and atrophy from grades, areas and heights."""

from __future__ import annotations

from types import MappingProxyType
from typing import TYPE_CHECKING

from imgtrack.domain.errors import Fault, InvalidInput
from imgtrack.domain.scales.derive.result import (
    Derived,
    Flag,
    check_positive,
    lacking,
    named,
)
from imgtrack.domain.scales.registry import get

if TYPE_CHECKING:
    from collections.abc import Mapping

FUCHS_OF_GOUTALLIER: Mapping[str, str] = MappingProxyType(
    {"0": "normal", "1": "normal", "2": "moderate", "3": "severe", "4": "severe"}
)
"""The three grades of Fuchs 1999 in terms of Goutallier's five."""


def fuchs(*, goutallier: str | None) -> Derived:
    """Return the Fuchs grade of a muscle from its Goutallier grade.

    Raises
    ------
    InvalidInput
        If the code is no Goutallier grade.

    References
    ----------
    Fuchs B et al. J Shoulder Elbow Surg 1999;8:599-605.
    """
    inputs = named(goutallier=goutallier)
    if goutallier is None:
        return lacking("fuchs", "1999", inputs)
    grade = get("goutallier").level(goutallier)
    return Derived(
        scale="fuchs",
        version="1999",
        possible=(FUCHS_OF_GOUTALLIER[grade.code],),
        reason=f"Goutallier {grade.code}",
        inputs=inputs,
    )


def gfdi(
    *, supraspinatus: str | None, infraspinatus: str | None, subscapularis: str | None
) -> Derived:
    """Return the global fatty degeneration index: the mean Goutallier grade of three muscles.

    Parameters
    ----------
    supraspinatus, infraspinatus, subscapularis
        Goutallier grades ``"0"`` to ``"4"``; ``None`` when not assessable.

    Returns
    -------
    Derived
        With ``value`` from 0 to 4; ``None`` unless all three muscles are graded.

    Raises
    ------
    InvalidInput
        If a code is no Goutallier grade.

    References
    ----------
    Goutallier D et al. J Shoulder Elbow Surg 2003;12:550-4.
    """
    inputs = named(
        supraspinatus=supraspinatus, infraspinatus=infraspinatus, subscapularis=subscapularis
    )
    scale = get("goutallier")
    graded = (supraspinatus, infraspinatus, subscapularis)
    ranks = [scale.level(code).rank for code in graded if code is not None]
    if len(ranks) < len(graded):
        return lacking("gfdi", "2003", inputs)
    return Derived(
        scale="gfdi",
        version="2003",
        possible=(),
        value=sum(ranks) / len(ranks),
        reason="mean of three muscles",
        inputs=inputs,
    )


def thomazeau(*, occupation_ratio: float | None) -> Derived:
    """Return the stage of atrophy from the occupation ratio.

    Parameters
    ----------
    occupation_ratio
        Area of the supraspinatus over area of its fossa at the Y view, see
        :func:`imgtrack.measure.muscle.occupation_ratio`.

    Returns
    -------
    Derived
        I from 0.60 up, II from 0.40 to below 0.60, III below 0.40 (to which stage the limits
        belong is our rule). A ratio above one is flagged: the outlines should be looked at.

    Raises
    ------
    InvalidInput
        If the ratio is not above zero.

    References
    ----------
    Thomazeau H et al. Acta Orthop Scand 1996;67:264-8.
    """
    check_positive(occupation_ratio=occupation_ratio)
    inputs = named(occupation_ratio=occupation_ratio)
    if occupation_ratio is None:
        return lacking("occupation_ratio", "1996", inputs)
    stage = "III" if occupation_ratio < 0.40 else "II" if occupation_ratio < 0.60 else "I"
    return Derived(
        scale="occupation_ratio",
        version="1996",
        possible=(stage,),
        flags=(Flag.RATIO_ABOVE_ONE,) if occupation_ratio > 1 else (),
        reason=f"occupation ratio {occupation_ratio:.2f}",
        inputs=inputs,
    )


def tangent_sign(*, height_above_line_mm: float | None) -> Derived:
    """Return the tangent sign from how far the muscle reaches above the line.

    Parameters
    ----------
    height_above_line_mm
        Greatest signed height of the supraspinatus above the line from the top of the scapular
        spine to the top of the coracoid, see
        :func:`imgtrack.measure.muscle.height_above_line`.

    Returns
    -------
    Derived
        ``negative`` when the muscle crosses above the line, ``positive`` when it only touches
        it or stays below.

    Raises
    ------
    InvalidInput
        If the height is not finite.

    References
    ----------
    Zanetti M, Gerber C, Hodler J. Invest Radiol 1998;33:163-70.
    """
    inputs = named(height_above_line_mm=height_above_line_mm)
    if height_above_line_mm is None:
        return lacking("tangent_sign", "1998", inputs)
    if not abs(height_above_line_mm) < float("inf"):
        what, found = "height_above_line_mm cannot be used", repr(height_above_line_mm)
        raise InvalidInput(Fault(what, expected="a finite number", found=found))
    return Derived(
        scale="tangent_sign",
        version="1998",
        possible=("negative",) if height_above_line_mm > 0 else ("positive",),
        reason=f"muscle reaches {height_above_line_mm:+.1f} mm from the line",
        inputs=inputs,
    )
