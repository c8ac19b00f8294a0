"""Integrity of a repair from gap slices, thickness and signal."""

from __future__ import annotations

from typing import TYPE_CHECKING

from imgtrack.domain.errors import Fault, InvalidInput
from imgtrack.domain.scales.derive.result import (
    Derived,
    Flag,
    check_not_negative,
    lacking,
    named,
    not_recorded,
)
from imgtrack.domain.scales.registry import versions

if TYPE_CHECKING:
    from collections.abc import Mapping

    from imgtrack.domain.scales.derive.result import Input

MOST_SLICES_MINOR = 2
"""A gap in more slices than this, in any plane, is a major discontinuity (Sugaya 2007)."""

HALF_THICKNESS = 0.5
"""A continuous tendon thinner than this share of normal is type III (Sugaya 2007)."""


def sugaya(
    *,
    coronal_gap_slices: int | None,
    sagittal_gap_slices: int | None,
    thickness_ratio: float | None,
    high_signal: bool | None,
    version: str = "2007",
) -> Derived:
    """Return the Sugaya type that a reader's findings imply.

    Parameters
    ----------
    coronal_gap_slices, sagittal_gap_slices
        Number of slices of the coronal and the sagittal oblique series in which the tendon is
        interrupted over its full thickness.
    thickness_ratio
        Tendon thickness over normal thickness, by the reference the protocol states. Not used
        when there is a gap.
    high_signal
        Whether any area within the tendon is bright. Not used when there is a gap or the tendon
        is thin.
    version
        ``"2007"`` or ``"2005"``.

    Returns
    -------
    Derived
        A gap in both planes is IV when neither has more than two slices and V otherwise, with a
        flag when only one plane has more than two (the source leaves that open; our rule). A gap
        in one plane only implies nothing and is flagged. Without a gap, less than half of the
        normal thickness is III; else bright signal is II and none is I. A missing count implies
        nothing; a missing thickness or signal leaves the types that remain. The wording of 2005
        has neither a number of slices nor a fraction of thickness and implies only whether the
        tendon is continuous.

    Raises
    ------
    InvalidInput
        If a number is negative or not finite, or the version is unknown.

    References
    ----------
    Sugaya H et al. J Bone Joint Surg Am 2007;89:953-60. Sugaya H et al. Arthroscopy
    2005;21:1307-16. Wording recalled.
    """
    check_not_negative(
        coronal_gap_slices=coronal_gap_slices,
        sagittal_gap_slices=sagittal_gap_slices,
        thickness_ratio=thickness_ratio,
    )
    if version not in versions("sugaya"):
        expected = " or ".join(versions("sugaya"))
        raise InvalidInput(Fault("no such Sugaya version", expected=expected, found=repr(version)))
    counts = named(coronal_gap_slices=coronal_gap_slices, sagittal_gap_slices=sagittal_gap_slices)
    if coronal_gap_slices is None or sagittal_gap_slices is None:
        return lacking("sugaya", version, counts)
    tendon = named(thickness_ratio=thickness_ratio, high_signal=high_signal)
    inputs = named(**counts, **tendon)
    if (coronal_gap_slices == 0) != (sagittal_gap_slices == 0):
        return Derived(
            scale="sugaya",
            version=version,
            possible=(),
            flags=(Flag.GAP_IN_ONE_PLANE,),
            reason="a gap in one plane only is not defined by the source: look again",
            inputs=inputs,
        )
    is_torn = coronal_gap_slices > 0
    if version == "2005":
        return _first_wording(inputs, is_torn=is_torn)
    if is_torn:
        return _torn(coronal_gap_slices, sagittal_gap_slices, inputs)
    return _continuous(inputs, tendon, ratio=thickness_ratio, high_signal=high_signal)


def _torn(coronal: int, sagittal: int, inputs: Mapping[str, Input]) -> Derived:
    fewest, most = sorted((coronal, sagittal))
    is_major = most > MOST_SLICES_MINOR
    disagree = is_major and fewest <= MOST_SLICES_MINOR
    limit = "more than" if is_major else "at most"
    return Derived(
        scale="sugaya",
        version="2007",
        possible=("V",) if is_major else ("IV",),
        flags=(Flag.PLANES_DISAGREE,) if disagree else (),
        reason=f"gap in {coronal} coronal and {sagittal} sagittal slices, {limit} 2",
        inputs=inputs,
    )


def _continuous(
    inputs: Mapping[str, Input],
    tendon: Mapping[str, Input],
    *,
    ratio: float | None,
    high_signal: bool | None,
) -> Derived:
    sufficient = {None: ("I", "II"), True: ("II",), False: ("I",)}[high_signal]
    if ratio is None:
        possible, reason = (*sufficient, "III"), "continuous"
    elif ratio < HALF_THICKNESS:
        possible, reason = ("III",), f"continuous, thickness {ratio:.2f} of normal, below half"
    else:
        possible, reason = sufficient, f"continuous, thickness {ratio:.2f} of normal"
    if len(possible) > 1:
        reason += f"; {not_recorded(tendon)}"
    return Derived(
        scale="sugaya",
        version="2007",
        possible=possible,
        flags=(Flag.INPUT_MISSING,) if len(possible) > 1 else (),
        reason=reason,
        inputs=inputs,
    )


def _first_wording(inputs: Mapping[str, Input], *, is_torn: bool) -> Derived:
    return Derived(
        scale="sugaya",
        version="2005",
        possible=("IV", "V") if is_torn else ("I", "II", "III"),
        flags=(Flag.NO_PUBLISHED_LIMIT,),
        reason=("gap in both planes" if is_torn else "continuous")
        + "; the wording of 2005 gives no number to choose by",
        inputs=inputs,
    )
