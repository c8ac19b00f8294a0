"""Layers of the phantom: shapes and sheet, each with the material it paints.

Layers are listed from the one that hides all others to the background. A layer
answers two questions: how far is a place from me (so that blocks of points can
be skipped or filled at once), and which material is here.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Protocol

import numpy as np

from synthetic_scans.phantom.cuff import INTERVAL_MM, MEDIAL_END_MM
from synthetic_scans.phantom.tissue import Tissue

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    from synthetic_scans.phantom.cuff import Cuff, SheetPoint
    from synthetic_scans.phantom.lesions import Gap, Patch
    from synthetic_scans.phantom.shapes import Floats, Shape
    from synthetic_scans.spec import Muscle

BURSA_EDGE_MM = 9.0
"""Distance from the bursa's ends over which its fluid reaches full depth."""

TONGUE_MM = 9.0
"""Length by which tendon runs on inside the muscle at mid-thickness."""

EMPTY = 0
"""Code of a place that a layer leaves alone; after the last layer it means air."""


@dataclass(frozen=True, slots=True)
class Streaks:
    """Fat streaks in a muscle: pulses along a bent wave, mean ``mean`` over each period.

    ``wave`` (3,) is the wave vector, cycles per mm.
    """

    mean: float
    wave: tuple[float, float, float]


@dataclass(frozen=True, slots=True)
class Material:
    """What a code stands for."""

    tissue: Tissue
    streaks: Streaks | None = None
    patchy: bool = False


@dataclass(slots=True)
class Palette:
    """Numbered materials; code 0 is the air outside the body."""

    materials: list[Material] = field(default_factory=lambda: [Material(Tissue.AIR)])

    def code(self, material: Material) -> int:
        """Return the number of a material, new or known."""
        if material not in self.materials[1:]:
            self.materials.append(material)
        return self.materials.index(material, 1)


class Layer(Protocol):
    """One layer."""

    def bound(self, q: Floats) -> Floats:
        """Lower bound of the distance to the layer; negative inside."""
        ...

    def paint(self, q: Floats) -> NDArray[np.uint8]:
        """Material code at ``q`` (3, ...), 0 where the layer is absent."""
        ...

    @property
    def fill(self) -> tuple[int, float] | None:
        """Code found everywhere deeper than a distance inside, or None if it varies."""
        ...


@dataclass(frozen=True, slots=True)
class Solid:
    """A shape of one material, or of two: rind and core deeper than ``rind_mm``."""

    shape: Shape
    code: int
    rind_mm: float = 0.0
    core: int = EMPTY

    def bound(self, q: Floats) -> Floats:
        """Signed distance of the shape."""
        return self.shape.distance(q)

    def paint(self, q: Floats) -> NDArray[np.uint8]:
        """Code by depth."""
        depth = self.shape.distance(q)
        codes = np.where(depth <= 0, np.uint8(self.code), np.uint8(EMPTY))
        if self.core:
            codes[depth <= -self.rind_mm] = self.core
        return codes

    @property
    def fill(self) -> tuple[int, float]:
        """Core where there is one."""
        return (self.core, self.rind_mm) if self.core else (self.code, 0.0)


def _paint_within(
    near: NDArray[np.bool_], paint_near: Callable[[Floats], NDArray[np.uint8]], q: Floats
) -> NDArray[np.uint8]:
    """Codes of the points that are near enough to be looked at; the others are empty."""
    codes = np.zeros(q.shape[1:], dtype=np.uint8)
    if near.any():
        codes[near] = paint_near(q[:, near])
    return codes


@dataclass(frozen=True, slots=True)
class SheetCodes:
    """Codes of what the sheet can hold."""

    tendon: int
    scar: int
    capsule: int
    fluid: int
    granulation: int
    muscles: dict[Muscle, int]


@dataclass(frozen=True, slots=True)
class Sheet:
    """The cuff sheet with its lesions.

    Attributes
    ----------
    cuff
        Geometry.
    junctions
        Arc length v of the muscle-tendon junction of each muscle.
    codes
        Materials.
    gap
        Full-thickness defect.
    partial
        Partial loss: outline, side and depth.
    scar_mm
        Length of scar from the lateral edge.
    """

    cuff: Cuff
    junctions: dict[Muscle, float]
    codes: SheetCodes
    gap: Gap | None = None
    partial: tuple[Patch, str, float] | None = None
    scar_mm: float = 0.0

    @property
    def fill(self) -> None:
        """The sheet is never uniform."""
        return

    def bound(self, q: Floats) -> Floats:
        """Distance to the sheet's envelope."""
        n = self.cuff.height(q)
        shell = np.maximum(-n, n - self.cuff.thickest)
        value: Floats = np.maximum(shell, self.cuff.head[0] - MEDIAL_END_MM - q[0])
        return value

    def paint(self, q: Floats) -> NDArray[np.uint8]:
        """Codes, evaluated only where the envelope reaches."""
        return _paint_within(self.bound(q) <= 0, self._paint_near, q)

    def _paint_near(self, q: Floats) -> NDArray[np.uint8]:
        at, border = self.cuff.locate(q), self.cuff.borders
        outer = self.cuff.outer(at)
        interval = (at.beta > border.interval_front) & (at.beta < border.supraspinatus_front)
        outer = np.where(interval, np.minimum(outer, INTERVAL_MM), outer)
        inside = (at.n >= 0) & (at.n <= outer) & (at.u > 0)
        inside &= (at.beta > border.subscapularis_lower) & (at.beta < border.teres_back)
        codes = self._base(at, outer)
        codes[interval] = self.codes.capsule
        self._lesions(q, at, outer, interval, codes)
        codes[~inside] = EMPTY
        return codes

    def _base(self, at: SheetPoint, outer: Floats) -> NDArray[np.uint8]:
        """Tendon laterally; each muscle behind its junction, above and below a tongue of tendon."""
        tongue = TONGUE_MM * (1.0 - np.abs(2.0 * at.n / np.maximum(outer, 1e-3) - 1.0))
        v = at.v - tongue
        border, codes = self.cuff.borders, np.full(at.n.shape, self.codes.tendon, dtype=np.uint8)
        limits: list[tuple[Muscle, float]] = [
            ("teres_minor", border.infraspinatus_back),
            ("infraspinatus", border.supraspinatus_back),
            ("supraspinatus", border.interval_front),
            ("subscapularis", -np.inf),
        ]
        upper = np.inf
        for muscle, lower in limits:
            part = (at.beta >= lower) & (at.beta < upper) & (v > self.junctions[muscle])
            codes[part] = self.codes.muscles[muscle]
            upper = lower
        return codes

    def _lesions(
        self,
        q: Floats,
        at: SheetPoint,
        outer: Floats,
        interval: NDArray[np.bool_],
        codes: NDArray[np.uint8],
    ) -> None:
        """Paint scar, partial loss and gap over healthy tendon, in place."""
        tendon = codes == self.codes.tendon
        if self.scar_mm > 0:
            codes[tendon & (at.u < self.scar_mm) & self._supraspinatus(at.beta)] = self.codes.scar
        if self.partial is not None:
            outline, side, depth = self.partial
            low, high = lost_heights(side, depth, outer)
            lost = (at.n >= low) & (at.n <= high) & (outline.level(q) < 1.0) & ~interval
            codes[lost] = self.codes.fluid
        if self.gap is not None:
            filled = self.gap.defect.filling == "fluid"
            filling = self.codes.fluid if filled else self.codes.granulation
            codes[self.gap.contains(q, at) & ~interval] = filling

    def _supraspinatus(self, beta: Floats) -> NDArray[np.bool_]:
        border = self.cuff.borders
        return (beta > border.supraspinatus_front) & (beta < border.supraspinatus_back + 0.2)


def lost_heights(side: str, depth: float, outer: Floats) -> tuple[Floats, Floats]:
    """Heights between which a partial loss lies in a sheet ``outer`` mm thick."""
    if side == "articular":
        return np.zeros_like(outer), np.full_like(outer, depth)
    if side == "bursal":
        return outer - depth, outer
    return 0.5 * (outer - depth), 0.5 * (outer + depth)


@dataclass(frozen=True, slots=True)
class Bursa:
    """Fluid in the subacromial-subdeltoid bursa, on cuff and tuberosity."""

    cuff: Cuff
    humerus: Shape
    code: int
    depth_mm: float

    @property
    def fill(self) -> None:
        """Too thin to fill a block."""
        return

    def bound(self, q: Floats) -> Floats:
        """Distance to the envelope of sheet and bursa above the head."""
        n = self.cuff.height(q)
        shell = np.maximum(-n, n - (self.cuff.thickest + self.depth_mm))
        value: Floats = np.maximum(shell, -self._inside_margin(q))
        return value

    def _inside_margin(self, q: Floats) -> Floats:
        """Distance from the bursa's lower and medial ends, positive inside."""
        above = q[2] - (self.cuff.head[2] - 12.0)
        value: Floats = np.minimum(above, q[0] - (self.cuff.head[0] - 16.0))
        return value

    def paint(self, q: Floats) -> NDArray[np.uint8]:
        """Fluid between the sheet's outer surface, or bone, and the given depth."""
        return _paint_within(self.bound(q) <= 0, self._paint_near, q)

    def _paint_near(self, q: Floats) -> NDArray[np.uint8]:
        at, border = self.cuff.locate(q), self.cuff.borders
        above_sheet = np.where(at.u > 0, at.n - self.cuff.outer(at), self.humerus.distance(q))
        depth = self.depth_mm * np.sqrt(np.clip(self._inside_margin(q) / BURSA_EDGE_MM, 0.0, 1.0))
        wet = (above_sheet > 0) & (above_sheet <= depth)
        wet &= (at.beta > border.interval_front) & (at.beta < border.infraspinatus_back)
        return np.where(wet, np.uint8(self.code), np.uint8(EMPTY))
