"""A fat fraction in reports and segmentations: coded, sound by the standard, and read back.

References: DICOM PS3.16 for the code (129100, DCM, in CID 218 and others), dciodvfy for validity,
highdicom's reader for the template.
"""

from __future__ import annotations

from io import BytesIO

import highdicom.sr
import pytest
from pydicom.sr.codedict import codes
from structured_samples import complaints, context, image, place, reading, to_bytes

import form_samples as forms  # isort: skip - structured_samples makes it known

from imgtrack.dicom.structured import outlines_of, read_report, report_of

SQUARE = [[-10.0, 0.0, 5.0], [0.0, 0.0, 5.0], [0.0, 0.0, -5.0], [-10.0, 0.0, -5.0]]
UIDS = {"drawn": "2.25.1", "fat": "2.25.2", "water": "2.25.3"}
STORED = {
    uid: image(uid, SeriesInstanceUID=f"2.25.9{number}") for number, uid in enumerate(UIDS.values())
}
SCAN = {"stored": STORED, "places": {(uid, 1): place() for uid in STORED}}
ANSWER = {
    "percent": 7.25,
    "sd_percent": 5.5,
    "voxels": 400,
    "mm2": 100.0,
    "points": SQUARE,
    "images": [{"uid": UIDS["drawn"], "frame": 1}],
    "origin": "drawn",
    "fat": {"mean": 12.5, "images": [{"uid": UIDS["fat"], "frame": 1}]},
    "water": {"mean": 160.0, "images": [{"uid": UIDS["water"], "frame": 1}]},
}
ANSWERS = {"fat fraction": ANSWER}


@pytest.fixture(scope="module")
def report():
    return report_of(reading(ANSWERS), context(forms.FULL_MR, **SCAN))


def test_it_is_sound_and_comes_back_with_the_images_it_came_from(report, tmp_path):
    assert complaints(report, tmp_path) == ["Comprehensive3DSR"]
    assert read_report(BytesIO(to_bytes(report))).answers == ANSWERS


def test_mean_and_spread_are_the_published_concept_in_percent(report):
    content = highdicom.sr.srread(BytesIO(to_bytes(report))).content
    (group,) = content.get_planar_roi_measurement_groups()
    assert group.tracking_identifier == "fat fraction"
    (site,) = group.finding_sites
    assert site.value.meaning == "Supraspinatus muscle"
    measured = [each for each in group.get_measurements() if each.name == codes.DCM.FatFraction]
    told = {each.derivation.meaning: (each.value, each.unit.value) for each in measured}
    assert told == {"Mean": (7.25, "%"), "Standard Deviation": (5.5, "%")}


def test_the_outline_is_a_segment_of_the_muscle_on_the_image_it_was_drawn_on(tmp_path):
    (found,) = outlines_of(reading(ANSWERS), context(forms.FULL_MR, **SCAN))
    assert complaints(found, tmp_path) == ["Segmentation"]
    (segment,) = found.SegmentSequence
    (kind,) = segment.SegmentedPropertyTypeCodeSequence
    assert kind.CodeMeaning == "Supraspinatus muscle"
    (series,) = found.ReferencedSeriesSequence
    assert series.SeriesInstanceUID == STORED[UIDS["drawn"]].SeriesInstanceUID
