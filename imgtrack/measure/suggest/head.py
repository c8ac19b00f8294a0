"""The humeral head as a sphere, found from its outline near a click."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy import ndimage

from imgtrack.domain.errors import Fault, Refused
from imgtrack.measure.points import Vector, as_point, as_vector

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

    from imgtrack.measure.plane import PlaneGeometry
    from imgtrack.measure.points import Points
    from imgtrack.measure.suggest.volume import Volume

RADII_MM = (17.0, 32.0)
"""Heads looked for; 19 to 28 mm are published (Iannotti, J Bone Joint Surg Am 1992;74:491)."""

WINDOW_MM = 55.0
DEPTH_MM = 30.0
"""How far from the click outlines are looked for, within a slice and from slice to slice."""

VOTED_MM = 45
"""Farthest from the click, in each direction of a slice, that a centre may lie; whole mm."""

BLUR_MM = 0.8
STRONGEST = 0.12
"""Share of the pixels of a slice that are taken as outline."""

METAL_FLOOR, METAL_CORE_MM, METAL_REACH_MM = 2.5, 1.5, 6.0
"""What is no brighter than this many times the darkest of a slice, over this radius, may be the
void of metal; outlines as near to it as the third are left out, as they are the metal's."""

GLOW = 0.9
"""Beside metal, the brightest tenth of a slice is taken as equally bright: marrow there may be
the brightest of all."""

FEWEST_POINTS = 300
ON_SPHERE_MM, SHELL_MM, SMALLEST_SHARE = 1.5, 3.0, 0.72
"""Of the outline points as near to the sphere as the second, at least this share must be as near
as the first. Points scattered at random give about half, heads nine tenths."""


@dataclass(frozen=True, slots=True)
class Head:
    """A sphere laid on the outline of the humeral head.

    Attributes
    ----------
    centre
        Patient LPS mm.
    radius_mm
        Its radius: outline of the bone, or of the cartilage where that is brighter.
    residual_mm
        Root mean square distance of the outline points used.
    points
        How many there were.
    """

    centre: Vector
    radius_mm: float
    residual_mm: float
    points: int


@dataclass(frozen=True, slots=True, eq=False)
class _Outline:
    """Places where a slice turns brighter, and which way; both shape ``(n, 3)``."""

    points: Points
    towards_bright: Points


def head_near(click: ArrayLike, volumes: Sequence[Volume]) -> Head:
    """Return the humeral head beneath a click.

    Outlines that turn brighter away from a common centre vote for it, slice by slice; the
    sphere is then fitted to the outline points that agree with it. Where that finds none, it is
    tried again without the outlines that metal makes.

    Parameters
    ----------
    click
        Shape ``(3,)``, patient LPS mm, on the cuff above the head.
    volumes
        Fluid-sensitive series in two planes or more, crossing each other.

    Raises
    ------
    Refused
        If no sphere of a plausible size fits the outlines.

    References
    ----------
    Duda RO, Hart PE. Commun ACM 1972;15:11-5 (voting for circles).
    """
    start = as_point(click, "click")
    try:
        return _head(start, volumes, beside_metal=False)
    except Refused as plain:
        try:
            return _head(start, volumes, beside_metal=True)
        except Refused:
            raise plain from None


def _head(start: Points, volumes: Sequence[Volume], *, beside_metal: bool) -> Head:
    outlines = [_outline(volume, start, beside_metal=beside_metal) for volume in volumes]
    centre = _common_centre(start, volumes, outlines)
    points = np.concatenate([outline.points for outline in outlines])
    towards = np.concatenate([outline.towards_bright for outline in outlines])
    facing = points[_faces_away(points, towards, centre)]
    if len(facing) < FEWEST_POINTS:
        raise Refused(_no_head("too little of an outline is seen"))
    radius = _likely_radius(np.linalg.norm(facing - centre, axis=1))
    for tolerance in (3.0, 2.5, 2.0, 1.5, 1.5, ON_SPHERE_MM):
        facing = points[_faces_away(points, towards, centre)]
        near = facing[_off(facing, centre, radius) < tolerance]
        if len(near) < FEWEST_POINTS:
            raise Refused(_no_head("too little of an outline is round"))
        centre, radius = _sphere(near, centre, radius)
    _check_place(start, centre, radius)
    off = _off(facing, centre, radius)
    if (off < ON_SPHERE_MM).sum() < SMALLEST_SHARE * (off < SHELL_MM).sum():
        raise Refused(_no_head("its outline is not round"))
    residual_mm = float(np.sqrt(np.mean(_off(near, centre, radius) ** 2)))
    return Head(as_vector(centre), radius, residual_mm, len(near))


def _off(points: Points, centre: Points, radius: float) -> Points:
    """Return how far points lie off a sphere, mm; shape ``(n,)``."""
    off: Points = np.abs(np.linalg.norm(points - centre, axis=1) - radius)
    return off


def _check_place(click: Points, centre: Points, radius: float) -> None:
    """Refuse a sphere of no plausible size, or one the click does not lie upon."""
    if not RADII_MM[0] <= radius <= RADII_MM[1]:
        raise Refused(_no_head(f"a radius of {radius:.1f} mm"))
    far = float(np.linalg.norm(click - centre))
    if not radius - 6 <= far <= radius + 15:
        raise Refused(
            _no_head(f"the click is {far:.1f} mm from a centre of {radius:.1f} mm radius")
        )


def _no_head(found: str) -> Fault:
    return Fault(
        "no humeral head was found beneath the click",
        found=found,
        next_step="click within the gap above the head, or measure by hand",
    )


def _outline(volume: Volume, click: Points, *, beside_metal: bool) -> _Outline:
    """Return the strongest outlines of a volume around a click."""
    planes = enumerate(volume.stack.planes)
    near = [
        _slice_outline(volume.image(number), plane, click, beside_metal=beside_metal)
        for number, plane in planes
        if abs(plane.distance(click[np.newaxis])[0]) <= DEPTH_MM
    ]
    if not near:
        raise Refused(_no_head("the click lies outside a series"))
    return _Outline(
        np.concatenate([piece.points for piece in near]),
        np.concatenate([piece.towards_bright for piece in near]),
    )


def _slice_outline(
    image: Points, plane: PlaneGeometry, click: Points, *, beside_metal: bool
) -> _Outline:
    spacing = np.array(plane.spacing)
    if beside_metal:
        image = np.minimum(image, np.quantile(image, GLOW))
    blurred = ndimage.gaussian_filter(image, BLUR_MM / spacing)
    down, right = np.gradient(blurred, *spacing)
    slope = np.dstack([down, right])
    strength = np.linalg.norm(slope, axis=-1)
    rows, columns = np.indices(image.shape)
    pixels = np.dstack([rows, columns])
    away = (pixels - plane.to_pixels(click[np.newaxis])[0]) * spacing
    inside = np.linalg.norm(away, axis=-1) < WINDOW_MM
    if beside_metal:
        inside &= ~_near_void(blurred, spacing)
    limit = float(np.quantile(strength[inside], 1 - STRONGEST)) if inside.any() else np.inf
    kept = inside & (strength > limit)
    if not kept.any():
        return _Outline(np.empty((0, 3)), np.empty((0, 3)))
    towards = slope[kept] / strength[kept][:, np.newaxis]
    return _Outline(plane.to_patient(pixels[kept]), towards @ np.array([plane.column, plane.row]))


def _near_void(image: Points, spacing: Points) -> NDArray[np.bool_]:
    """Return which pixels lie near a large patch without signal; air counts as well."""
    is_dark = image < METAL_FLOOR * np.quantile(image, 0.02)
    core = ndimage.distance_transform_edt(is_dark, sampling=spacing) > METAL_CORE_MM
    if not core.any():
        return core
    far = ndimage.distance_transform_edt(~core, sampling=spacing)
    near: NDArray[np.bool_] = far < METAL_CORE_MM + METAL_REACH_MM
    return near


def _common_centre(click: Points, volumes: Sequence[Volume], outlines: list[_Outline]) -> Points:
    """Return the point all outlines turn around, from each series' in-plane vote."""
    rows, offsets = [], []
    for volume, outline in zip(volumes, outlines, strict=True):
        plane = volume.stack.planes[0]
        axes = np.array([plane.row, plane.column])
        rows.append(axes)
        offsets.append(_vote((outline.points - click) @ axes.T, outline.towards_bright @ axes.T))
    solved, _, rank, _ = np.linalg.lstsq(np.concatenate(rows), np.concatenate(offsets), rcond=None)
    if rank < 3:
        raise Refused(_no_head("the series do not cross each other"))
    centre: Points = click + solved
    return centre


def _vote(points: Points, towards: Points) -> Points:
    """Return the in-plane place, mm from the click, that most outlines turn away from."""
    size = 2 * VOTED_MM + 1
    votes = np.zeros(size * size)
    for far in np.arange(8.0, RADII_MM[1], 0.8):
        cells = np.rint(points - far * towards).astype(np.intp) + VOTED_MM
        cells = cells[((cells >= 0) & (cells < size)).all(axis=1)]
        votes += np.bincount(cells @ [size, 1], minlength=size * size)
    smooth = ndimage.gaussian_filter(votes.reshape(size, size), 1.5)
    best = np.unravel_index(int(np.argmax(smooth)), smooth.shape)
    return np.array(best, dtype=np.float64) - VOTED_MM


def _faces_away(points: Points, towards: Points, centre: Points) -> Points:
    """Return which outlines turn brighter away from the centre, as a sphere's would."""
    away = points - centre
    away = away / np.maximum(np.linalg.norm(away, axis=1, keepdims=True), 1e-9)
    # A slice sees only the in-plane part of the outward direction; 0.45 leaves out slices that
    # graze the sphere.
    facing: Points = np.einsum("ij,ij->i", away, towards) > 0.45
    return facing


def _likely_radius(distances: Points) -> float:
    """Return the innermost radius at which many outlines lie.

    The surface of an intact tendon is an outline too, some millimetres further out.
    """
    edges = np.arange(RADII_MM[0] - 1, RADII_MM[1] + 1, 0.5)
    counts, _ = np.histogram(distances, bins=edges)
    middles = (edges[:-1] + edges[1:]) / 2
    density = ndimage.gaussian_filter1d(counts / middles**2, 1.5)
    is_peak = (density >= np.roll(density, 1)) & (density >= np.roll(density, -1))
    tall = np.flatnonzero(is_peak & (density > 0.5 * density.max()))
    return float(middles[tall[0]])


def _sphere(points: Points, centre: Points, radius: float) -> tuple[Points, float]:
    """Return the sphere with the smallest squared distances, a few steps from a start near it."""
    sphere = np.append(centre, radius)
    for _ in range(5):
        away = points - sphere[:3]
        far = np.maximum(np.linalg.norm(away, axis=1), 1e-9)
        slopes = np.column_stack([-away / far[:, np.newaxis], -np.ones(len(points))])
        step, *_ = np.linalg.lstsq(slopes, sphere[3] - far, rcond=None)
        sphere = sphere + step
    return sphere[:3], float(sphere[3])
