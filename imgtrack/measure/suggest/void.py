"""Where metal hides the cuff: bone beneath it that gives no signal."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy.spatial import cKDTree

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

    from imgtrack.measure.points import Points
    from imgtrack.measure.suggest.head import Head
    from imgtrack.measure.suggest.volume import Volume

DEPTH_MM = 4.5
"""How deep in the bone its signal is looked at: beneath cortex and cartilage."""

METAL_MM, METAL_SHARE = 6.0, 0.665
"""There is metal where the bone this far to all sides, none counted brighter than usual, gives less
than this share of the head's own median signal. An anchor that only takes the place of bone, as
those without metal do, leaves 0.69 or more; where fat is suppressed by inversion bone is so dark
that voids leave up to 0.64. Our choice."""

BESIDE_MM, HIDDEN_SHARE, GLOW_SHARE = 4.0, 0.75, 3.0
"""In a scan with metal, the cuff is hidden where the bone this far to all sides gives less than
the first share, signal being lost, or more than the second, fat suppression having failed. Our
choice."""

ODD_SHARE, MOSTLY = 1 / 3, 0.4
"""Where void and glow lie side by side their mean is usual: hidden too where so much of the bone
is below the first share, or above the glow's. Our choice."""

DIRECTIONS = 4000


@dataclass(frozen=True, slots=True, eq=False)
class Voids:
    """Where a head's bone gives no signal in one series.

    The void that metal leaves in bone reaches into the cuff above. Fluid seems to end at its
    border, which is neither footprint nor stump.

    Attributes
    ----------
    centre
        Of the head; patient LPS mm.
    directions
        Unit directions from the centre, spread evenly.
    hidden
        Shape ``(directions,)``: whether the cuff is hidden there.
    """

    centre: Points
    directions: cKDTree
    hidden: NDArray[np.bool_]

    def hide(self, places: ArrayLike) -> NDArray[np.bool_]:
        """Return whether the bone beneath places on the cuff gives no signal.

        Parameters
        ----------
        places
            Shape ``(n, 3)``, patient LPS mm.

        Returns
        -------
        ndarray of shape (n,)
            ``False`` where the series does not reach.
        """
        away = np.asarray(places, dtype=np.float64) - self.centre
        if not self.are_any:
            return np.zeros(len(away), dtype=np.bool_)
        feet = away / np.linalg.norm(away, axis=1, keepdims=True)
        _, nearest = self.directions.query(feet)
        hidden: NDArray[np.bool_] = self.hidden[nearest]
        return hidden

    @property
    def are_any(self) -> bool:
        """Whether the cuff is hidden anywhere."""
        return bool(self.hidden.any())


def voids_in(volume: Volume, head: Head) -> Voids:
    """Return where the bone of a head gives no signal.

    Parameters
    ----------
    volume
        A series.
    head
        The head on it.
    """
    centre, spread = np.array(head.centre), _spread(DIRECTIONS)
    radius = head.radius_mm - DEPTH_MM
    bone, tree = volume.at(centre + radius * spread), cKDTree(spread)
    if np.isnan(bone).all():
        return Voids(centre, tree, np.zeros(DIRECTIONS, dtype=np.bool_))
    usual = float(np.nanmedian(bone))
    signal = np.nan_to_num(bone, nan=usual) / usual
    if _around(tree, np.minimum(signal, 1.0), METAL_MM / radius).min() >= METAL_SHARE:
        return Voids(centre, tree, np.zeros(DIRECTIONS, dtype=np.bool_))
    mean = _around(tree, signal, BESIDE_MM / radius)
    is_odd = (signal < ODD_SHARE) | (signal > GLOW_SHARE)
    is_mixed = _around(tree, is_odd.astype(np.float64), BESIDE_MM / radius) >= MOSTLY
    return Voids(centre, tree, (mean < HIDDEN_SHARE) | (mean > GLOW_SHARE) | is_mixed)


def _around(directions: cKDTree, values: Points, turn: float) -> Points:
    """Return, for each of evenly spread directions, the mean of those up to a turn from it."""
    near = round(DIRECTIONS * (turn / 2) ** 2)
    beside = np.asarray(directions.query(directions.data, k=near)[1], dtype=np.intp)
    mean: Points = values[beside].mean(axis=1)
    return mean


def _spread(count: int) -> Points:
    """Return directions spread evenly over the sphere, on a spiral; shape ``(count, 3)``."""
    height = 1 - (2 * np.arange(count) + 1) / count
    turn = np.pi * (3 - np.sqrt(5)) * np.arange(count)
    out = np.sqrt(1 - height**2)
    return np.column_stack([out * np.cos(turn), out * np.sin(turn), height])
