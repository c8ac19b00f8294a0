"""Outlines as segmentations: the right pixels on the right images, sound by the standard."""

from __future__ import annotations

from io import BytesIO

import highdicom.seg
import numpy as np
import pytest
from mr_objects import enhanced, source
from pydicom import dcmread
from structured_samples import (
    COLUMNS,
    LABELS,
    ROWS,
    complaints,
    context,
    image,
    place,
    reading,
    to_bytes,
)

import form_samples as forms  # isort: skip - structured_samples makes it known

from imgtrack.dicom.structured import Place, outlines_of, report_of, stored_header
from imgtrack.measure.areas import area_of

SQUARE = [(-10.0, 0.0, 5.0), (0.0, 0.0, 5.0), (0.0, 0.0, -5.0), (-10.0, 0.0, -5.0)]
WIDE = [(-15.0, 0.0, 10.0), (5.0, 0.0, 12.0), (5.0, 0.0, -10.0), (-15.0, 0.0, -10.0)]


def part(points, uid="2.25.1", frame=1, origin="drawn", **value):
    images = [{"uid": uid, "frame": frame}]
    places = [list(point) for point in points]
    return {**value, "points": places, "images": images, "origin": origin}


def occupation(muscle=None, fossa=None):
    return {
        "occupation ratio": {
            "value": 0.2,
            "muscle": muscle or part(SQUARE, mm2=100.0),
            "fossa": fossa or part(WIDE, mm2=420.0, origin="suggestion moved"),
            "fossa_roof": "fascia",
        }
    }


def signal(tissue):
    mean = {"mean": 80.0, "sd": 3.0, "voxels": 40}
    away = [(x, 4.0, z) for x, _, z in SQUARE]
    return {
        "signal ratio": {
            "value": 1.0,
            "tendon": part(SQUARE, **mean),
            "reference": part(away, uid="2.25.11", **mean),
            "reference_tissue": tissue,
        }
    }


SLICES = {"2.25.1": 0, "2.25.11": 1}
STORED = {uid: image(uid, number) for uid, number in SLICES.items()}
PLACES = {(uid, 1): place(number) for uid, number in SLICES.items()}


def written(answers, **changes):
    scan = context(forms.FULL_MR, **{"stored": STORED, "places": PLACES, **changes})
    return outlines_of(reading(answers), scan)


def masks(segmentation):
    """Masks by segment number and image, read by pydicom alone."""
    found = {}
    read = dcmread(BytesIO(to_bytes(segmentation)))
    pixels = read.pixel_array.reshape(-1, read.Rows, read.Columns)
    (shared,) = read.SharedFunctionalGroupsSequence
    for frame, mask in zip(read.PerFrameFunctionalGroupsSequence, pixels, strict=True):
        group = frame if "SegmentIdentificationSequence" in frame else shared
        number = int(group.SegmentIdentificationSequence[0].ReferencedSegmentNumber)
        (image_,) = frame.DerivationImageSequence[0].SourceImageSequence
        found[number, image_.ReferencedSOPInstanceUID] = mask.astype(bool)
    return found


def test_a_segment_has_the_area_of_its_outline():
    """A 10 mm square of 0.5 mm pixels: by hand, 100 mm2 within one row of pixels."""
    (found,) = written(occupation())
    pixels = masks(found)
    assert pixels.keys() == {(1, "2.25.1"), (2, "2.25.1")}
    muscle, fossa = pixels[1, "2.25.1"], pixels[2, "2.25.1"]
    assert muscle.shape == (ROWS, COLUMNS)
    assert muscle.sum() * 0.25 == pytest.approx(100.0, abs=10 * 0.5)
    assert fossa.sum() * 0.25 == pytest.approx(area_of(WIDE).mm2, abs=22 * 0.5)
    assert not (muscle & ~fossa).any()
    rows, columns = np.nonzero(muscle)
    assert (rows.min(), rows.max(), columns.min(), columns.max()) == (20, 39, 20, 39)


def test_segments_say_what_they_are_and_which_finding_they_belong_to():
    scan = context(forms.FULL_MR, stored=STORED, places=PLACES)
    signed = reading(occupation())
    (found,) = outlines_of(signed, scan)
    muscle, fossa = found.SegmentSequence
    assert muscle.SegmentedPropertyTypeCodeSequence[0].CodeValue == "6423006"
    assert fossa.SegmentedPropertyTypeCodeSequence[0].CodeValue == "112100"
    assert (muscle.SegmentAlgorithmType, fossa.SegmentAlgorithmType) == ("MANUAL", "SEMIAUTOMATIC")
    content = highdicom.sr.srread(BytesIO(to_bytes(report_of(signed, scan)))).content
    for segment in (muscle, fossa):
        (group,) = content.get_planar_roi_measurement_groups(tracking_uid=segment.TrackingUID)
        assert group.tracking_identifier == segment.TrackingID


@pytest.mark.parametrize(
    ("tissue", "code"),
    [
        ("deltoid", "35259002"),
        ("subscapularis tendon", "13024002"),
        ("other", "reference tissue:other"),
    ],
)
def test_a_reference_region_is_the_tissue_the_reader_named(tissue, code, tmp_path):
    (found,) = written(signal(tissue))
    named = found.SegmentSequence[1].SegmentedPropertyTypeCodeSequence[0]
    assert (named.get("CodeValue") or named.LongCodeValue) == code
    pixels = masks(found)
    assert pixels.keys() == {(1, "2.25.1"), (2, "2.25.11")}
    assert np.array_equal(pixels[1, "2.25.1"], pixels[2, "2.25.11"])
    assert complaints(found, tmp_path) == ["Segmentation"]


def test_segmentations_are_sound_by_the_standard(tmp_path):
    """Reference: dciodvfy; and highdicom's own reader gives the same pixels."""
    (found,) = written(occupation())
    assert complaints(found, tmp_path) == ["Segmentation"]
    read = highdicom.seg.segread(tmp_path / "object.dcm")
    pixels = read.get_pixels_by_source_instance(["2.25.1"], segment_numbers=[1, 2])
    for number in (1, 2):
        assert np.array_equal(pixels[0, :, :, number - 1], masks(found)[number, "2.25.1"])


def test_each_series_has_its_own_segmentation():
    stored = {
        "2.25.1": STORED["2.25.1"],
        "2.25.11": image("2.25.11", 1, SeriesInstanceUID="2.25.8"),
    }
    both = written(signal("deltoid"), stored=stored)
    assert [list(masks(each)) for each in both] == [[(1, "2.25.11")], [(1, "2.25.1")]]  # by UID
    assert len({each.SOPInstanceUID for each in both}) == 2
    assert len({each.SeriesInstanceUID for each in both}) == 2


def test_an_outline_lies_on_the_frame_it_was_drawn_on(tmp_path):
    frames = [(-20, 4 * number, 15) for number in range(3)]
    made = enhanced(
        frames,
        **LABELS | {"PixelData": bytes(2 * 3 * ROWS * COLUMNS), "PixelSpacing": None},
        SOPInstanceUID="2.25.5",
    )
    made.SharedFunctionalGroupsSequence[0].PixelMeasuresSequence[0].SpacingBetweenSlices = 4
    places = {("2.25.5", number + 1): place(number) for number in range(3)}
    away = [(x, 8.0, z) for x, _, z in SQUARE]
    answers = occupation(part(away, "2.25.5", 3, mm2=100.0), part(away, "2.25.5", 3, mm2=100.0))
    stored = {"2.25.5": stored_header(source(made))}
    (found,) = written(answers, stored=stored, places=places)
    read = dcmread(BytesIO(to_bytes(found)))
    assert int(read.NumberOfFrames) == 2
    for frame in read.PerFrameFunctionalGroupsSequence:
        (used,) = frame.DerivationImageSequence[0].SourceImageSequence
        assert used.ReferencedFrameNumber == 3
        at = frame.PlanePositionSequence[0].ImagePositionPatient
        assert [float(each) for each in at] == [-20, 8, 15]
    assert complaints(found, tmp_path) == ["Segmentation"]
    report = report_of(reading(answers), context(forms.FULL_MR, stored=stored, places=places))
    assert complaints(report, tmp_path) == ["Comprehensive3DSR"]


def test_the_same_outlines_give_the_same_bytes():
    (once,), (again,) = written(occupation()), written(occupation())
    assert to_bytes(once) == to_bytes(again)


def test_an_outline_says_no_more_of_the_patient_than_its_images():
    (found,) = written(occupation())
    of_whom = [each for each in found if each.tag.group in {0x0010, 0x0012}]
    assert of_whom
    for element in of_whom:
        assert STORED["2.25.1"][element.tag].value == element.value
    assert found.ContentCreatorName == "R1"
    assert f"{found.ContentDate} {found.InstanceCreationDate}" == "20310524 20310524"


def test_readings_without_outlines_have_no_segmentation():
    assert written(forms.torn(), stored=context(forms.MR).stored) == []
    empty = {"value": 0.0, "covered": {"mm": 0.0, "points": [], "images": [], "origin": "drawn"}}
    assert written({"footprint coverage": empty}) == []


def test_a_place_without_plane_cannot_be_outlined_on():
    """A radiograph has no plane; its form asks no outline, and none is invented."""
    pixels = written(occupation(), places={("2.25.1", 1): Place(None, None)})
    assert pixels == []
