"""Retraction, size, shape and depth of a tear from millimetres."""

from __future__ import annotations

from imgtrack.domain.scales.derive.result import (
    Derived,
    Flag,
    check_not_negative,
    check_positive,
    lacking,
    named,
)


def patte_stage(*, stump_mm: float | None, apex_mm: float | None, rim_mm: float | None) -> Derived:
    """Return the Patte stage from three positions on one axis.

    Parameters
    ----------
    stump_mm, apex_mm, rim_mm
        Tip of the tendon stump, apex of the humeral head and superior glenoid rim, as distances
        medially from the lateral edge of the footprint along the axis to the rim, see
        :func:`imgtrack.measure.patte.patte_positions`.

    Returns
    -------
    Derived
        1 when the stump lies lateral to the apex, 2 from the apex to before the rim, 3 at the
        rim or medial to it (our reading of the three descriptions). Nothing when a landmark is
        missing, or when the apex does not lie between footprint edge and rim.

    Raises
    ------
    InvalidInput
        If apex or rim is negative, or any position is not finite.

    References
    ----------
    Patte D. Clin Orthop Relat Res 1990;254:81-6.
    """
    check_not_negative(
        stump_mm=None if stump_mm is None else abs(stump_mm), apex_mm=apex_mm, rim_mm=rim_mm
    )
    inputs = named(stump_mm=stump_mm, apex_mm=apex_mm, rim_mm=rim_mm)
    if stump_mm is None or apex_mm is None or rim_mm is None:
        return lacking("patte_stage", "1990", inputs)
    if not 0 < apex_mm < rim_mm:
        return Derived(
            scale="patte_stage",
            version="1990",
            possible=(),
            flags=(Flag.LANDMARKS_OUT_OF_ORDER,),
            reason="the apex must lie between footprint edge and glenoid rim",
            inputs=inputs,
        )
    stage, where = "1", "lateral to the apex of the head"
    if stump_mm >= rim_mm:
        stage, where = "3", "at or medial to the glenoid rim"
    elif stump_mm >= apex_mm:
        stage, where = "2", "between the apex of the head and the glenoid rim"
    return Derived(
        scale="patte_stage",
        version="1990",
        possible=(stage,),
        reason=f"stump {where}",
        inputs=inputs,
    )


def deorio_cofield(*, greatest_diameter_mm: float | None) -> Derived:
    """Return the DeOrio-Cofield size of a full-thickness tear.

    Parameters
    ----------
    greatest_diameter_mm
        Greatest diameter of the tear in any direction.

    Returns
    -------
    Derived
        ``small`` below 10, ``medium`` below 30, ``large`` below 50, else ``massive``; a value
        on a limit goes to the larger size (the source leaves that open; our rule).

    Raises
    ------
    InvalidInput
        If the diameter is not above zero: no tear is no size.

    References
    ----------
    DeOrio JK, Cofield RH. J Bone Joint Surg Am 1984;66:563-7.
    """
    check_positive(greatest_diameter_mm=greatest_diameter_mm)
    inputs = named(greatest_diameter_mm=greatest_diameter_mm)
    if greatest_diameter_mm is None:
        return lacking("deorio_cofield", "1984", inputs)
    limits = (("small", 10.0), ("medium", 30.0), ("large", 50.0))
    size = next((name for name, limit in limits if greatest_diameter_mm < limit), "massive")
    return Derived(
        scale="deorio_cofield",
        version="1984",
        possible=(size,),
        reason=f"greatest diameter {greatest_diameter_mm:.1f} mm",
        inputs=inputs,
    )


def davidson_burkhart(
    *, length_mm: float | None, width_mm: float | None, arthropathy: bool | None
) -> Derived:
    """Return the Davidson-Burkhart type of a full-thickness tear.

    Parameters
    ----------
    length_mm
        Greatest mediolateral length on the coronal oblique images, straight.
    width_mm
        Greatest anteroposterior width on the sagittal oblique images, straight.
    arthropathy
        Whether the radiograph shows cuff tear arthropathy; ``None`` when there is none.

    Returns
    -------
    Derived
        4 with arthropathy; else 1 when the length is at most the width and below 20 mm, 2 when
        the length is above the width and the width below 20 mm, 3 when both are 20 mm or more.
        Without a radiograph the type is flagged, because it could be 4.

    Raises
    ------
    InvalidInput
        If length or width is not above zero.

    References
    ----------
    Davidson J, Burkhart SS. Arthroscopy 2010;26:417-24. The limit of type 3 is recalled.
    """
    check_positive(length_mm=length_mm, width_mm=width_mm)
    inputs = named(length_mm=length_mm, width_mm=width_mm, arthropathy=arthropathy)
    if arthropathy:
        kind, reason = "4", "cuff tear arthropathy on the radiograph"
    elif length_mm is None or width_mm is None:
        return lacking("davidson_burkhart", "2010", named(length_mm=length_mm, width_mm=width_mm))
    else:
        kind = _shape(length_mm, width_mm)
        reason = f"length {length_mm:.1f} mm, width {width_mm:.1f} mm"
    return Derived(
        scale="davidson_burkhart",
        version="2010",
        possible=(kind,),
        flags=(Flag.RADIOGRAPH_MISSING,) if arthropathy is None else (),
        reason=reason,
        inputs=inputs,
    )


def _shape(length: float, width: float) -> str:
    if min(length, width) >= 20:
        return "3"
    return "1" if length <= width else "2"


def ellman_depth(*, depth_mm: float | None) -> Derived:
    """Return the Ellman grade of a partial-thickness tear.

    Parameters
    ----------
    depth_mm
        Greatest depth of the tear along the normal of the tendon.

    Returns
    -------
    Derived
        I below 3 mm, II from 3 to 6 mm, III above 6 mm.

    Raises
    ------
    InvalidInput
        If the depth is not above zero.

    References
    ----------
    Ellman H. Clin Orthop Relat Res 1990;254:64-74.
    """
    check_positive(depth_mm=depth_mm)
    inputs = named(depth_mm=depth_mm)
    if depth_mm is None:
        return lacking("ellman_depth", "1990", inputs)
    grade = "I" if depth_mm < 3 else "II" if depth_mm <= 6 else "III"
    return Derived(
        scale="ellman_depth",
        version="1990",
        possible=(grade,),
        reason=f"depth {depth_mm:.1f} mm",
        inputs=inputs,
    )
