"""The images of one object: a classic MR slice, the frames of an Enhanced MR, a radiograph."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from imgtrack.dicom.elements import Unreadable
from imgtrack.dicom.records import Frame, Part
from imgtrack.measure.plane import UNIT_TOLERANCE

if TYPE_CHECKING:
    from imgtrack.dicom.sources import Source
    from imgtrack.dicom.values import Values
    from imgtrack.measure.points import Vector

DIRECTION_TOLERANCE = 0.99 * UNIT_TOLERANCE
"""How far direction cosines may be from unit length and right angles: just what a plane takes."""

LARGEST_MM = 1e5
"""Positions and sizes beyond it (100 m) are nonsense."""

LARGEST_SIDE = 65535
FRAME_LIMIT = 100_000

PARTS = {
    Part.WATER: {"W", "WATER"},
    Part.FAT: {"F", "FAT"},
    Part.IN_PHASE: {"IP", "IN_PHASE", "INPHASE", "IN PHASE"},
    Part.OPPOSED_PHASE: {"OP", "OUT_PHASE", "OUTPHASE", "OUT PHASE", "OPP_PHASE", "OPPOSED_PHASE"},
    Part.FAT_FRACTION: {"FF", "FAT_FRACTION", "FATFRACTION"},
    Part.PHASE: {"P", "PHASE", "PHASE MAP", "B0 MAP"},
    Part.REAL: {"R", "REAL"},
    Part.IMAGINARY: {"I", "IMAGINARY"},
    Part.OTHER: {
        *("ADC", "T1_MAP", "T2_MAP", "T2_STAR_MAP", "WATER_FRACTION"),
        *("SUBTRACTION", "MAX_IP", "PROJECTION"),
    },
}
"""Values 3 and up of Image Type or Frame Type (PS3.3 C.7.6.1.1.2, C.8.3.1.1.1, C.8.13.3.1.1) and
the words scanners write there, in the order in which they decide."""


def part_of(image_type: tuple[str, ...]) -> Part:
    """Return what the pixels show, from the values of Image Type or Frame Type."""
    words = {word.upper() for word in image_type[2:]}
    return next((part for part, known in PARTS.items() if words & known), Part.MAGNITUDE)


def classic_frames(values: Values, source: Source, uid: str) -> tuple[Frame, ...]:
    """Return the one image of a classic MR object.

    Raises
    ------
    Unreadable
        If it holds several, or its geometry is missing or impossible.
    """
    _must_be_single(values)
    rows, columns = size(values)
    row, column = directions(values.numbers("ImageOrientationPatient"))
    frame = Frame(
        source=source,
        sop_instance_uid=uid,
        number=1,
        rows=rows,
        columns=columns,
        position=place(values.numbers("ImagePositionPatient")),
        row=row,
        column=column,
        spacing=spacing(values.numbers("PixelSpacing")),
        thickness_mm=positive(values.number("SliceThickness")),
        stated_spacing_mm=values.number("SpacingBetweenSlices"),
        stated_location_mm=values.number("SliceLocation"),
        part=part_of(values.texts("ImageType")),
        echo_number=values.whole("EchoNumbers"),
        temporal_position=values.whole("TemporalPositionIdentifier"),
        acquisition_number=values.whole("AcquisitionNumber"),
        instance_number=values.whole("InstanceNumber"),
        echo_time_ms=values.number("EchoTime"),
        repetition_time_ms=values.number("RepetitionTime"),
        inversion_time_ms=values.number("InversionTime"),
        flip_deg=values.number("FlipAngle"),
        trigger_time_ms=values.number("TriggerTime"),
        b_value=values.number("DiffusionBValue"),
        acquired_at=values.moment("AcquisitionDateTime")
        or values.moment_of("AcquisitionDate", "AcquisitionTime"),
        rescale=rescale(values),
        laterality=values.text("ImageLaterality"),
    )
    return (frame,)


def radiograph_frames(values: Values, source: Source, uid: str) -> tuple[Frame, ...]:
    """Return the one image of a radiograph, which has no place in the patient.

    The spacing is Pixel Spacing where it is stated, else Imager Pixel Spacing, which is that of
    the detector and not corrected for magnification (PS3.3 section 10.7.1.3). Without either the
    image can be looked at and not be measured.

    Raises
    ------
    Unreadable
        If it holds several images or none.
    """
    _must_be_single(values)
    rows, columns = size(values)
    stated = values.numbers("PixelSpacing") or values.numbers("ImagerPixelSpacing")
    frame = Frame(
        source=source,
        sop_instance_uid=uid,
        number=1,
        rows=rows,
        columns=columns,
        spacing=(stated[0], stated[1]) if is_spacing(stated) else None,
        acquisition_number=values.whole("AcquisitionNumber"),
        instance_number=values.whole("InstanceNumber"),
        acquired_at=values.moment_of("AcquisitionDate", "AcquisitionTime"),
        rescale=rescale(values),
        laterality=values.text("ImageLaterality"),
    )
    return (frame,)


def _must_be_single(values: Values) -> None:
    count = values.whole("NumberOfFrames")
    if count is not None and count != 1:
        raise Unreadable("an object of this class holds one image", "1 frame", str(count))


def size(values: Values) -> tuple[int, int]:
    """Return rows and columns; refuse an image without, or in colour."""
    rows, columns = values.whole("Rows"), values.whole("Columns")
    samples = values.whole("SamplesPerPixel")
    if rows is None or columns is None or not (0 < rows <= LARGEST_SIDE >= columns > 0):
        raise Unreadable("the image has no size", "rows and columns", f"{rows} and {columns}")
    colours = values.text("PhotometricInterpretation")
    if samples not in {None, 1} or colours not in {"", "MONOCHROME1", "MONOCHROME2"}:
        found = f"{samples} samples per pixel, {colours}"
        raise Unreadable("the image is in colour", "1 sample per pixel, MONOCHROME", found)
    return rows, columns


def place(found: tuple[float, ...]) -> Vector:
    """Return the centre of the first pixel, patient LPS mm; refuse what is no place."""
    if len(found) != 3 or max(map(abs, found)) > LARGEST_MM:
        raise Unreadable(
            "the image has no place in the patient",
            "Image Position (Patient), 3 numbers in mm",
            str(found) if found else "none",
        )
    return found[0], found[1], found[2]


def directions(found: tuple[float, ...]) -> tuple[Vector, Vector]:
    """Return row and column direction; refuse what is not two unit vectors at right angles."""
    if len(found) == 6:
        row, column = (found[0], found[1], found[2]), (found[3], found[4], found[5])
        lengths = math.hypot(*row), math.hypot(*column)
        cosine = sum(a * b for a, b in zip(row, column, strict=True))
        if max(abs(lengths[0] - 1), abs(lengths[1] - 1), abs(cosine)) <= DIRECTION_TOLERANCE:
            return row, column
    raise Unreadable(
        "the image has no orientation in the patient",
        "Image Orientation (Patient), two unit vectors at right angles",
        str(found) if found else "none",
    )


def is_spacing(found: tuple[float, ...]) -> bool:
    """Whether numbers are mm between rows and between columns."""
    return len(found) == 2 and all(0 < side < LARGEST_MM for side in found)


def spacing(found: tuple[float, ...]) -> tuple[float, float]:
    """Return mm between rows and between columns; refuse what is no size."""
    if not is_spacing(found):
        raise Unreadable(
            "the image has no pixel size",
            "Pixel Spacing, 2 numbers above 0 in mm",
            str(found) if found else "none",
        )
    return found[0], found[1]


def positive(number: float | None) -> float | None:
    """Return a length in mm; ``None`` when it is absent or none."""
    return number if number is not None and 0 < number < LARGEST_MM else None


def rescale(values: Values) -> tuple[float, float]:
    """Return slope and intercept from stored to real values; 1 and 0 when not stated."""
    slope, intercept = values.number("RescaleSlope"), values.number("RescaleIntercept")
    return slope or 1.0, intercept or 0.0
