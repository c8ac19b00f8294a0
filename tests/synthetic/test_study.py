"""One examination on disk: what the files say equals what the truth file says."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pydicom
import pytest
import SimpleITK

from synthetic_scans.cohort.plan import plan_cohort
from synthetic_scans.cohort.records import Course, ScanPlan, Trouble
from synthetic_scans.cohort.run import Settings
from synthetic_scans.montage import Series, read_series
from synthetic_scans.phantom.implants import implants
from synthetic_scans.phantom.shoulder import Phantom
from synthetic_scans.study import Remembered, StudyOrder, make_study
from synthetic_scans.study_series import Size, StackSize
from synthetic_scans.writing.identities import traces

TINY = Size(
    matrix=96,
    samples=1,
    coronal=StackSize(10, 4.0, 2.0),
    sagittal=StackSize(10, 4.0, 4.0),
    axial=StackSize(3, 4.0, 4.0),
    radiograph_matrix=96,
    radiograph_step_mm=6.0,
)


@pytest.fixture(scope="module")
def records():
    settings = Settings()
    return plan_cohort(settings.seed, settings.repairs).records


def order_of(records, plan: ScanPlan, folder: Path, **changes) -> StudyOrder:
    (record,) = (record for record in records if record.repair.code == plan.repair)
    return StudyOrder(
        seed=127,
        plan=replace(plan, **changes),
        patient=record.repair.patient,
        accession_number="E2300001",
        scan_folder=folder / "scan",
        truth_file=folder / "truth" / "scan.json",
        size=TINY,
    )


def pick(records, course: Course, timepoint: str) -> ScanPlan:
    return next(
        scan
        for record in records
        if record.repair.course is course and not record.repair.titanium
        for scan in record.scans
        if scan.timepoint == timepoint
    )


def made(records, plan: ScanPlan, folder: Path, **changes):
    order = order_of(records, plan, folder, **changes)
    record = json.loads(make_study(order).read_text())
    return record, read_series(order.scan_folder), order


@pytest.fixture(scope="module")
def torn(records, tmp_path_factory):
    """A retear at 12 months with a Dixon series and a radiograph."""
    plan = pick(records, Course.RETEARS, "m12")
    folder = tmp_path_factory.mktemp("torn")
    return made(records, plan, folder, dixon=True, enhanced=False, radiograph=True)


@pytest.fixture(scope="module")
def healed(records, tmp_path_factory):
    plan = pick(records, Course.HEALS, "m24")
    folder = tmp_path_factory.mktemp("healed")
    return made(records, plan, folder, dixon=False, enhanced=False, radiograph=False)


def datasets(order: StudyOrder) -> list[pydicom.Dataset]:
    return [pydicom.dcmread(path) for path in sorted(order.scan_folder.rglob("*.dcm"))]


def test_an_examination_has_its_series(torn, healed):
    _, series, _ = torn
    assert [one.description for one in series] == [
        "COR OBL PD FS",
        "SAG OBL PD FS",
        "SAG OBL T1",
        "AX PD FS",
        "SAG OBL PD DIXON W",
        "SAG OBL PD DIXON F",
        "SAG OBL PD DIXON IN",
        "SAG OBL PD DIXON OPP",
        "SHOULDER TRUE AP",
    ]
    assert [len(one.pixels) for one in healed[1]] == [10, 10, 10, 3]


def test_the_truth_file_names_every_image_and_its_place(torn):
    record, _, order = torn
    headers = {str(dataset.SOPInstanceUID): dataset for dataset in datasets(order)}
    named = 0
    for series in record["series"]:
        for uid, file, position in zip(
            series["sop_uids"], series["files"], series["positions"], strict=True
        ):
            header = headers[uid]
            assert (order.scan_folder / file).is_file()
            np.testing.assert_allclose(header.ImagePositionPatient, position, atol=1e-3)
            orientation = [*series["row"], *series["column"]]
            np.testing.assert_allclose(header.ImageOrientationPatient, orientation, atol=1e-6)
            np.testing.assert_allclose(header.PixelSpacing, series["pixel_mm"], atol=1e-6)
            stack = record["truth"]["stacks"][series["truth_stack"]]
            assert (stack["plane"], stack["slices"]) == (series["plane"], len(series["files"]))
            assert header.SeriesInstanceUID == series["series_uid"]
            assert header.StudyInstanceUID == record["study_uid"]
            assert header.FrameOfReferenceUID == record["frame_of_reference_uid"]
            named += 1
    assert named + len(record["radiograph"]["sop_uids"]) == len(headers)


def test_another_program_sees_the_truth_points_where_the_truth_says(torn):
    """SimpleITK's physical points of the slices of the coronal series, to 0.001 mm."""
    record, _, order = torn
    series = record["series"][0]
    files = [str(order.scan_folder / name) for name in series["files"]]
    for file, position in zip(files, series["positions"], strict=True):
        image = SimpleITK.ReadImage(file)
        np.testing.assert_allclose(image.GetOrigin(), position, atol=1e-3)
        corner = image.TransformIndexToPhysicalPoint((95, 95, 0))
        row, column = np.array(series["row"]), np.array(series["column"])
        expected = position + 95 * (series["pixel_mm"][1] * row + series["pixel_mm"][0] * column)
        np.testing.assert_allclose(corner, expected, atol=1e-3)


def at(series: Series, point: list[float]) -> float:
    """Mean stored value of the pixels around a point, on the nearest slice."""
    place, row, column = series.slice_of(np.array(point))
    r, c = round(row), round(column)
    return float(series.pixels[place, r - 1 : r + 2, c - 1 : c + 2].mean())


def test_the_gap_is_bright_where_the_truth_has_it_and_the_healed_tendon_dark(torn, healed):
    bright = {}
    for name, (record, series, _) in {"torn": torn, "healed": healed}.items():
        muscle = np.percentile(series[1].pixels, 90)
        bright[name] = at(series[1], record["centre_mm"]) / muscle
    assert bright["torn"] > 1.3
    assert bright["healed"] < 0.7


def test_a_medial_failure_is_bright_in_its_gap_and_dark_on_the_footprint(records, tmp_path):
    plan = pick(records, Course.FAILS_MEDIALLY, "m12")
    record, series, _ = made(records, plan, tmp_path, dixon=False, enhanced=False, radiograph=False)
    measured = {m["name"]: m for m in record["truth"]["measurements"]}
    head = np.array(record["truth"]["landmarks"]["head_centre"])
    remnant = np.mean(measured["footprint_remnant"]["points"], axis=0)
    outwards = (remnant - head) / np.linalg.norm(remnant - head)
    tendon = remnant + 0.5 * plan.state.tendon_mm * outwards
    gap, footprint = (at(series[1], point) for point in (record["centre_mm"], tendon))
    assert gap > 2 * footprint


def test_grades_follow_the_course(torn, healed):
    grades = [
        {grade["scale"]: grade["value"] for grade in record["truth"]["grades"]}
        for record in (torn[0], healed[0])
    ]
    assert grades[0]["sugaya_2007"] in ("IV", "V")
    assert grades[1]["sugaya_2007"] == "I"
    assert len(torn[0]["truth"]["stacks"]) == 5


def test_headers_carry_the_identity_of_the_enrolment_sheet(torn):
    _, _, order = torn
    identity = order.patient.identity
    for dataset in datasets(order):
        assert dataset.PatientName == identity.patient_name
        assert dataset.PatientID == identity.patient_id
        assert dataset.PatientBirthDate == identity.birth_date.strftime("%Y%m%d")
        assert dataset.AccessionNumber == order.accession_number
        assert traces(dataset, identity)


def test_no_file_tells_subject_timepoint_or_course(torn):
    _, _, order = torn
    secret = (order.patient.subject.encode(), b"m12", b"retear", order.plan.code.encode())
    for path in order.scan_folder.rglob("*.dcm"):
        header = path.read_bytes()[:6000]
        assert not any(word in header for word in secret)


def test_titanium_shines_on_the_radiograph_where_the_truth_has_it(records, tmp_path):
    titanium = next(r for r in records if r.repair.titanium)
    plan = next(scan for scan in titanium.scans if scan.radiograph)
    record, series, _ = made(records, plan, tmp_path, enhanced=False, dixon=False)
    picture = series[-1].pixels[0]
    anchors = record["radiograph"]["anchors"]
    assert len(anchors) == len(plan.state.condition.anchors)
    for anchor in anchors:
        middle = np.mean([anchor["head_pixel"], anchor["tip_pixel"]], axis=0)
        row, column = np.rint(middle).astype(int)
        around = picture[row - 8 : row + 9, column - 8 : column + 9]
        assert picture[row, column] > np.median(around)
        assert anchor["magnification"] > 1.0


def test_metal_empties_the_tuberosity(records, tmp_path):
    plan = next(s for r in records for s in r.scans if s.metal and s.timepoint == "m03")
    condition = plan.state.condition
    plastic = replace(
        condition,
        anchors=tuple(replace(a, material="peek", bloom_mm=0.0) for a in condition.anchors),
    )
    without = plan.state.with_condition(plastic)
    shown = []
    for name, state in (("metal", plan.state), ("plastic", without)):
        _, series, _ = made(
            records,
            plan,
            tmp_path / name,
            state=state,
            dixon=False,
            enhanced=False,
            radiograph=False,
        )
        beside = [0.5 * (i.head + i.tip) + np.array([0.0, 0.0, 6.0]) for i in implants(state)]
        shown.append(np.mean([at(series[2], point) for point in beside]))
    assert shown[0] < 0.5 * shown[1]


def test_enhanced_examinations_have_one_file_per_series(records, tmp_path):
    plan = pick(records, Course.HEALS, "m06")
    record, series, order = made(
        records, plan, tmp_path, enhanced=True, dixon=False, radiograph=False
    )
    assert len(list(order.scan_folder.rglob("*.dcm"))) == 4
    for one, truth in zip(series, record["series"], strict=True):
        assert len(truth["sop_uids"]) == 1
        np.testing.assert_allclose(one.positions, truth["positions"], atol=1e-3)


@pytest.fixture(scope="module")
def plain(records):
    return pick(records, Course.HEALS, "m12")


def spoiled(records, plan, folder, trouble):
    return made(
        records, plan, folder, trouble=trouble, dixon=False, enhanced=False, radiograph=True
    )


def test_a_wrong_side_label_contradicts_the_position(records, plain, tmp_path):
    record, _, order = spoiled(records, plain, tmp_path, Trouble.WRONG_SIDE)
    right = plain.state.side == "right"
    assert record["trouble"] == "wrong side label"
    for dataset in datasets(order):
        stated = dataset.get("Laterality") or dataset.get("ImageLaterality")
        assert stated == ("L" if right else "R")
    middles = [np.mean(series["positions"], axis=0)[0] for series in record["series"][1:3]]
    assert all(x < 0 for x in middles) is right


def test_a_wrong_plane_is_labelled_sagittal_and_lies_coronal(records, plain, tmp_path):
    record, series, _ = spoiled(records, plain, tmp_path, Trouble.WRONG_PLANE)
    assert series[1].description == "SAG OBL PD FS"
    np.testing.assert_allclose(series[1].row, series[0].row)
    assert record["series"][1]["plane"] == "coronal_oblique"
    assert [stack["plane"] for stack in record["truth"]["stacks"]] == [
        "coronal_oblique",
        "coronal_oblique",
        "sagittal_oblique",
        "axial",
    ]


def test_missing_slices_leave_a_hole_in_the_coronal_series(records, plain, tmp_path):
    record, series, _ = spoiled(records, plain, tmp_path, Trouble.MISSING_SLICES)
    along = series[0].positions @ np.cross(series[0].row, series[0].column)
    steps = np.diff(along)
    assert len(along) == 8
    assert np.max(steps) == pytest.approx(3 * np.min(steps))
    assert record["truth"]["stacks"][0]["slices"] == 8


def test_motion_and_failed_fat_suppression_spoil_the_coronal_series_alone(records, plain, tmp_path):
    found = {
        trouble: spoiled(records, plain, tmp_path / str(trouble), trouble)[1]
        for trouble in (None, Trouble.MOTION, Trouble.FAT_SUPPRESSION)
    }
    clean = found[None]
    for trouble in (Trouble.MOTION, Trouble.FAT_SUPPRESSION):
        for one, other in zip(found[trouble][1:], clean[1:], strict=True):
            np.testing.assert_array_equal(one.pixels, other.pixels)
    air = clean[0].pixels < np.percentile(clean[0].pixels, 10)
    assert found[Trouble.MOTION][0].pixels[air].mean() > 1.5 * clean[0].pixels[air].mean()
    fat = clean[2].pixels > np.percentile(clean[2].pixels, 80)  # fat is bright on T1 ...
    assert fat.any()
    failed, suppressed = found[Trouble.FAT_SUPPRESSION][0].pixels, clean[0].pixels
    assert np.mean(failed) > 1.2 * np.mean(suppressed)  # ... and no longer dark here


def test_the_bytes_depend_on_neither_threads_nor_repetition(records, plain, tmp_path):
    trees = []
    for name, workers in (("one", 1), ("two", 2)):
        order = order_of(records, plain, tmp_path / name, dixon=False, radiograph=True)
        make_study(order, workers=workers)
        files = sorted(path for path in (tmp_path / name).rglob("*") if path.is_file())
        trees.append({str(p.relative_to(tmp_path / name)): p.read_bytes() for p in files})
    assert trees[0] == trees[1]


def test_without_images_only_the_truth_is_written(records, plain, tmp_path):
    order = replace(order_of(records, plain, tmp_path), images=False)
    record = json.loads(make_study(order).read_text())
    assert not order.scan_folder.exists()
    assert "series" not in record
    assert record["truth"]["measurements"]


def test_a_remembered_phantom_answers_as_the_phantom(plain):
    phantom = Phantom(plain.state)
    remembered = Remembered(phantom)
    origin = np.array(plain.state.head_centre_mm) - 20.0
    steps = np.eye(3) * 4.0
    first = phantom.sample_lattice(origin, *steps, (10, 10, 10))
    for _ in range(2):
        again = remembered.sample_lattice(origin, *steps, (10, 10, 10))
        np.testing.assert_array_equal(again.tissue, first.tissue)
    elsewhere = remembered.sample_lattice(origin + 8.0, *steps, (10, 10, 10))
    assert not np.array_equal(elsewhere.tissue, first.tissue)
    points = origin + np.arange(30.0).reshape(10, 3)
    np.testing.assert_array_equal(remembered.sample(points).tissue, phantom.sample(points).tissue)
