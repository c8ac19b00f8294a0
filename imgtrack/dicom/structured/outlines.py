"""Outlines of a signed reading as segmentations (PS3.3 A.51): one object per series outlined on."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from highdicom import AlgorithmIdentificationSequence
from highdicom.seg import SegmentAlgorithmTypeValues, Segmentation, SegmentDescription
from pydicom.sr.codedict import codes

from imgtrack.dicom.structured.content import PROGRAM, Groups
from imgtrack.dicom.structured.context import codes_as_names
from imgtrack.dicom.structured.drawing import code
from imgtrack.dicom.structured.findings import findings_of
from imgtrack.dicom.structured.report import SERIES_NUMBER, stamp
from imgtrack.dicom.structured.scheme import (
    BODY_STRUCTURE,
    CUFF_TENDON,
    DELTOID,
    FOSSA,
    MUSCLES,
    TENDON,
    own,
)
from imgtrack.domain.form import Origin, names
from imgtrack.domain.protocol import Measure
from imgtrack.measure.regions import inside

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray
    from pydicom.dataset import Dataset

    from imgtrack.dicom.structured.context import Context
    from imgtrack.dicom.structured.findings import Finding, Image
    from imgtrack.domain.reading import Reading
    from imgtrack.domain.scales import Concept
    from imgtrack.measure.plane import PlaneGeometry

STRUCTURES: Mapping[str, Concept] = {
    "muscle": MUSCLES[names.SUPRASPINATUS],
    "fossa": FOSSA,
    "tendon": CUFF_TENDON,
    Measure.FAT_FRACTION.value: MUSCLES[names.SUPRASPINATUS],
}
"""What an outline is of, by the part of the question, or the question where it has none."""

REFERENCES: Mapping[str, Concept] = {"deltoid": DELTOID, "subscapularis tendon": TENDON}
"""The tissue a signal is compared with, by the reader's word."""


@dataclass(frozen=True, slots=True)
class Outline:
    """A finding whose points go round an area, and the one image they lie on."""

    finding: Finding
    image: Image
    plane: PlaneGeometry


@codes_as_names()
def outlines_of(reading: Reading, context: Context) -> list[Dataset]:
    """Return the outlines of a reading as segmentations, one for each series they lie on.

    An object of several frames has one of its own. A pixel belongs to an outline when its centre
    lies inside. The exact points stand in the report; a segment and its measurement group share a
    tracking UID.

    Parameters
    ----------
    reading, context
        As for `imgtrack.dicom.structured.report.report_of`.

    Returns
    -------
    list of Dataset
        Empty when nothing was outlined.
    """
    by_source: defaultdict[str, list[Outline]] = defaultdict(list)
    for finding in findings_of(reading.answers):
        if not finding.is_outline:
            continue
        (image,) = finding.images
        if (plane := context.places[image].plane) is not None:
            outline = Outline(finding, image, plane)
            by_source[_source(context.stored[image[0]])].append(outline)
    return [
        _segmentation(reading, context, source, number, outlines)
        for number, (source, outlines) in enumerate(sorted(by_source.items()), 1)
    ]


def _source(header: Dataset) -> str:
    """Return what images share that one segmentation may be of: size, and series or object."""
    is_multiframe = "PerFrameFunctionalGroupsSequence" in header
    uid = header.SOPInstanceUID if is_multiframe else header.SeriesInstanceUID
    return f"{uid} {header.Rows} {header.Columns}"


def _segmentation(
    reading: Reading, context: Context, source: str, number: int, outlines: Sequence[Outline]
) -> Dataset:
    sources, masks = _masks(context, outlines)
    moment = context.moved_moment(reading.signed_at)
    found = Segmentation(
        source_images=sources,
        pixel_array=masks,
        segmentation_type="BINARY",
        segment_descriptions=[
            _segment(reading, context, place, each.finding)
            for place, each in enumerate(outlines, 1)
        ],
        series_instance_uid=context.uid(f"outline series {source}", reading.key),
        series_number=SERIES_NUMBER + 1,
        sop_instance_uid=context.uid(f"outlines {source}", reading.key),
        instance_number=number,
        manufacturer=PROGRAM,
        manufacturer_model_name=PROGRAM,
        software_versions=context.software,
        device_serial_number=context.software,
        content_label="OUTLINES",
        content_description="Outlines of a signed reading",
        content_creator_name=reading.reader,
        series_description="Outlines of a signed reading",
        content_date=moment.date(),
        content_time=moment.time(),
    )
    stamp(found, moment)
    dimensions = context.uid(f"outline dimensions {source}", reading.key)
    for item in (*found.DimensionOrganizationSequence, *found.DimensionIndexSequence):
        item.DimensionOrganizationUID = dimensions
    return found


def _masks(
    context: Context, outlines: Sequence[Outline]
) -> tuple[list[Dataset], NDArray[np.bool_]]:
    """Return the images that are outlined on, and masks (frame, row, column, segment) on them."""
    images = list(dict.fromkeys(each.image for each in outlines))
    sources = list({uid: context.stored[uid] for uid, _ in images}.values())
    is_multiframe = "PerFrameFunctionalGroupsSequence" in sources[0]
    count = int(sources[0].NumberOfFrames) if is_multiframe else len(images)
    masks = np.zeros((count, *outlines[0].plane.shape, len(outlines)), dtype=np.bool_)
    for segment, each in enumerate(outlines):
        place = each.image[1] - 1 if is_multiframe else images.index(each.image)
        masks[place, :, :, segment] = inside(each.plane, each.finding.points[""])
    return sources, masks


def _segment(
    reading: Reading, context: Context, number: int, finding: Finding
) -> SegmentDescription:
    is_drawn = finding.words.get("origin") in {Origin.DRAWN, Origin.IMPORTED, None}
    kinds = SegmentAlgorithmTypeValues
    return SegmentDescription(
        segment_number=number,
        segment_label=finding.name[:64],
        segmented_property_category=code(BODY_STRUCTURE),
        segmented_property_type=code(_structure(reading, finding)),
        algorithm_type=kinds.MANUAL if is_drawn else kinds.SEMIAUTOMATIC,
        algorithm_identification=None if is_drawn else _suggestion(context),
        tracking_uid=Groups(reading, context).tracking_uid(finding.name),
        tracking_id=finding.name[:64],
    )


def _suggestion(context: Context) -> AlgorithmIdentificationSequence:
    """Name the program whose suggestion a reader took."""
    return AlgorithmIdentificationSequence(
        name=PROGRAM, family=codes.DCM.EdgeDetection, version=context.software
    )


def _structure(reading: Reading, finding: Finding) -> Concept:
    part = finding.path[-1]
    if part == "reference":
        answer: Mapping[str, Any] = reading.answers[finding.path[0]]
        word = answer.get("reference_tissue", "")
        return REFERENCES.get(word, own(f"reference tissue:{word}", word or "reference tissue"))
    return STRUCTURES.get(part, own(finding.name))
