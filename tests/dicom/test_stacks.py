"""One series becomes the stacks it holds, and what is wrong with them is told."""

from __future__ import annotations

from pathlib import Path

import mr_objects as objects
import numpy as np
import pytest
import SimpleITK
from hypothesis import given, settings
from hypothesis import strategies as st

from imgtrack.dicom.headers import Header
from imgtrack.dicom.regularity import ProblemKind as Kind
from imgtrack.dicom.stacks import Stack, stacks
from imgtrack.domain.imaging import Modality


def made(*groups: list[object]) -> list[Stack]:
    """Return the stacks of objects."""
    return stacks(objects.headers([ds for group in groups for ds in group]))


def kinds(stack: Stack) -> list[Kind]:
    """Return the kinds of a stack's problems."""
    return [problem.kind for problem in stack.problems]


def problem(stack: Stack, kind: Kind) -> str:
    """Return the text of a stack's one problem of a kind."""
    (found,) = [found for found in stack.problems if found.kind is kind]
    return found.text


def uids(stack: Stack) -> list[str]:
    """Return the objects of a stack in its order."""
    return [frame.sop_instance_uid for frame in stack.frames]


def test_slices_are_sorted_by_position_and_not_by_number() -> None:
    slices = objects.series(5)
    for number, ds in enumerate(slices):
        ds.InstanceNumber = 9 - number
    (stack,) = made(slices[::-1])
    assert uids(stack) == [ds.SOPInstanceUID for ds in slices]
    assert stack.is_volume
    assert stack.spacing_mm == pytest.approx(3.3)
    assert stack.gap_mm == pytest.approx(0.3)
    assert stack.coverage_mm == pytest.approx(4 * 3.3 + 3)
    assert (stack.number, stack.of, stack.split_by, stack.problems) == (1, 1, (), ())


def test_the_centre_of_a_stack() -> None:
    """4 x 6 pixels of 0.5 mm from (-120, 0, 80): x -120 + 2.5 * 0.5, z 80 - 1.5 * 0.5."""
    (stack,) = made(objects.series(3))
    assert stack.centre == pytest.approx([-118.75, 3.3, 79.25])


def test_the_normal_is_row_cross_column() -> None:
    """Coronal rows to the left and columns to the feet: the normal points backwards."""
    (stack,) = made(objects.series(3))
    assert stack.planes[0].normal == pytest.approx([0, 1, 0])
    assert [plane.origin[1] for plane in stack.planes] == pytest.approx([0, 3.3, 6.6])


def test_a_three_plane_localizer_with_an_odd_number_of_slices() -> None:
    slices = [
        objects.mr(
            ImageOrientationPatient=list(way), ImagePositionPatient=[5.0 * n, 5.0 * n, 5.0 * n]
        )
        for way, count in ((objects.CORONAL, 3), (objects.SAGITTAL, 1), (objects.AXIAL, 5))
        for n in range(count)
    ]
    found = made(slices)
    assert sorted(len(stack.frames) for stack in found) == [1, 3, 5]
    assert [stack.of for stack in found] == [3, 3, 3]
    assert all(stack.split_by[0].startswith("orientation") for stack in found)
    single = next(stack for stack in found if len(stack.frames) == 1)
    assert kinds(single) == [Kind.SINGLE_SLICE]
    assert (single.spacing_mm, single.gap_mm, single.is_volume) == (None, None, False)


@pytest.mark.parametrize(
    ("attribute", "values", "words"),
    [
        ("EchoTime", [12, 80], ["echo time 12 ms", "echo time 80 ms"]),
        (
            "ImageType",
            [["ORIGINAL", "PRIMARY", word] for word in ("W", "F", "IP", "OP")],
            ["water", "fat", "in phase", "opposed phase"],
        ),
        ("ImageType", [["O", "P", "M"], ["O", "P", "P"]], ["magnitude", "phase"]),
        ("DiffusionBValue", [0.0, 500.0], ["b-value 0", "b-value 500"]),
        (
            "FrameOfReferenceUID",
            ["1.2.3", "1.2.4"],
            ["frame of reference 1", "frame of reference 2"],
        ),
        (
            "PixelSpacing",
            [[0.5, 0.5], [0.6, 0.6]],
            ["pixel size 0.5 x 0.5 mm", "pixel size 0.6 x 0.6 mm"],
        ),
        ("ScanOptions", ["FS", ""], ["sequence SE, FS", "sequence SE"]),
        ("ScanningSequence", ["", "GR"], ["sequence not stated", "sequence GR"]),
        ("DiffusionBValue", [None, 500.0], ["b-value not stated", "b-value 500"]),
        ("TemporalPositionIdentifier", [1, 2, 3], [f"temporal position {n}" for n in (1, 2, 3)]),
        ("InversionTime", [150, 900], ["inversion time 150", "inversion time 900"]),
        ("FlipAngle", [5, 20], ["flip angle 5", "flip angle 20"]),
        ("RepetitionTime", [600, 900], ["repetition time 600", "repetition time 900"]),
        ("TriggerTime", [10, 20], ["trigger time 10", "trigger time 20"]),
        ("EchoNumbers", [1, 2], ["echo number 1", "echo number 2"]),
        ("AcquisitionNumber", [1, 2], ["acquisition 1", "acquisition 2"]),
        (
            "ImageType",
            [["O", "P", "M", "DIS2D"], ["O", "P", "M", "ND"]],
            ["image type O\\P\\M\\DIS2D", "image type O\\P\\M\\ND"],
        ),
    ],
)
def test_images_of_one_place_are_told_apart(
    attribute: str, values: list[object], words: list[str]
) -> None:
    repeats = [objects.series(4, **{attribute: value}) for value in values]
    found = made(*repeats)
    assert [stack.split_by for stack in found] == [(word,) for word in words]
    assert [uids(stack) for stack in found] == [
        [ds.SOPInstanceUID for ds in repeat] for repeat in repeats
    ]
    assert all(stack.is_volume for stack in found)


def test_two_reasons_at_once() -> None:
    repeats = [
        objects.series(3, TemporalPositionIdentifier=time, FlipAngle=flip)
        for time in (1, 2)
        for flip in (5, 20)
    ]
    found = made(*repeats)
    assert [len(stack.frames) for stack in found] == [3] * 4
    assert ("temporal position 2", "flip angle 5") in [stack.split_by for stack in found]


def test_what_varies_from_slice_to_slice_splits_nothing() -> None:
    """Triggered spin echoes have another repetition time for every slice."""
    slices = objects.series(5)
    for number, ds in enumerate(slices):
        ds.RepetitionTime = 600 + number
        ds.AcquisitionNumber = ds.EchoNumbers = number
        ds.EchoTime = 12 + 0.01 * number
    (stack,) = made(slices)
    assert len(stack.frames) == 5


def test_images_without_an_echo_time_are_not_mixed_with_others() -> None:
    found = made(objects.series(2, EchoTime=None), objects.series(2, EchoTime=12))
    assert {stack.split_by for stack in found} == {("echo time not stated",), ("echo time 12 ms",)}


def test_two_fields_of_view_in_one_place() -> None:
    aside = objects.series(3)
    for ds in aside:
        ds.ImagePositionPatient = [100, *ds.ImagePositionPatient[1:]]
    found = made(objects.series(3), aside)
    assert [stack.split_by for stack in found] == [
        ("place within the plane 1",),
        ("place within the plane 2",),
    ]


def test_two_multi_frame_objects_of_one_series() -> None:
    positions = [(-120.0, 3.0 * n, 80.0) for n in range(4)]
    found = made([objects.enhanced(positions)], [objects.enhanced(positions)])
    assert [stack.split_by for stack in found] == [("object 1",), ("object 2",)]
    assert [frame.number for frame in found[0].frames] == [1, 2, 3, 4]


def test_repeats_that_nothing_explains_go_by_order() -> None:
    first, second = objects.series(4), objects.series(4)
    for n, ds in enumerate(second):
        ds.InstanceNumber = 5 + n
    found = made(second, first)
    assert [kinds(stack) for stack in found] == [[Kind.REPEATS_BY_ORDER]] * 2
    assert uids(found[0]) == [ds.SOPInstanceUID for ds in first]
    assert found[1].split_by == ("repeat 2 of 2 in order of acquisition",)


def test_a_duplicate_slice_is_set_aside_and_told() -> None:
    again = objects.mr(ImagePositionPatient=[-120, 6.6, 80], InstanceNumber=9)
    found = made(objects.series(5), [again])
    assert [len(stack.frames) for stack in found] == [5, 1]
    assert kinds(found[0]) == [Kind.DUPLICATE_SLICES]
    assert problem(found[0], Kind.DUPLICATE_SLICES).startswith("1 of 5 places hold several images")
    assert found[0].is_volume


def test_missing_slices_are_counted() -> None:
    slices = objects.series(10)
    del slices[7], slices[2:4]
    (stack,) = made(slices)
    assert kinds(stack) == [Kind.MISSING_SLICES]
    text = problem(stack, Kind.MISSING_SLICES)
    assert (
        text == "3 slices are missing at a distance of 3.300 mm: 2 after slice 2, 1 after slice 5"
    )
    assert stack.problems[0].slices == (1, 4)
    assert not stack.is_volume


def test_uneven_spacing_is_told() -> None:
    slices = objects.series(6)
    slices[3].ImagePositionPatient = [-120, 10.4, 80]
    (stack,) = made(slices)
    assert kinds(stack) == [Kind.UNEVEN_SPACING]
    text = problem(stack, Kind.UNEVEN_SPACING)
    assert text == "slices lie 2.800 to 3.800 mm apart, usually 3.300 mm"
    assert stack.problems[0].slices == (2, 3)


def test_rounding_is_not_uneven() -> None:
    slices = objects.series(6)
    for ds in slices:
        ds.ImagePositionPatient = [-120, round(float(ds.ImagePositionPatient[1]), 2), 80]
    assert made(slices)[0].is_volume


def test_a_sheared_stack_is_told() -> None:
    slices = objects.series(4)
    for n, ds in enumerate(slices):
        ds.ImagePositionPatient = [-120 + 0.5 * n, 3.3 * n, 80]
    (stack,) = made(slices)
    assert kinds(stack) == [Kind.SHEARED]
    assert "1.500 mm beside" in problem(stack, Kind.SHEARED)


def test_a_slice_that_is_not_parallel_leaves_its_stack() -> None:
    slices = objects.series(5)
    tilt = np.radians(3)
    slices[2].ImageOrientationPatient = [1, 0, 0, 0, float(np.sin(tilt)), float(-np.cos(tilt))]
    found = made(slices)
    assert [len(stack.frames) for stack in found] == [4, 1]
    assert "3.00 to 3.00 degrees" in problem(found[0], Kind.NOT_PARALLEL)
    assert problem(found[0], Kind.MISSING_SLICES).endswith("1 after slice 2")
    assert Kind.NOT_PARALLEL in kinds(found[1])


def test_stated_spacing_and_location_are_only_compared() -> None:
    slices = objects.series(4, SpacingBetweenSlices=2)
    for n, ds in enumerate(slices):
        ds.SliceLocation = 5.0 * n
    (stack,) = made(slices)
    assert stack.spacing_mm == pytest.approx(3.3)
    assert stack.is_volume
    expected = "headers state 2 mm between slices, positions give 3.300 mm"
    assert problem(stack, Kind.STATED_SPACING) == expected
    assert "5.000 to 5.000 mm apart" in problem(stack, Kind.STATED_LOCATION)


def test_stated_values_that_agree_are_no_problem() -> None:
    slices = objects.series(4, SpacingBetweenSlices=3.3)
    for n, ds in enumerate(slices):
        ds.SliceLocation = -700 - 3.3 * n
    assert made(slices)[0].problems == ()


def copies(ds: object, **changes: object) -> list[Header]:
    """Return the headers of an object and of a copy of it in another file."""
    import copy

    from imgtrack.dicom.headers import read_header

    other = copy.deepcopy(ds)
    objects.change(other, changes)
    labels = {"first": ds, "second": other}
    return [read_header(objects.source(each, label)) for label, each in labels.items()]


def test_copies_are_used_once() -> None:
    slices = objects.series(3)
    headers = [*copies(slices[0])[::-1], *objects.headers(slices[1:])]
    (stack,) = stacks(headers)
    assert len(stack.frames) == 3
    assert kinds(stack) == [Kind.COPIES]
    assert stack.problems[0].slices == (0,)
    assert stack.frames[0].source.label == "first"
    assert stack.is_volume


def test_copies_that_differ_are_told() -> None:
    slices = objects.series(3)
    headers = [*copies(slices[0], SliceThickness=9), *objects.headers(slices[1:])]
    (stack,) = stacks(headers)
    assert kinds(stack) == [Kind.CONFLICTING_COPIES]
    assert stack.frames[0].thickness_mm == 3
    assert not stack.is_volume


def test_radiographs_are_stacks_of_their_own() -> None:
    first = objects.radiograph()
    headers = [*copies(first), *objects.headers([objects.radiograph()])]
    found = stacks(headers)
    assert [(stack.number, stack.of, len(stack.frames)) for stack in found] == [
        (1, 2, 1),
        (2, 2, 1),
    ]
    assert sorted(kinds(stack) for stack in found) == [[], [Kind.COPIES]]
    stack = next(stack for stack in found if not stack.problems)
    assert stack.header.modality is Modality.DIGITAL_RADIOGRAPHY
    assert (stack.planes, stack.centre, stack.coverage_mm, stack.spacing_mm) == (
        (),
        None,
        None,
        None,
    )


def test_series_are_kept_apart() -> None:
    found = made(objects.series(2), objects.series(3, SeriesInstanceUID="1.2.77"))
    assert [(stack.of, len(stack.frames)) for stack in found] == [(1, 2), (1, 3)]


def test_slices_hardly_parallel_and_far_aside_have_no_order() -> None:
    """Tilted within tolerance, but so far aside that each lies behind the other."""
    tilt = 4e-4
    along = [1, 0, 0, 0, 0, -1]
    across = [1, tilt, 0, 0, 0, -1]
    far = [
        objects.mr(ImagePositionPatient=[0, 0, 0], ImageOrientationPatient=across),
        objects.mr(ImagePositionPatient=[90000, 1, 0], ImageOrientationPatient=along),
    ]
    (stack,) = made(far)
    assert kinds(stack) == [Kind.NO_ORDER]
    assert stack.spacing_mm is None
    assert not stack.is_volume


MIXTURE = objects.headers(
    [
        *objects.series(4, TemporalPositionIdentifier=1),
        *objects.series(4, TemporalPositionIdentifier=2),
        *objects.series(3, ImageOrientationPatient=list(objects.AXIAL)),
        *objects.series(3, EchoTime=80),
        objects.enhanced([(-120, 3.0 * n, 80) for n in range(3)]),
    ]
)


@settings(max_examples=40, deadline=None, derandomize=True)
@given(st.permutations(MIXTURE))
def test_the_order_of_files_does_not_matter(headers: list[Header]) -> None:
    def told(found: list[Stack]) -> list[tuple[object, ...]]:
        return [(uids(stack), stack.split_by, stack.problems, stack.number) for stack in found]

    assert told(stacks(headers)) == told(stacks(MIXTURE))
    images = [(f.sop_instance_uid, f.number) for stack in stacks(headers) for f in stack.frames]
    assert len(images) == len(set(images)) == sum(len(header.frames) for header in MIXTURE)


def rotation(angles: tuple[float, float, float]) -> np.ndarray:
    """Return a rotation matrix."""
    x, y, z = np.radians(angles)
    about_x = [[1, 0, 0], [0, np.cos(x), -np.sin(x)], [0, np.sin(x), np.cos(x)]]
    about_y = [[np.cos(y), 0, np.sin(y)], [0, 1, 0], [-np.sin(y), 0, np.cos(y)]]
    about_z = [[np.cos(z), -np.sin(z), 0], [np.sin(z), np.cos(z), 0], [0, 0, 1]]
    return np.array(about_z) @ np.array(about_y) @ np.array(about_x)


@pytest.mark.parametrize("angles", [(0, 0, 0), (20, -35, 10), (-80, 15, 140), (5, 175, -60)])
def test_points_are_where_simpleitk_puts_them(
    angles: tuple[float, float, float], tmp_path: Path
) -> None:
    """SimpleITK 2 as reference: index to physical point of the same files, to 1e-6 mm."""
    turned = rotation(angles)
    for number, ds in enumerate(objects.series(7, PixelSpacing=[0.45, 0.7])):
        ds.ImageOrientationPatient = [f"{v:.14f}"[:16] for v in (*turned[:, 0], *turned[:, 1])]
        position = np.array([-80, 31, 12]) + 3.3 * number * turned[:, 2]
        ds.ImagePositionPatient = [f"{v:.12f}"[:16] for v in position]
        (tmp_path / f"{9 - number}.dcm").write_bytes(objects.encoded(ds))
    from imgtrack.dicom.headers import read_header
    from imgtrack.dicom.sources import sources

    (stack,) = stacks([read_header(source) for source in sources([tmp_path])])
    assert stack.is_volume
    image = SimpleITK.ReadImage([str(frame.source.path) for frame in stack.frames])
    assert image.GetSize() == (6, 4, 7)
    for place, plane in enumerate(stack.planes):
        for row, column in ((0, 0), (3, 0), (0, 5), (3, 5)):
            theirs = image.TransformIndexToPhysicalPoint((column, row, place))
            ours = plane.to_patient([(row, column)])[0]
            assert ours == pytest.approx(theirs, abs=1e-6)
