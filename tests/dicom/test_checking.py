"""What a scan falls short of: planes and weightings, thickness, gap, pixel, field, coverage."""

from __future__ import annotations

import mr_objects as objects
import pytest

from imgtrack.dicom.checking import Shortfall, answers, shortfalls
from imgtrack.dicom.checking import ShortfallKind as Kind
from imgtrack.dicom.naming import NamedStack, name_stack
from imgtrack.dicom.stacks import stacks
from imgtrack.domain.protocol import ExpectedScan

FAT = {"RepetitionTime": 3200, "EchoTime": 40, "ScanOptions": "FS"}


def named(*groups: list[object]) -> list[NamedStack]:
    """Return the named stacks of objects."""
    return [name_stack(s) for s in stacks(objects.headers([ds for g in groups for ds in g]))]


def expected(*series: tuple[str, str], modality: str = "MR", **limits: float) -> ExpectedScan:
    """Return what a protocol may expect."""
    wanted = [{"plane": plane, "weighting": weighting} for plane, weighting in series]
    return ExpectedScan.model_validate({"modality": modality, "series": wanted, **limits})


def kinds(found: tuple[Shortfall, ...]) -> list[Kind]:
    """Return the kinds of shortfalls."""
    return [shortfall.kind for shortfall in found]


def series(count: int = 20, **attributes: object) -> list[object]:
    """Return a coronal series, PD with fat suppression."""
    return objects.series(count, **{**FAT, **attributes})


def axial(count: int = 20, **attributes: object) -> list[object]:
    """Return an axial series, PD with fat suppression."""
    return [
        objects.mr(
            ImageOrientationPatient=list(objects.AXIAL),
            ImagePositionPatient=[-120, 0, 3.3 * n],
            SeriesInstanceUID="1.2.99",
            **{**FAT, **attributes},
        )
        for n in range(count)
    ]


def test_a_scan_that_keeps_every_limit() -> None:
    limits = {
        "max_slice_thickness_mm": 3.0,
        "max_slice_gap_mm": 0.3,
        "max_pixel_mm": 0.5,
        "min_field_tesla": 3.0,
        "min_coverage_mm": 65.7,
    }
    wanted = expected(
        ("coronal oblique", "PD fat suppressed"), ("axial", "fluid sensitive"), **limits
    )
    assert shortfalls(named(series(), axial()), wanted) == ()


@pytest.mark.parametrize(
    ("limit", "value", "kind", "found"),
    [
        ("max_slice_thickness_mm", 2.5, Kind.THICKNESS, "3 mm"),
        ("max_slice_gap_mm", 0.1, Kind.GAP, "0.3 mm"),
        ("max_pixel_mm", 0.4, Kind.PIXEL, "0.5 mm"),
        ("min_field_tesla", 7.0, Kind.FIELD, "3 T"),
        ("min_coverage_mm", 100.0, Kind.COVERAGE, "65.7 mm"),
    ],
)
def test_each_limit(limit: str, value: float, kind: Kind, found: str) -> None:
    wanted = expected(("coronal oblique", "PD fat suppressed"), **{limit: value})
    (shortfall,) = shortfalls(named(series()), wanted)
    assert (shortfall.kind, shortfall.found) == (kind, found)
    assert (shortfall.series_uid, shortfall.stack_number) == ("2.25.9002", 1)
    assert found in shortfall.text


def test_what_is_not_stated_counts_as_a_shortfall() -> None:
    wanted = expected(
        ("coronal oblique", "PD fat suppressed"),
        max_slice_thickness_mm=3,
        max_slice_gap_mm=1,
        min_field_tesla=1.5,
    )
    found = shortfalls(named(series(SliceThickness=None, MagneticFieldStrength=None)), wanted)
    assert kinds(found) == [Kind.THICKNESS, Kind.GAP, Kind.FIELD]
    assert {shortfall.found for shortfall in found} == {"not stated"}


def test_the_gap_comes_from_positions_and_not_from_the_header() -> None:
    wanted = expected(("coronal oblique", "PD fat suppressed"), max_slice_gap_mm=0.2)
    assert kinds(shortfalls(named(series(SpacingBetweenSlices=3.1)), wanted)) == [Kind.GAP]


def test_a_field_stated_as_measured_keeps_its_nominal_limit() -> None:
    wanted = expected(("coronal oblique", "PD fat suppressed"), min_field_tesla=3)
    assert shortfalls(named(series(MagneticFieldStrength=2.89)), wanted) == ()


def test_a_missing_series_names_what_is_there() -> None:
    wanted = expected(("sagittal oblique", "T1"), ("coronal oblique", "PD fat suppressed"))
    (shortfall,) = shortfalls(named(series(), axial()), wanted)
    assert shortfall.kind is Kind.SERIES_MISSING
    assert shortfall.expected == "sagittal oblique T1"
    assert shortfall.found == "axial PD fat suppressed, coronal oblique PD fat suppressed"


def test_the_best_of_several_answers_is_judged() -> None:
    localizer = series(3, SliceThickness=6, SeriesInstanceUID="1.2.50")
    wanted = expected(
        ("coronal oblique", "PD fat suppressed"), max_slice_thickness_mm=3, min_coverage_mm=60
    )
    assert shortfalls(named(localizer, series()), wanted) == ()
    assert kinds(shortfalls(named(localizer), wanted)) == [Kind.THICKNESS, Kind.COVERAGE]


@pytest.mark.parametrize(
    ("attributes", "fluid"),
    [
        ({"ScanOptions": "FS"}, True),
        ({"EchoTime": 80, "ScanOptions": ""}, True),
        ({"EchoTime": 80}, True),
        ({"InversionTime": 160, "ScanningSequence": ["SE", "IR"], "ScanOptions": ""}, True),
        ({"ScanOptions": ""}, False),
        ({"RepetitionTime": 500, "EchoTime": 12}, False),
    ],
)
def test_what_is_fluid_sensitive(attributes: dict[str, object], fluid: bool) -> None:
    """T2, T2 and PD with fat suppression, and STIR: as the protocol's word is defined."""
    found = shortfalls(
        named(series(**attributes)), expected(("coronal oblique", "fluid sensitive"))
    )
    assert (found == ()) is fluid


@pytest.mark.parametrize(
    ("word", "weighting", "does"),
    [
        ("WATER", "Dixon", True),
        ("WATER", "PD fat suppressed", True),
        ("WATER", "fluid sensitive", True),
        ("WATER", "PD", False),
        ("IN_PHASE", "PD", True),
        ("IN_PHASE", "fluid sensitive", False),
        ("FAT", "Dixon", True),
        ("FAT", "PD fat suppressed", False),
    ],
)
def test_what_a_separation_answers(word: str, weighting: str, does: bool) -> None:
    scan = named(series(ImageType=["DERIVED", "PRIMARY", "DIXON", word], ScanOptions=""))
    (wanted,) = expected(("coronal oblique", weighting)).series
    assert answers(scan[0].naming, wanted.weighting) is does


def test_a_separation_of_unknown_contrast_answers_only_as_itself() -> None:
    scan = named(series(ImageType=["DERIVED", "PRIMARY", "DIXON", "WATER"], EchoTime=None))
    (wanted,) = expected(("coronal oblique", "PD fat suppressed")).series
    assert not answers(scan[0].naming, wanted.weighting)


def test_an_unsure_name_is_a_shortfall() -> None:
    found = shortfalls(named(series(ScanOptions=None)), expected(("coronal oblique", "PD")))
    assert kinds(found) == [Kind.NAME_UNSURE]
    assert "fat suppression is unknown" in found[0].text


def test_geometry_that_is_wrong_is_a_shortfall() -> None:
    slices = series(6)
    del slices[3]
    found = shortfalls(named(slices), expected(("coronal oblique", "PD fat suppressed")))
    assert kinds(found) == [Kind.GEOMETRY]
    assert "missing slices: 1 slices are missing" in found[0].text
    single = shortfalls(named(series(1)), expected(("coronal oblique", "PD fat suppressed")))
    assert kinds(single) == [Kind.GEOMETRY]


def test_a_body_part_far_from_the_shoulder_is_told_once() -> None:
    scan = named(series(BodyPartExamined="KNEE"), axial(BodyPartExamined="KNEE"))
    found = shortfalls(scan, expected(("axial", "fluid sensitive")))
    assert [(s.kind, s.found) for s in found] == [(Kind.BODY_PART, "KNEE")]
    for fine in ("SHOULDER", "", "UPPER EXTREMITY", "CHEST"):
        scan = named(axial(BodyPartExamined=fine))
        assert shortfalls(scan, expected(("axial", "fluid sensitive"))) == ()


def test_a_scan_of_another_modality() -> None:
    (shortfall,) = shortfalls(named([objects.radiograph()]), expected(("axial", "T1")))
    assert (shortfall.kind, shortfall.expected) == (Kind.NO_IMAGES, "MR")
    assert kinds(shortfalls([], expected())) == [Kind.NO_IMAGES]


def test_either_kind_of_radiograph_will_do() -> None:
    scan = named([objects.radiograph()])
    for modality in ("DX", "CR"):
        assert shortfalls(scan, expected(modality=modality, max_pixel_mm=0.2)) == ()
        found = shortfalls(scan, expected(modality=modality, max_pixel_mm=0.1))
        assert kinds(found) == [Kind.PIXEL]
    unknown = named([objects.radiograph(ImagerPixelSpacing=None)])
    assert kinds(shortfalls(unknown, expected(modality="DX", max_pixel_mm=0.2))) == [Kind.PIXEL]


def test_without_named_series_every_stack_is_judged() -> None:
    found = shortfalls(named(series(), axial()), expected(max_slice_thickness_mm=2))
    assert kinds(found) == [Kind.THICKNESS, Kind.THICKNESS]
    assert len({shortfall.series_uid for shortfall in found}) == 2


def test_a_stack_that_answers_two_expected_series_is_told_once() -> None:
    wanted = expected(
        ("coronal oblique", "PD fat suppressed"),
        ("coronal oblique", "fluid sensitive"),
        max_slice_thickness_mm=2,
    )
    assert kinds(shortfalls(named(series()), wanted)) == [Kind.THICKNESS]
