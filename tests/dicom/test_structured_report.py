"""Structured reports of readings: read back the same, sound by the standard, silent about whom."""

from __future__ import annotations

import warnings
from dataclasses import replace
from datetime import timedelta
from io import BytesIO

import highdicom.sr
import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from mr_objects import encoded, mr
from pydicom import dcmread
from pydicom.sr import _concepts_dict, codedict
from structured_samples import (
    SIGNED_AT,
    complaints,
    context,
    film,
    image,
    reading,
    to_bytes,
)

import form_samples as forms  # isort: skip - structured_samples makes it known

from imgtrack.dicom.structured import (
    SCHEME,
    Place,
    defined,
    faults_of,
    read_report,
    report_of,
    save,
)
from imgtrack.dicom.structured.scheme import PUBLISHED
from imgtrack.domain import scales
from imgtrack.domain.errors import InvalidInput
from imgtrack.domain.form import Purpose, Reason, derived, review
from imgtrack.domain.reading import Round

SPACINGS = {"2.25.1": (0.2, 0.2)}
FEW = settings(max_examples=12, deadline=None, suppress_health_check=[HealthCheck.too_slow])
POINT_MM = 4e-5
"""A 32 bit number below 512 keeps 2**-15 (IEEE 754); SCOORD3D has such numbers (PS3.3 C.18.9)."""


def back(dataset, **how):
    return read_report(BytesIO(to_bytes(dataset)), **how)


def same(found, expected):
    """Assert equality: words and numbers exact, points to what DICOM keeps."""
    if isinstance(expected, dict):
        assert found.keys() == expected.keys()
        for key, value in expected.items():
            if key == "points" and not isinstance(value, dict):
                np.testing.assert_allclose(found[key], value, rtol=0, atol=POINT_MM)
            elif key == "points":
                assert found[key].keys() == value.keys()
                for name, points in value.items():
                    np.testing.assert_allclose(found[key][name], points, rtol=0, atol=POINT_MM)
            else:
                same(found[key], value)
    elif isinstance(expected, list):
        assert len(found) == len(expected)
        for one, other in zip(found, expected, strict=True):
            same(one, other)
    else:
        assert found == expected
        assert type(found) is type(expected) or isinstance(expected, int | float | str)


def items(content):
    for item in content.get("ContentSequence", ()):
        yield item
        yield from items(item)


@FEW
@given(forms.answer_sets(forms.FULL_MR))
def test_mr_answers_come_back(answers):
    signed = reading(answers, forms.FULL_MR)
    same(back(report_of(signed, context(forms.FULL_MR))).answers, dict(signed.answers))


@FEW
@given(forms.answer_sets(forms.FULL_DX))
def test_answers_on_radiographs_come_back(answers):
    signed = reading(answers, forms.FULL_DX)
    report = report_of(signed, context(forms.FULL_DX))
    same(back(report, spacings=SPACINGS).answers, dict(signed.answers))


@pytest.mark.parametrize("reason", [each.value for each in Reason if each is not Reason.OTHER])
def test_what_is_not_assessable_comes_back_with_its_reason(reason):
    signed = reading(review(forms.MR, forms.unreadable(reason), purpose=Purpose.IMPORT).answers)
    found = back(report_of(signed, context(forms.MR))).answers
    assert found["adequacy tendon"] == {"not_assessable": reason}
    same(found, dict(signed.answers))


def test_a_reading_with_imported_values_has_numbers_and_no_points():
    """A reading from a sheet, of a scan whose images were taken in meanwhile."""
    answers = {
        "tendon defect": {"value": "full-thickness defect"},
        "gap slices": {"coronal oblique": {"count": 2}},
        "tear width": {"mm": 12.5, "origin": "imported"},
        "sugaya": {"value": "IV"},
    }
    signed = reading(review(forms.MR, answers, purpose=Purpose.IMPORT).answers)
    report = report_of(signed, context(forms.MR))
    same(back(report).answers, dict(signed.answers))
    assert not [item for item in items(report) if item.ValueType in {"SCOORD3D", "IMAGE"}]


def test_what_a_reading_was_signed_under_comes_back():
    signed = reading(
        forms.torn(),
        forms.MR,
        round=Round.SETTLING,
        reader="A1",
        key="K7Q2M9XD/2",
        amends="K7Q2M9XD",
        shown=("earlier scans",),
        mismatches=("Sugaya type: V was given, IV is implied",),
    )
    found = back(report_of(signed, context(forms.MR)))
    for name in (
        *("key", "amends", "reader", "round", "protocol_hash", "software_version", "shown"),
        *("mismatches", "active_seconds"),
    ):
        assert getattr(found, name) == getattr(signed, name), name


def test_implied_grades_come_back_marked_as_computed(tmp_path):
    """TID 4019: the program that computed a value; the reader is told by the same report."""
    answers = forms.torn()
    grades = {
        each.question: {
            "possible": list(each.derived.possible),
            "value": each.derived.value,
            "reason": each.derived.reason,
            "flags": [],
            "given": each.given,
        }
        for each in derived(forms.FULL_MR, answers, forms.EVERYTHING)
    }
    report = report_of(reading(answers, derived=grades), context(forms.FULL_MR))
    found = back(report)
    assert complaints(report, tmp_path) == ["Comprehensive3DSR"]
    same(found.answers, answers)
    told = {name: each for name, each in grades.items() if each["possible"] or each["value"]}
    assert {"sugaya", "gfdi", "deorio_cofield", "fuchs supraspinatus"} <= found.implied.keys()
    assert {
        name: {"possible": list(each.possible), "value": each.value, "reason": each.reason}
        for name, each in found.implied.items()
    } == {
        name: {key: each[key] for key in ("possible", "value", "reason")}
        for name, each in told.items()
    }
    content = highdicom.sr.srread(BytesIO(to_bytes(report))).content
    computed = {
        group.tracking_identifier
        for group in content.get_image_measurement_groups()
        if any(item.name.value == "111001" for item in group[0].ContentSequence)  # Algorithm Name
    }
    assert computed == {f"implied grade / {name}" for name in told}
    sites = [
        group.finding_sites[0].value.value
        for group in content.get_image_measurement_groups()
        if group.tracking_identifier == "implied grade / fuchs infraspinatus"
    ]
    assert sites == ["72573008"]


def test_a_number_on_a_scale_comes_back():
    text = forms.STARTER + (
        '\n[[own_scale]]\nid = "extent"\ntitle = "Extent"\ngrades = "extent"\n'
        'modalities = ["MR"]\nrange = {low = 0, high = 10}\n'
    )
    form = forms.form_for(forms.protocol_with("extent", text=text), forms.Modality.MR)
    answers = {"extent": {"value": 3.25}}
    same(back(report_of(reading(answers), context(form))).answers, answers)


def test_an_amendment_names_the_report_it_replaces():
    """PS3.3 section C.17.2, Predecessor Documents Sequence."""
    scan = context(forms.MR)
    first = report_of(reading(forms.torn(), forms.MR), scan)
    second = report_of(reading(forms.torn("V"), forms.MR, key="K/2", amends="K7Q2M9XD"), scan)
    (study,) = second.PredecessorDocumentsSequence
    (series,) = study.ReferencedSeriesSequence
    (before,) = series.ReferencedSOPSequence
    assert series.SeriesInstanceUID == first.SeriesInstanceUID
    assert before.ReferencedSOPInstanceUID == first.SOPInstanceUID != second.SOPInstanceUID


FULL_TORN = forms.torn() | {
    "image_quality": {"value": "good"},
    "implant positions": {
        "implants": [
            {
                **forms.drawn((1, 0, 2)),
                "label": "a / b",
                "seat": "in place",
                "grades": {"peri_implant_fluid": {"value": "2"}},
                "migration": {"not_assessable": "metal"},
            },
            {
                **forms.drawn((1, 0, 2), (3, 0, 4)),
                "label": "2",
                "seat": "proud of the bone",
                "grades": {"peri_implant_fluid": {"not_assessable": "other", "note": "faint"}},
                "migration": {
                    "mm": 1.25,
                    "residual_mm": 0.5,
                    "origin": "suggestion accepted",
                },
            },
        ]
    },
    "occupation ratio": {
        "value": 0.5,
        "muscle": forms.drawn((0, 0, 0), (10, 0, 0), (10, 0, -10), (0, 0, -10), mm2=100.0),
        "fossa": forms.drawn((0, 0, 0), (20, 0, 0), (20, 0.05, -10), (0, 0, -10), mm2=200.0),
        "fossa_roof": "fascia",
    },
    "free note": {"text": "Grün, unklar"},
}
CASES = {
    "torn": (forms.MR, forms.torn()),
    "healed": (forms.MR, forms.intact()),
    "not assessable": (forms.MR, forms.unreadable()),
    "everything": (forms.FULL_MR, FULL_TORN),
    "radiograph": (
        forms.FULL_DX,
        {
            "adequacy radiograph": {"value": "adequate"},
            "acromiohumeral interval": forms.drawn((1.0, 2.0), (4.0, 6.0), mm=5.0),
            "critical shoulder angle": forms.drawn((1, 2), (1, 9), (6, 3), degrees=33.0),
            "implant positions": {"implants": []},
            "hamada": {"value": "1"},
        },
    ),
}


@pytest.mark.parametrize("case", CASES)
def test_reports_are_sound_by_the_standard_and_come_back(case, tmp_path):
    """References: dciodvfy for validity, highdicom's own reader for the template."""
    form, answers = CASES[case]
    report = report_of(reading(answers), context(form))
    assert complaints(report, tmp_path) == ["Comprehensive3DSR"]
    same(back(report, spacings=SPACINGS).answers, answers)
    content = highdicom.sr.srread(BytesIO(to_bytes(report))).content
    outlined = content.get_planar_roi_measurement_groups()
    assert len(outlined) == 2 * ("occupation ratio" in answers)
    groups = {
        each.tracking_identifier for each in (*content.get_image_measurement_groups(), *outlined)
    }
    assert {"signed reading", *answers} - groups == {
        name
        for name in answers
        if name == "gap slices"  # one group for each plane
    }


def test_a_length_can_be_had_from_the_points_in_the_file():
    """By hand: 3, 4, 5; through the general reader of highdicom, not ours."""
    answers = {"tear width": forms.drawn((-30.0, 4.0, 40.0), (-27.0, 4.0, 44.0), mm=5.0)}
    report = report_of(reading(answers), context(forms.MR))
    content = highdicom.sr.srread(BytesIO(to_bytes(report))).content
    width = codedict.codes.SCT.Width
    (measured,) = [
        each
        for group in content.get_image_measurement_groups()
        for each in group.get_measurements(name=width)
    ]
    (points,) = measured.referenced_coordinates
    assert measured.value == 5.0
    assert np.linalg.norm(np.diff(points.value, axis=0)) == pytest.approx(5.0, abs=1e-5)
    assert points.frame_of_reference_uid == "2.25.9003"
    (source,) = measured.referenced_images
    assert source.referenced_sop_instance_uid == "2.25.1"


def test_points_on_a_radiograph_are_pixels_from_the_corner():
    """PS3.3 section C.18.6.1.1: 0.5, 0.5 is the centre of the first pixel; 0.2 mm pixels."""
    answers = {"acromiohumeral interval": forms.drawn((0.0, 0.0), (3.0, 4.0), mm=5.0)}
    report = report_of(reading(answers), context(forms.FULL_DX))
    (points,) = [item for item in items(report) if item.ValueType == "SCOORD"]
    assert list(points.GraphicData) == [0.5, 0.5, 15.5, 20.5]


def test_published_codes_are_those_of_the_standard():
    """Reference: the dictionaries of pydicom, made from PS3.16."""
    scales_own = [
        level.concept
        for name in scales.known()
        for level in scales.get(name).levels
        if level.concept is not None
    ]
    assert scales_own
    for concept in (*PUBLISHED, *scales_own):
        known = {
            code
            for meanings in _concepts_dict.concepts[concept.scheme].values()
            for code in meanings
        }
        assert concept.value in known, concept


def test_all_private_codes_of_a_report_are_defined():
    form, answers = CASES["everything"]
    report = report_of(reading(answers), context(form))
    listed = {each.code: each for each in defined(form, "ab" * 32)}
    used = [
        concept
        for item in items(report)
        for keyword in ("ConceptNameCodeSequence", "ConceptCodeSequence")
        for concept in item.get(keyword, ())
        if concept.CodingSchemeDesignator == SCHEME
    ]
    assert len(used) > 50
    for concept in used:
        code = concept.get("CodeValue") or concept.LongCodeValue
        assert listed[code].meaning == concept.CodeMeaning
        assert listed[code].definition
    (scheme,) = report.CodingSchemeIdentificationSequence
    assert scheme.CodingSchemeDesignator == SCHEME


def test_the_same_reading_gives_the_same_bytes():
    signed, scan = reading(forms.torn(), forms.MR), context(forms.MR)
    once = to_bytes(report_of(signed, scan))
    assert to_bytes(report_of(signed, scan)) == once


@pytest.mark.parametrize("changes", [{"software": "1.2.4"}, {"with_notes": False}])
def test_other_contents_have_another_uid(changes):
    signed = reading(forms.torn(), forms.MR)
    scan = context(forms.MR)
    other = replace(scan, **changes)
    assert report_of(signed, scan).SOPInstanceUID != report_of(signed, other).SOPInstanceUID


def test_a_report_says_no_more_of_the_patient_than_its_images():
    scan = context(forms.MR)
    report = report_of(reading(forms.torn(), forms.MR), scan)
    picture = scan.stored["2.25.1"]
    of_whom = [each for each in report if each.tag.group in {0x0010, 0x0012}]
    assert of_whom
    for element in of_whom:
        assert picture[element.tag].value == element.value
    names = [item.PersonName for item in items(report) if item.ValueType == "PNAME"]
    assert names == ["R1"]
    assert report.ClinicalTrialTimePointID == ""


def test_days_are_moved_as_those_of_the_images():
    report = report_of(reading(forms.torn(), forms.MR), context(forms.MR))
    assert f"{report.ContentDate} {report.ContentTime}" == "20310524 120030"
    content = to_bytes(report)
    true_day = SIGNED_AT
    for day in (true_day, true_day + timedelta(days=1), true_day - timedelta(days=1)):
        assert f"{day:%Y%m%d}".encode() not in content
        assert f"{day:%Y-%m-%d}".encode() not in content


def test_free_texts_are_written_only_where_they_are_wanted():
    form, answers = CASES["everything"]
    signed = reading(answers)
    with_notes = to_bytes(report_of(signed, context(form)))
    without = to_bytes(report_of(signed, context(form, with_notes=False)))
    for words in ("Grün, unklar", "faint", "a / b"):
        assert words.encode() in with_notes
        assert words.encode() not in without
    found = read_report(BytesIO(without)).answers
    assert "free note" not in found
    fluid = found["implant positions"]["implants"][1]["grades"]["peri_implant_fluid"]
    assert fluid == {"not_assessable": "other"}


def test_scales_of_two_studies_under_one_name_are_told_apart():
    text = forms.STARTER + (
        '\n[[own_scale]]\nid = "shine"\ntitle = "Shine"\ngrades = "shine"\n'
        'modalities = ["MR"]\nlevel = [{code = "a", title = "a", criteria = "a", rank = 0}, '
        '{code = "b", title = "b", criteria = "b", rank = 1}]\n'
    )
    protocol = forms.protocol_with("shine", text=text)
    form = forms.form_for(protocol, forms.Modality.MR)
    answers = {"shine": {"value": "b"}}
    codes = set()
    for digest in ("11" * 32, "22" * 32):
        report = report_of(reading(answers, protocol_hash=digest), context(form))
        same(back(report).answers, answers)
        codes |= {
            concept.get("CodeValue") or concept.LongCodeValue
            for item in items(report)
            for concept in item.get("ConceptCodeSequence", ())
            if "shine" in concept.CodeMeaning.lower()
        }
    assert codes == {"shine 1@11111111", "shine 1@22222222"}


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"stored": {"2.25.9": image("2.25.9")}}, "not here any more"),
        ({"places": {}}, "where an image lies"),
        ({"stored": {"2.25.1": image("2.25.1", FrameOfReferenceUID=None)}}, "frame of reference"),
    ],
)
def test_a_reading_whose_images_lack_something_is_told(changes, words):
    signed = reading({"tear width": forms.drawn(mm=5.0)})
    assert faults_of(signed, context(forms.MR)) == []
    (fault,) = faults_of(signed, context(forms.MR, **changes))
    assert words in fault.what
    assert "tear width" in fault.where


def test_a_radiograph_without_spacing_is_told():
    signed = reading({"acromiohumeral interval": forms.drawn((1, 2), (4, 6), mm=5.0)})
    scan = context(forms.FULL_DX, places={("2.25.1", 1): Place(None, None)})
    (fault,) = faults_of(signed, scan)
    assert "spacing" in fault.what
    with pytest.raises(InvalidInput, match="spacing"):
        back(report_of(signed, context(forms.FULL_DX)))


def test_headers_without_what_a_report_takes_over_are_filled():
    bare = film("2.25.1")
    assert bare.AccessionNumber == ""
    lacking = image("2.25.1", AccessionNumber=None, StudyID=None, PatientSex=None)
    assert (lacking.AccessionNumber, lacking.StudyID, lacking.PatientSex) == ("", "", "")


def foreign_report():
    report = report_of(reading(forms.torn(), forms.MR), context(forms.MR))
    for item in report.ContentSequence:
        item.pop("ContentSequence", None)
    return to_bytes(report)


def without_finding():
    report = report_of(reading(forms.torn(), forms.MR), context(forms.MR))
    for item in items(report):
        if item.ValueType == "NUM":
            item.ConceptNameCodeSequence[0].CodeValue = "0"
    return to_bytes(report)


@pytest.mark.parametrize(
    "content",
    [b"", b"a note, no image" * 20, encoded(mr()), foreign_report(), without_finding()],
    ids=["empty", "text", "an image", "no groups", "unknown numbers"],
)
def test_what_is_no_report_of_ours_is_refused(content):
    with pytest.raises(InvalidInput):
        read_report(BytesIO(content))


def test_a_saved_report_is_read_from_its_file(tmp_path):
    path = tmp_path / "deep" / "report.dcm"
    save(report_of(reading(forms.torn(), forms.MR), context(forms.MR)), path)
    assert [each.name for each in path.parent.iterdir()] == ["report.dcm"]
    assert read_report(path).reader == "R1"
    assert dcmread(path).SOPInstanceUID.startswith("2.25.")
    with pytest.raises(InvalidInput, match="cannot be read"):
        read_report(tmp_path / "other.dcm")


def test_a_damaged_report_is_read_or_refused():
    content = to_bytes(report_of(reading(forms.torn(), forms.MR), context(forms.MR)))
    rng = np.random.default_rng(11)
    refused = 0
    for _ in range(40):
        damaged = np.frombuffer(content, dtype=np.uint8).copy()
        damaged[rng.integers(132, len(content), 4)] = rng.integers(0, 256, 4)
        try:
            with warnings.catch_warnings():
                warnings.simplefilter("ignore")  # pydicom's, of what it reads
                read_report(BytesIO(damaged.tobytes()))
        except InvalidInput:
            refused += 1
    assert refused > 10
