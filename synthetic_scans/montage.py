"""Pictures of scans side by side, to look at with one's own eyes.

``python -m synthetic_scans.montage scan FOLDER PICTURE.png`` shows the series of one scan, one
row each; ``... course STUDY REPAIR PICTURE.png`` shows one repair at all its timepoints.
"""

from __future__ import annotations

import argparse
import json
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pydicom
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from numpy.typing import NDArray
from pydicom.dataset import Dataset

INCHES_PER_TILE = 2.4
WHITE_FROM_PERCENT = 99.93
"""Share of pixels below white: fluid is a few in a thousand and must not all be white."""


@dataclass(frozen=True, slots=True)
class Series:
    """Slices of one series in order of their place along the normal.

    Attributes
    ----------
    description
        Series description of the header.
    pixels
        Stored values, shape (slices, rows, columns).
    positions
        (slices, 3) centre of the first pixel, patient LPS mm; zeros for a radiograph.
    row, column
        (3,) unit directions of increasing column and row index; zeros for a radiograph.
    spacing
        Distance between rows and between columns, mm.
    """

    description: str
    pixels: NDArray[np.uint16]
    positions: NDArray[np.float64]
    row: NDArray[np.float64]
    column: NDArray[np.float64]
    spacing: tuple[float, float]

    def slice_of(self, point_mm: NDArray[np.float64]) -> tuple[int, float, float]:
        """Return the slice nearest to a point (3,), and its row and column there."""
        normal = np.cross(self.row, self.column)
        place = int(np.argmin(np.abs((self.positions - point_mm) @ normal)))
        delta = point_mm - self.positions[place]
        return (
            place,
            float(delta @ self.column) / self.spacing[0],
            float(delta @ self.row) / self.spacing[1],
        )


def read_series(folder: Path) -> list[Series]:
    """Return the series below a folder in order of their number."""
    groups: dict[tuple[int, str], list[Dataset]] = defaultdict(list)
    for path in sorted(folder.rglob("*")):
        if path.is_file():
            dataset = pydicom.dcmread(path)
            groups[int(dataset.SeriesNumber), str(dataset.SeriesInstanceUID)].append(dataset)
    return [_series(groups[key]) for key in sorted(groups)]


def _series(datasets: list[Dataset]) -> Series:
    first = datasets[0]
    if "PerFrameFunctionalGroupsSequence" in first:
        frames = list(first.PerFrameFunctionalGroupsSequence)
        shared = first.SharedFunctionalGroupsSequence[0]
        positions = [f.PlanePositionSequence[0].ImagePositionPatient for f in frames]
        orientation = _of("PlaneOrientationSequence", frames[0], shared).ImageOrientationPatient
        spacing = _of("PixelMeasuresSequence", frames[0], shared).PixelSpacing
        return _in_order(first, first.pixel_array, positions, orientation, spacing)
    pixels = np.stack([dataset.pixel_array for dataset in datasets])
    if "ImagePositionPatient" not in first:
        nowhere = [[0.0] * 3] * len(datasets)
        return _in_order(first, pixels, nowhere, [0.0] * 6, first.ImagerPixelSpacing)
    positions = [dataset.ImagePositionPatient for dataset in datasets]
    return _in_order(first, pixels, positions, first.ImageOrientationPatient, first.PixelSpacing)


def _of(name: str, frame: Dataset, shared: Dataset) -> Dataset:
    group: Dataset = (frame[name] if name in frame else shared[name]).value[0]
    return group


def _in_order(
    header: Dataset,
    pixels: NDArray[np.uint16],
    positions: Sequence[Sequence[float]],
    orientation: Sequence[float],
    spacing: Sequence[float],
) -> Series:
    row, column = np.reshape(np.array(orientation, dtype=float), (2, 3))
    corners = np.array(positions, dtype=float)
    order = np.argsort(corners @ np.cross(row, column), kind="stable")
    return Series(
        description=str(header.SeriesDescription),
        pixels=pixels[order],
        positions=corners[order],
        row=row,
        column=column,
        spacing=(float(spacing[0]), float(spacing[1])),
    )


def scan_picture(folder: Path, picture: Path, *, columns: int = 8) -> None:
    """Save a picture of a scan: a row per series, evenly spread slices along it."""
    found = read_series(folder)
    figure = _figure(len(found), columns)
    for line, series in enumerate(found):
        chosen = np.unique(np.linspace(0, len(series.pixels) - 1, columns).round().astype(int))
        for place, number in enumerate(chosen):
            title = f"{series.description} {number + 1}" if place == 0 else f"{number + 1}"
            axes = figure.add_subplot(len(found), columns, line * columns + place + 1)
            _tile(axes, series, number, title)
    figure.savefig(picture)


def course_picture(study: Path, repair: str, picture: Path) -> None:
    """Save a picture of one repair: a row per scan, the middle of its tear or tendon in each plane.

    Raises
    ------
    ValueError
        When the study has no such repair.
    """
    known = json.loads((study / "truth" / "cohort.json").read_text(encoding="utf-8"))["repairs"]
    entries = {entry["repair"]: entry for entry in known}
    if repair not in entries:
        raise ValueError(f"repair: expected one of {', '.join(entries)}, found {repair}")
    scans = entries[repair]["scans"]
    wanted = 4
    figure = _figure(len(scans), wanted)
    for line, scan in enumerate(scans):
        middle = np.array(json.loads((study / scan["truth"]).read_text())["centre_mm"])
        shown = [s for s in read_series(study / scan["path"]) if s.positions.any()][:wanted]
        for place, series in enumerate(shown):
            number, _, _ = series.slice_of(middle)
            title = f"{scan['timepoint']} {series.description} {number + 1}"
            axes = figure.add_subplot(len(scans), wanted, line * wanted + place + 1)
            _tile(axes, series, number, title)
    figure.savefig(picture)


def _figure(lines: int, columns: int) -> Figure:
    size = (columns * INCHES_PER_TILE, lines * (INCHES_PER_TILE + 0.2))
    return Figure(figsize=size, layout="constrained", facecolor="black")


def _tile(axes: Axes, series: Series, number: int, title: str) -> None:
    bright = float(np.percentile(series.pixels, WHITE_FROM_PERCENT))
    axes.imshow(series.pixels[number], cmap="gray", vmin=0, vmax=bright, interpolation="bilinear")
    axes.set_title(title, color="white", fontsize=7)
    axes.set_axis_off()


def main(arguments: Sequence[str] | None = None) -> None:
    """Save the picture that the command line asks for."""
    parser = argparse.ArgumentParser(prog="python -m synthetic_scans.montage")
    what = parser.add_subparsers(dest="what", required=True)
    scan = what.add_parser("scan", help="the series of one scan")
    scan.add_argument("folder", type=Path)
    scan.add_argument("picture", type=Path)
    scan.add_argument("--columns", type=int, default=8)
    course = what.add_parser("course", help="one repair at all its timepoints")
    course.add_argument("study", type=Path)
    course.add_argument("repair")
    course.add_argument("picture", type=Path)
    chosen = parser.parse_args(arguments)
    if chosen.what == "scan":
        scan_picture(chosen.folder, chosen.picture, columns=chosen.columns)
    else:
        course_picture(chosen.study, chosen.repair, chosen.picture)


if __name__ == "__main__":
    main()
