"""Tendon lesions on the cuff sheet: full-thickness gap, partial loss, bright signal.

A lesion has its own frame: the joint frame turned about the lateral axis so
that its middle plane is vertical. In it, *across* is the front-to-back
coordinate, so side walls are planes of constant *across*, parallel to every
lateral direction: each oblique sagittal slice sees their true distance. The
medial coordinate *reach* is the arc length from the lateral footprint edge in
the middle plane on the sheet's inner surface; it is the same for all points of
equal lateral and vertical position.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from synthetic_scans.phantom.cuff import ARTICULAR_POLE
from synthetic_scans.phantom.shapes import vector

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from synthetic_scans.phantom.cuff import Cuff, SheetPoint
    from synthetic_scans.phantom.shapes import Floats, Vector
    from synthetic_scans.spec import FullThicknessDefect, PartialDefect, SignalChange

STRAIGHT = {"crescent": 0.4, "u": 0.6, "l": 0.45, "reverse_l": 0.45}
"""Share of the gap's length over which the side walls run straight."""

LIMB = 0.4
"""Share of the width that an L-shaped defect's medial limb takes."""

LIP_MM = 0.5
"""Smallest rim of tendon that must stay in front of a defect."""


@dataclass(frozen=True, slots=True)
class LesionFrame:
    """Frame of a lesion whose middle lies ``turn`` radians behind the crest."""

    cuff: Cuff
    turn: float

    @property
    def edge(self) -> float:
        """Polar angle of the lateral footprint edge in the middle plane, radians."""
        return self.cuff.edge_turn(self.turn)

    def locate(self, q: Floats) -> tuple[Floats, Floats]:
        """(across, reach) of joint points ``q`` (3, ...), mm."""
        cosine, sine = float(np.cos(self.turn)), float(np.sin(self.turn))
        a, p, s = (q[i] - self.cuff.head[i] for i in range(3))
        across = p * cosine - s * sine
        up = p * sine + s * cosine
        return across, self.reach(a, up)

    def reach(self, lateral: Floats, up: Floats) -> Floats:
        """Arc length from the lateral footprint edge for places in the middle plane."""
        tangent = self.cuff.tangent
        beyond = up * float(np.cos(tangent)) - lateral * float(np.sin(tangent))
        angle = np.arctan2(up, lateral)
        arc = np.where(
            (beyond > 0) & (up > 0),
            self.cuff.radius * tangent + beyond,
            self.cuff.radius * angle,
        )
        value: Floats = arc - self.cuff.radius * self.edge
        return value

    def edge_reach(self, across: float, inset: float = 0.0) -> float:
        """Reach of the line ``inset`` mm medial to the lateral footprint edge, at ``across``."""
        cuff = self.cuff
        out = np.sqrt(cuff.radius**2 - across**2)
        level = cuff.radius * np.cos(cuff.edge_angle - inset / cuff.radius)
        level += ARTICULAR_POLE[2] * np.sin(self.turn) * across
        lateral, up = ARTICULAR_POLE[0], ARTICULAR_POLE[2] * np.cos(self.turn)
        angle = np.arctan2(up, lateral) - np.arccos(level / (out * np.hypot(lateral, up)))
        return float(cuff.radius * (angle - self.edge))

    def wall_point(self, across: float, reach: float, height: float) -> Vector:
        """Joint point of the sheet at ``across`` and ``reach``, ``height`` above its surface."""
        lateral, up = self._in_plane(across, reach, self.cuff.radius + height)
        cosine, sine = np.cos(self.turn), np.sin(self.turn)
        local = (lateral, across * cosine + up * sine, up * cosine - across * sine)
        return vector(np.add(self.cuff.head, local))

    def _in_plane(self, across: float, reach: float, radius: float) -> tuple[float, float]:
        """(lateral, up) at a reach: on the sphere of ``radius`` or its tangent cone."""
        tangent = self.cuff.tangent
        angle = self.edge + reach / self.cuff.radius
        beyond = max(angle - tangent, 0.0) * self.cuff.radius
        cosine, sine = np.cos(min(angle, tangent)), np.sin(min(angle, tangent))
        out = np.sqrt(max(radius**2 - across**2 - beyond**2, 0.0))
        lateral, up = out * cosine - beyond * sine, out * sine + beyond * cosine
        if np.hypot(up, across) * np.cos(tangent) - lateral * np.sin(tangent) <= 0:
            return float(lateral), float(up)
        out = _on_cone(across, beyond, radius, tangent)
        return float(out * cosine - beyond * sine), float(out * sine + beyond * cosine)

    def point(self, reach: float, height: float) -> Vector:
        """Joint point of the middle plane, ``height`` above the inner surface."""
        return self.wall_point(0.0, reach, height)

    def path(self, across: float, start: float, end: float, count: int = 129) -> list[Vector]:
        """Points on the inner surface at ``across`` from one reach to another."""
        return [self.wall_point(across, float(r), 0.0) for r in np.linspace(start, end, count)]

    def arc_of_chord(self, chord: float, across: float = 0.0) -> float:
        """Reach, at ``across``, of the surface point ``chord`` mm from the footprint edge."""
        low = self.edge_reach(across)
        start, high = self.wall_point(across, low, 0.0), low + 90.0
        for _ in range(60):
            middle = 0.5 * (low + high)
            far = math.dist(self.wall_point(across, middle, 0.0), start) >= chord
            low, high = (low, middle) if far else (middle, high)
        return 0.5 * (low + high)


def _on_cone(across: float, beyond: float, radius: float, tangent: float) -> float:
    """Distance from the lesion axis at which the tangent cone is met, ``beyond`` the tangent.

    Solves a cos t + sqrt(up^2 + across^2) sin t = radius with (a, up) on the
    line through the tangent point: a quadratic.
    """
    c, s = float(np.cos(tangent)), float(np.sin(tangent))
    rest = radius + c * s * beyond
    square = c**4 - s**4
    linear = -2.0 * c * c * rest - 2.0 * s**3 * c * beyond
    constant = rest**2 - s * s * (across**2 + (c * beyond) ** 2)
    return float((-linear - np.sqrt(linear**2 - 4.0 * square * constant)) / (2.0 * square))


@dataclass(frozen=True, slots=True)
class Gap:
    """Full-thickness defect on the sheet; ``arc`` is the reach of its medial stump."""

    frame: LesionFrame
    defect: FullThicknessDefect
    arc: float

    @property
    def half_width(self) -> float:
        """Half the front-to-back width, mm."""
        return 0.5 * self.defect.width_mm

    @property
    def deepest_across(self) -> float:
        """Front-to-back place of the plane in which retraction is stated, mm."""
        return deepest_across(self.defect)

    @property
    def lateral(self) -> float:
        """Reach of the defect's lateral end in that plane: footprint edge or lateral stump."""
        return self.frame.edge_reach(self.deepest_across, self.defect.remnant_mm)

    @property
    def straight(self) -> float:
        """Reach up to which the side walls are straight, mm."""
        return self.lateral + STRAIGHT[self.defect.shape] * (self.arc - self.lateral)

    def medial_edge(self, across: Floats) -> Floats:
        """Reach of the medial stump at ``across``; both mm."""
        x = across / self.half_width
        if self.defect.shape in ("crescent", "u"):
            power = 2.0 if self.defect.shape == "crescent" else 4.0
            bulge = np.maximum(1.0 - np.abs(x) ** power, 0.0) ** (1.0 / power)
        else:
            off_middle = np.abs(across - self.deepest_across) / (LIMB * self.half_width)
            bulge = np.maximum(1.0 - off_middle**6.0, 0.0) ** (1.0 / 6.0)
        value: Floats = self.straight + (self.arc - self.straight) * bulge
        return value

    def contains(self, q: Floats, at: SheetPoint) -> NDArray[np.bool_]:
        """Whether joint points ``q`` of the sheet, at its coordinates ``at``, lie in the gap."""
        across, reach = self.frame.locate(q)
        within = np.abs(across) < self.half_width
        within &= at.beta > self.frame.cuff.borders.supraspinatus_front
        within &= at.beta < self.frame.cuff.borders.teres_back
        within &= at.u > self.defect.remnant_mm
        within &= reach > -self.frame.cuff.radius * self.frame.edge
        within &= reach < self.medial_edge(np.clip(across, -self.half_width, self.half_width))
        return within


def deepest_across(defect: FullThicknessDefect) -> float:
    """Front-to-back place of a defect's deepest point: its middle, or the L's limb."""
    share = {"l": LIMB - 1.0, "reverse_l": 1.0 - LIMB}.get(defect.shape, 0.0)
    return 0.5 * share * defect.width_mm


@dataclass(frozen=True, slots=True)
class Patch:
    """Rounded rectangle on the sheet, for partial losses and bright signal."""

    frame: LesionFrame
    half_width: float
    lateral: float
    length: float

    def level(self, q: Floats) -> Floats:
        """0 in the middle, 1 on the outline, more outside."""
        across, reach = self.frame.locate(q)
        x = across / self.half_width
        y = (reach - self.lateral) / (0.5 * self.length) - 1.0
        value: Floats = (x**4 + y**4) ** 0.25
        return value

    def middle(self, height: float) -> Vector:
        """Joint point above the middle of the patch."""
        return self.frame.point(self.lateral + 0.5 * self.length, height)


def gap(cuff: Cuff, defect: FullThicknessDefect) -> Gap:
    """Lay a full-thickness defect on a cuff.

    Raises
    ------
    ValueError
        If less than a rim of tendon would remain in front of the defect where
        its width is measured: its width would then not be the stated one.
    """
    frame = LesionFrame(cuff, cuff.turn(defect.centre_mm))
    arc = frame.arc_of_chord(defect.retraction_mm, deepest_across(defect))
    laid = Gap(frame, defect, arc)
    if laid.lateral >= laid.arc - 1.0:
        raise ValueError(
            f"remnant_mm expected at least 1 mm less than the retraction along the head "
            f"({laid.arc - frame.edge_reach(laid.deepest_across):.2f}), "
            f"found {defect.remnant_mm:g}"
        )
    _check_front(laid)
    return laid


def measuring_reach(laid: Gap) -> float:
    """Reach at which the width is measured: half-way along the straight walls."""
    return 0.5 * (laid.lateral + laid.straight)


def _check_front(laid: Gap) -> None:
    cuff = laid.frame.cuff
    if laid.half_width >= 0.98 * cuff.radius:
        raise ValueError(
            f"width_mm expected below the head's own {1.96 * cuff.radius:.1f}, "
            f"found {laid.defect.width_mm:g}"
        )
    point = laid.frame.wall_point(-laid.half_width, measuring_reach(laid), 0.5 * cuff.thinned)
    turn = float(np.arctan2(point[1] - cuff.head[1], point[2] - cuff.head[2]))
    rim = LIP_MM / cuff.mid_radius
    if turn < cuff.borders.supraspinatus_front + rim:
        raise ValueError(
            f"centre_mm expected further back for a defect {laid.defect.width_mm:g} mm wide "
            f"(its front wall would leave the supraspinatus tendon), "
            f"found {laid.defect.centre_mm:g}"
        )


def patch(cuff: Cuff, lesion: PartialDefect | SignalChange) -> Patch:
    """Lay a partial-thickness or signal lesion on a cuff."""
    frame = LesionFrame(cuff, cuff.turn(lesion.centre_mm))
    return Patch(frame, 0.5 * lesion.width_mm, lesion.lateral_mm, lesion.length_mm)


def loss(cuff: Cuff, partial: PartialDefect) -> tuple[Patch, float]:
    """Lay a partial loss on a cuff: its outline and the whole thickness in its middle.

    Raises
    ------
    ValueError
        If the loss takes the whole thickness there.
    """
    outline = patch(cuff, partial)
    whole = cuff.thickness_at(outline.middle(0.0))
    if partial.depth_mm >= whole:
        raise ValueError(
            f"depth_mm expected below the thickness in the middle of the loss ({whole:.2f}), "
            f"found {partial.depth_mm:g}"
        )
    return outline, whole
