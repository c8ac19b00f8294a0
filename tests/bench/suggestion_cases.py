"""Shoulders with and without a gap, scanned and clicked roughly, for the bench of suggestions.

Truth is that of ``synthetic_scans``, which shares no code with the tool. The scans have the matrix,
slices and signal-to-noise ratio of 20 in muscle that a study asks for.

Gaps beside titanium anchors are scanned in two ways. *Bloom*: fat suppressed by a pulse at 3 T, as
all other shoulders; to the field of the metal the phantom adds a sharp-edged void that reaches
5 mm beyond the anchor, so more is lost than physics asks for. *Field*: fat suppressed by inversion
at 1.5 T with a higher bandwidth, as is usual beside metal, with the void that the field of the
metal alone leaves. In both the slice itself is not bent, the anchors are straight rods, and their
threads, the sutures and debris are left out.
"""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from itertools import count, islice
from pathlib import Path
from typing import Literal

import numpy as np

sys.path.insert(0, str(Path(__file__).parent.parent))  # for phantom_planes

from phantom_planes import volume_of
from seen_gap import BESIDE_METAL_T, seen_places

from imgtrack.measure.suggest.volume import Volume
from synthetic_scans.phantom.cuff import cuff
from synthetic_scans.phantom.implants import implants
from synthetic_scans.phantom.lesions import LesionFrame, gap
from synthetic_scans.phantom.shoulder import Phantom
from synthetic_scans.planes import frames, joint_frame
from synthetic_scans.scanner import Acquisition, Artefacts, Weighting, acquire, rod
from synthetic_scans.spec import (
    Anchor,
    Condition,
    FullThicknessDefect,
    MuscleState,
    PartialDefect,
    ShoulderSpec,
)
from synthetic_scans.truth.sections import SliceStack
from synthetic_scans.truth.shoulder import Truth, truth

SNR, MATRIX, SAMPLES = 20.0, 256, 4
SLICES = {"coronal_oblique": (20, 3.0), "sagittal_oblique": (24, 3.2)}
BETWEEN_MM = 0.3
BESIDE_METAL = {"weighting": Weighting.STIR, "field_t": BESIDE_METAL_T, "bandwidth_hz": 400.0}
"""How a scan beside metal is prescribed; common practice, no source."""

SHAPES = ("crescent", "u", "l", "reverse_l")
CONTINUOUS = ("articular", "bursal", "intratendinous", "scar", "metal", "metal")
BLOOMS_MM = {"bloom": 5.0, "field": 0.0}
MIDDLE_MM = 8.0
"""On a continuous cuff the click aims this far medial to the footprint's edge."""


Metal = Literal["no metal", "bloom", "field"]


@dataclass(frozen=True)
class Case:
    """One shoulder to be scanned; ``kind`` is the shape of its gap, or what else it has."""

    seed: int
    kind: str
    spec: ShoulderSpec

    @property
    def is_torn(self) -> bool:
        """Whether a gap goes through the whole tendon."""
        return self.spec.condition.defect is not None

    @property
    def metal(self) -> Metal:
        """Which titanium anchors there are, if any."""
        anchors = self.spec.condition.anchors
        if not anchors:
            return "no metal"
        return "bloom" if anchors[0].bloom_mm > 0 else "field"


@dataclass(frozen=True)
class Scan:
    """Two series of a shoulder, where it is clicked, and what is true of it."""

    volumes: dict[str, Volume]
    click: np.ndarray
    truth: Truth


def torn(seed: int, metal: Metal = "no metal") -> Case:
    """Draw a shoulder with a gap; ``ValueError`` where it does not fit the cuff."""
    rng = np.random.default_rng((seed, int(metal != "no metal")))
    shape = SHAPES[seed % len(SHAPES)]
    retraction = float(rng.uniform(7, 34))
    defect = FullThicknessDefect(
        width_mm=float(rng.uniform(8, 26)),
        retraction_mm=retraction,
        centre_mm=float(rng.uniform(-4, 12)),
        shape=shape,
        remnant_mm=float(rng.uniform(2, 5)) if rng.random() < 0.2 else 0.0,
    )
    condition = Condition(
        defect=defect,
        bursal_fluid_mm=float(rng.uniform(0, 1.5)),
        joint_fluid_mm=float(rng.uniform(0.2, 1.5)),
        supraspinatus=MuscleState(bulk=0.8, fat_fraction=0.1),
        anchors=() if metal == "no metal" else anchors(rng, defect.centre_mm, BLOOMS_MM[metal]),
    )
    case = Case(seed, shape, healthy(seed).with_condition(condition))
    gap(cuff(case.spec), defect)
    return case


def healthy(seed: int) -> ShoulderSpec:
    return ShoulderSpec.vary(seed, "left" if seed % 2 else "right")


def anchors(
    rng: np.random.Generator, centre_mm: float, bloom_mm: float = BLOOMS_MM["bloom"]
) -> tuple[Anchor, ...]:
    """Return a row of two titanium anchors in the footprint, or a bridge of two such rows."""
    rows = (5.0,) if rng.random() < 0.5 else (13.0, -7.0)
    return tuple(
        Anchor(centre_mm + side, lateral, material="titanium", bloom_mm=bloom_mm)
        for lateral in rows
        for side in (-5.0, 5.0)
    )


def continuous(seed: int) -> Case:
    """Draw a shoulder whose cuff is not interrupted; ``ValueError`` where a loss does not fit."""
    rng = np.random.default_rng((seed, 2))
    kind, spec = CONTINUOUS[seed % len(CONTINUOUS)], healthy(seed)
    condition = Condition(
        bursal_fluid_mm=float(rng.choice([0.0, 0.8, 1.5])),
        joint_fluid_mm=float(rng.uniform(0.2, 1.5)),
    )
    if kind == "metal":
        condition = replace(condition, anchors=anchors(rng, 0.0))
    elif kind == "scar":
        condition = replace(condition, scar_mm=float(rng.uniform(0, 15)))
    else:
        partial = PartialDefect(
            side=kind,
            depth_mm=float(rng.uniform(0.2, 0.7) * spec.tendon_mm),
            width_mm=float(rng.uniform(6, 18)),
            length_mm=float(rng.uniform(6, 14)),
            lateral_mm=2.0,
        )
        condition = replace(condition, partial=partial)
    case = Case(seed, kind, spec.with_condition(condition))
    Phantom(case.spec)
    return case


def drawn(draw: Callable[[int], Case], first: int = 0) -> Iterator[Case]:
    """Yield the cases of all seeds from the first on whose lesion fits their cuff."""
    for seed in count(first):
        try:
            yield draw(seed)
        except ValueError:
            continue


def cases(torn_count: int, metal_count: int, continuous_count: int, first: int) -> list[Case]:
    """Return all cases: gaps without metal, with each kind of it, and continuous cuffs."""
    return [
        *islice(drawn(torn, first), torn_count),
        *islice(drawn(lambda seed: torn(seed, "bloom"), first), metal_count),
        *islice(drawn(lambda seed: torn(seed, "field"), first), metal_count),
        *islice(drawn(continuous, first), continuous_count),
    ]


def scanned(case: Case) -> Scan:
    """Scan a case and place the click."""
    phantom, planes = Phantom(case.spec), frames(case.spec)
    metal = tuple(
        sphere
        for implant in implants(case.spec)
        for sphere in rod(tuple(implant.head), tuple(implant.tip), implant.diameter / 2)
    )
    stacks = {}
    for name, (number, thickness) in SLICES.items():
        wanted = Acquisition(
            plane=name,
            n_slices=number,
            thickness_mm=thickness,
            gap_mm=BETWEEN_MM,
            matrix=(MATRIX, MATRIX),
            samples=SAMPLES,
            snr=SNR,
            artefacts=Artefacts(metal=metal),
            **(BESIDE_METAL if case.metal == "field" else {}),
        )
        noise = np.random.default_rng((case.seed, number))
        stacks[name] = acquire(phantom, wanted, planes[name], noise)
    geometry = [
        SliceStack(plane=name, row=stack.row, column=stack.column, positions=stack.positions)
        for name, stack in stacks.items()
    ]
    volumes = {name: volume_of(stack) for name, stack in stacks.items()}
    click = rough_click(case, volumes["coronal_oblique"])
    return Scan(volumes, click, truth(case.spec, geometry))


def rough_click(case: Case, coronal: Volume) -> np.ndarray:
    """Return a place of the lesion, moved in and across the coronal slices.

    A gap beside metal is clicked in the middle of what is seen of it, if anything is.
    """
    places = seen_places(case.spec) if case.is_torn and case.metal != "no metal" else np.empty(0)
    aim = aimed_at(case.spec) if not len(places) else places[middle_of(places)]
    rng = np.random.default_rng((case.seed, 99))
    angle, far = rng.uniform(0, 2 * np.pi), rng.uniform(2, 3)
    plane = coronal.stack.planes[0]
    in_plane = np.cos(angle) * np.array(plane.row) + np.sin(angle) * np.array(plane.column)
    across = rng.uniform(-1, 1) * coronal.stack.pitch_mm * np.array(plane.normal)
    return aim + far * in_plane + across


def middle_of(places: np.ndarray) -> int:
    """Return the number of the place nearest to the mean of all."""
    return int(np.argmin(np.linalg.norm(places - places.mean(axis=0), axis=1)))


def aimed_at(spec: ShoulderSpec) -> np.ndarray:
    """Return a place in mid-thickness, half way from the lateral to the medial end of the gap.

    On a continuous cuff it is the middle of its loss, or lies medial to the footprint's edge.
    """
    sheet, defect, partial = cuff(spec), spec.condition.defect, spec.condition.partial
    height = 0.5 * spec.tendon_mm
    if defect is not None:
        laid = gap(sheet, defect)
        across = laid.deepest_across
        reach = (laid.lateral + laid.arc) / 2
        place = laid.frame.wall_point(across, reach, height)
    else:
        reach = MIDDLE_MM if partial is None else partial.lateral_mm + partial.length_mm / 2
        place = LesionFrame(sheet, sheet.turn(0.0)).point(reach, height)
    return joint_frame(spec).to_patient(np.array(place))
