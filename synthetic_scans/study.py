"""One examination on disk: phantom, scanner, DICOM files and the truth beside them."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import time
from itertools import groupby
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from synthetic_scans.cohort.files import write_json
from synthetic_scans.cohort.records import Patient, ScanPlan, Trouble
from synthetic_scans.phantom.shoulder import Phantom
from synthetic_scans.phantom.tissue import Sample, Sampled
from synthetic_scans.planes import frames
from synthetic_scans.scanner import Stack, Weighting, acquire, acquire_dixon
from synthetic_scans.scanner.radiograph import Exposure, expose, true_ap
from synthetic_scans.scanner.sampling import slice_positions
from synthetic_scans.seeds import generator
from synthetic_scans.spec import Side
from synthetic_scans.study_series import DETECTOR_MM, Prescription, Size, prescribe
from synthetic_scans.truth.sections import SliceStack
from synthetic_scans.truth.shoulder import Truth, truth
from synthetic_scans.writing.dx import write_dx
from synthetic_scans.writing.enhanced import write_enhanced
from synthetic_scans.writing.headers import SeriesHeader, StudyHeader, Written
from synthetic_scans.writing.mr import write_series

RADIOGRAPH_SERIES = 90

OTHER: dict[Side, Side] = {"right": "left", "left": "right"}


@dataclass(frozen=True, slots=True)
class StudyOrder:
    """Everything one examination needs, so that it can be made anywhere and in any order.

    Attributes
    ----------
    seed
        Seed of the whole demo study.
    plan, patient
        What is examined, and whose identity goes into the headers.
    accession_number
        Number of the examination in its hospital.
    scan_folder, truth_file
        Where the DICOM files and the truth go.
    size
        How finely it is imaged.
    images
        Whether DICOM files are made; the truth is always written.
    """

    seed: int
    plan: ScanPlan
    patient: Patient
    accession_number: str
    scan_folder: Path
    truth_file: Path
    size: Size
    images: bool = True


class Remembered:
    """A phantom that answers the same lattice twice from memory.

    Series of one geometry ask for the same points, so the second contrast costs no geometry.
    """

    def __init__(self, phantom: Sampled) -> None:
        self._phantom = phantom
        self._held: dict[tuple[bytes, tuple[int, int, int]], Sample] = {}

    def sample(self, points_mm: NDArray[np.float64]) -> Sample:
        """Answer at points, (N, 3) patient LPS mm; not remembered."""
        return self._phantom.sample(points_mm)

    def sample_lattice(
        self,
        origin: NDArray[np.float64],
        step_i: NDArray[np.float64],
        step_j: NDArray[np.float64],
        step_k: NDArray[np.float64],
        shape: tuple[int, int, int],
    ) -> Sample:
        """Answer on a lattice, as the phantom does."""
        key = (np.stack((origin, step_i, step_j, step_k)).tobytes(), shape)
        held = self._held.get(key)
        if held is None:
            held = self._phantom.sample_lattice(origin, step_i, step_j, step_k, shape)
            self._held[key] = held
        return held


@dataclass(frozen=True, slots=True)
class Acquired:
    """One stack, the header of the series it is written as, and the place of its prescription."""

    stack: Stack
    series: SeriesHeader
    place: int


def make_study(order: StudyOrder, *, workers: int = 1) -> Path:
    """Make one examination and return its truth file.

    The truth file is written last and whole: where it exists, the examination is complete.

    Parameters
    ----------
    order
        What to make.
    workers
        Threads; the bytes do not depend on it.
    """
    plan = order.plan
    prescribed = _prescribed(plan, order.seed, order.size)
    record = _truth_record(plan, prescribed)
    if order.images:
        record |= _image(order, prescribed, workers)
    order.truth_file.parent.mkdir(parents=True, exist_ok=True)
    write_json(order.truth_file, record)
    return order.truth_file


def truth_record(plan: ScanPlan, seed: int, size: Size) -> dict[str, Any]:
    """Return what the truth file of an examination says of the shoulder, without imaging it."""
    return _truth_record(plan, _prescribed(plan, seed, size))


def _prescribed(plan: ScanPlan, seed: int, size: Size) -> tuple[Prescription, ...]:
    return prescribe(plan, size, generator(seed, "planes", plan.code))


def _truth_record(plan: ScanPlan, prescribed: Sequence[Prescription]) -> dict[str, Any]:
    """Return what is true of an examination; one stack per prescribed series, in their order."""
    stacks = [
        SliceStack(
            series.acquisition.plane,
            series.frame.row,
            series.frame.column,
            slice_positions(series.acquisition, series.frame)[list(series.acquisition.present)],
        )
        for series in prescribed
    ]
    known = truth(plan.state, stacks)
    return {
        "scan": plan.code,
        "trouble": plan.trouble.value if plan.trouble else None,
        "metal": plan.metal,
        "centre_mm": _centre(plan, known),
        "truth": known.to_json(),
    }


def _centre(plan: ScanPlan, known: Truth) -> list[float]:
    """Return the middle of the gap, or of the tendon where it is whole, patient LPS mm."""
    measured = {m.name: m for m in known.measurements}
    if "defect_retraction_arc" not in measured:
        whole: list[float] = np.mean(measured["tendon_thickness"].points, axis=0).tolist()
        return whole
    arc = measured["defect_retraction_arc"]
    starts = (known.value("footprint_remnant") or 0.0) / arc.value
    on_head = np.array(arc.points[round(0.5 * (starts + 1.0) * (len(arc.points) - 1))])
    outwards = on_head - np.array(known.landmarks["head_centre"])
    height = 0.5 * plan.state.tendon_mm
    middle: list[float] = (on_head + height * outwards / np.linalg.norm(outwards)).tolist()
    return middle


def _image(order: StudyOrder, prescribed: Sequence[Prescription], workers: int) -> dict[str, Any]:
    """Scan the phantom, write its DICOM files and return where everything lies in them."""
    plan, study = order.plan, _study_header(order)
    phantom = Phantom(plan.state)
    acquired = [
        one
        for _, same in groupby(prescribed, key=lambda series: id(series.frame))
        for one in _acquire(order, phantom, tuple(same), workers)
    ]
    write = write_enhanced if plan.enhanced else write_series
    series = []
    for one in acquired:
        files = write(one.stack, study, one.series, _folder(order, one.series))
        series.append(_series_record(one, files, order.scan_folder))
    record: dict[str, Any] = {
        "study_uid": str(study.study_uid),
        "frame_of_reference_uid": str(study.frame_of_reference_uid),
        "series": series,
    }
    if plan.radiograph:
        record["radiograph"] = _expose(order, phantom, study, workers)
    return record


def _folder(order: StudyOrder, series: SeriesHeader) -> Path:
    return order.scan_folder / f"S{series.number:03d}"


def _study_header(order: StudyOrder) -> StudyHeader:
    plan, rng = order.plan, generator(order.seed, "clock", order.plan.code)
    identity = replace(order.patient.identity, accession_number=order.accession_number)
    return StudyHeader(
        seed=order.seed,
        key=plan.code,
        side=plan.state.side,
        day=plan.scanned_on,
        at=time(int(rng.integers(8, 18)), int(rng.integers(60)), int(rng.integers(60))),
        identity=identity,
        study_id=order.accession_number[-6:],
    )


def _acquire(
    order: StudyOrder, phantom: Phantom, same: tuple[Prescription, ...], workers: int
) -> Iterator[Acquired]:
    """Yield the stacks of prescriptions of one geometry: one each, or the four of a Dixon."""
    sampled: Sampled = Remembered(phantom) if len(same) > 1 else phantom
    for series in same:
        rng = generator(order.seed, "noise", order.plan.code, str(series.number))
        header = SeriesHeader(
            series.number, series.description, labelled_side=_labelled_side(order.plan)
        )
        if series.acquisition.weighting is not Weighting.DIXON:
            stack = acquire(sampled, series.acquisition, series.frame, rng, workers)
            yield Acquired(stack, header, series.number - 1)
            continue
        dixon = acquire_dixon(sampled, series.acquisition, series.frame, rng, workers)
        images = (dixon.water, dixon.fat, dixon.in_phase, dixon.opposed_phase)
        for part, stack in enumerate(images, 1):
            named = replace(header, number=10 * series.number + part)
            yield Acquired(stack, named, series.number - 1)


def _labelled_side(plan: ScanPlan) -> Side | None:
    return OTHER[plan.state.side] if plan.trouble is Trouble.WRONG_SIDE else None


def _series_record(one: Acquired, files: Written, folder: Path) -> dict[str, Any]:
    acquisition = one.stack.acquisition
    return {
        "number": one.series.number,
        "truth_stack": one.place,
        "plane": acquisition.plane,
        "weighting": acquisition.weighting.value,
        "content": one.stack.content.value,
        "series_uid": files.series_uid,
        "sop_uids": list(files.sop_uids),
        "files": [path.relative_to(folder).as_posix() for path in files.paths],
        "slice_numbers": list(one.stack.slice_numbers),
        "spacing_mm": one.stack.spacing,
        "thickness_mm": one.stack.thickness,
        "pixel_mm": list(one.stack.pixel_spacing),
        "row": one.stack.row.tolist(),
        "column": one.stack.column.tolist(),
        "positions": one.stack.positions.tolist(),
    }


def _expose(
    order: StudyOrder, phantom: Phantom, study: StudyHeader, workers: int
) -> dict[str, Any]:
    """Take and write the radiograph; return where it shows the anchors."""
    rng = generator(order.seed, "radiograph", order.plan.code)
    pixels = order.size.radiograph_matrix
    frame = frames(order.plan.state)["coronal_oblique"]
    geometry = true_ap(frame, (pixels, pixels), DETECTOR_MM / pixels)
    material = phantom.implants[0].material
    exposure = Exposure(implant=material, step_mm=order.size.radiograph_step_mm)
    radiograph = expose(phantom, geometry, exposure, rng, workers)
    header = SeriesHeader(RADIOGRAPH_SERIES, labelled_side=_labelled_side(order.plan))
    files = write_dx(radiograph, study, header, _folder(order, header))
    return {
        "series_uid": files.series_uid,
        "sop_uids": list(files.sop_uids),
        "anchors": [
            {
                "head_pixel": geometry.project(implant.head).tolist(),
                "tip_pixel": geometry.project(implant.tip).tolist(),
                "magnification": float(geometry.magnification(implant.head)),
            }
            for implant in phantom.implants
        ],
    }
