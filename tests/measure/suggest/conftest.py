"""Scans of shoulders whose truth is known, as volumes of the measuring room."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np
import pytest
from phantom_planes import volume_of

from imgtrack.domain.subjects import Side
from imgtrack.measure.plane import PlaneGeometry
from imgtrack.measure.stack import Stack
from imgtrack.measure.suggest.volume import Volume
from synthetic_scans.phantom.cuff import cuff
from synthetic_scans.phantom.lesions import LesionFrame
from synthetic_scans.phantom.shoulder import Phantom
from synthetic_scans.planes import frames, joint_frame
from synthetic_scans.scanner import Acquisition, acquire
from synthetic_scans.spec import Condition, ShoulderSpec
from synthetic_scans.truth.sections import SliceStack
from synthetic_scans.truth.shoulder import Truth, truth

SLICES = {"coronal_oblique": (20, 3.0), "sagittal_oblique": (24, 3.2)}
"""Number of slices and thickness in mm of the two series; 0.3 mm between slices."""


@dataclass(frozen=True)
class Scan:
    """One scan and what is true of it."""

    coronal: Volume
    sagittal: Volume
    side: Side
    truth: Truth
    head_centre: np.ndarray
    middle: np.ndarray
    """A place in the cuff of a lesion centred on the crest, 8 mm from the footprint's edge."""

    def shown(self, plane: str) -> list[int]:
        """Numbers of the slices whose middle plane crosses the defect."""
        return [
            one.index for stack in self.truth.stacks if stack.plane == plane for one in stack.shown
        ]


def scanned(
    spec: ShoulderSpec, *, seed: int, behind_mm: float = 0.0, matrix: int = 224, **prescribed
) -> Scan:
    """Scan a shoulder at a signal-to-noise ratio of 20 in muscle, as prescribed."""
    phantom, planes = Phantom(spec), frames(spec)
    stacks = [
        acquire(
            phantom,
            Acquisition(
                plane=name,
                n_slices=count,
                thickness_mm=thickness,
                matrix=(matrix, matrix),
                samples=4,
                snr=20.0,
                **prescribed,
            ),
            planes[name],
            np.random.default_rng(seed + number),
        )
        for number, (name, (count, thickness)) in enumerate(SLICES.items())
    ]
    geometry = [
        SliceStack(plane=name, row=stack.row, column=stack.column, positions=stack.positions)
        for name, stack in zip(SLICES, stacks, strict=True)
    ]
    sheet, joint = cuff(spec), joint_frame(spec)
    frame = LesionFrame(sheet, sheet.turn(behind_mm))
    return Scan(
        coronal=volume_of(stacks[0]),
        sagittal=volume_of(stacks[1]),
        side=Side(spec.side),
        truth=truth(spec, geometry),
        head_centre=joint.to_patient(np.array(sheet.head)),
        middle=joint.to_patient(np.array(frame.point(8.0, 0.5 * spec.tendon_mm))),
    )


@pytest.fixture(scope="session")
def scan_of():
    """Return a function that scans a shoulder of typical anatomy in a given condition, once."""

    @cache
    def scan(condition: Condition, side: str = "right") -> Scan:
        return scanned(ShoulderSpec(side=side, condition=condition), seed=11)

    return scan


@pytest.fixture(scope="session")
def scan_varied():
    """Return the function that scans any shoulder."""
    return scanned


class Ball:
    """A dark ball in noise, seen by a coronal and a sagittal series: a head and nothing else."""

    centre = np.array([-150.0, -12.0, 33.0])
    radius = 23.0
    lateral = np.array([-np.cos(0.6), -np.sin(0.6), 0.0])
    behind = np.array([-np.sin(0.6), np.cos(0.6), 0.0])
    down = np.array([0.0, 0.0, -1.0])
    click = centre + np.array([-8.0, 1.0, 24.0])

    def bone(self, points: np.ndarray, radius: float = radius) -> np.ndarray:
        """Dark within, brighter around; noise of a tenth of the difference."""
        far = np.linalg.norm(points - self.centre, axis=1)
        noise = np.random.default_rng(len(points)).normal(0, 20, len(points))
        return 50 + 200 / (1 + np.exp(-(far - radius) / 0.4)) + noise

    def volume(self, row: np.ndarray, signal, *, slices: int = 18, pitch: float = 3.3) -> Volume:
        """Return a series whose rows run along a direction and whose columns run down."""
        normal, shape = np.cross(row, self.down), (110, 110)
        corner = self.centre - 0.5 * (slices - 1) * pitch * normal - 45 * row - 45 * self.down
        planes = tuple(
            PlaneGeometry(
                origin=tuple((corner + number * pitch * normal).tolist()),
                row=tuple(row.tolist()),
                column=tuple(self.down.tolist()),
                spacing=(0.9, 0.8),
                shape=shape,
            )
            for number in range(slices)
        )
        rows, columns = np.indices(shape)
        pixels = np.column_stack([rows.ravel(), columns.ravel()])
        images = [signal(plane.to_patient(pixels)).reshape(shape) for plane in planes]
        return Volume(np.stack(images), Stack(planes))

    def series(self, signal) -> list[Volume]:
        """Return the coronal and the sagittal series."""
        return [self.volume(self.lateral, signal), self.volume(self.behind, signal)]


@pytest.fixture(scope="session")
def ball() -> Ball:
    return Ball()
