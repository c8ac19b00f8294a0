"""Whether metal hides the end of a gap: bone beneath it that gives no signal."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from imgtrack.measure.points import as_direction, as_point

if TYPE_CHECKING:
    from numpy.typing import ArrayLike

    from imgtrack.measure.points import Points
    from imgtrack.measure.suggest.head import Head
    from imgtrack.measure.suggest.volume import Volume

DEPTH_MM = 4.5
"""How deep in the bone its signal is looked at: beneath cortex and cartilage."""

BESIDE_MM = 4.0
"""How far to all sides of the foot of an end; wider than an anchor without bloom, which hides
nothing above the bone."""

VOID_SHARE = 1 / 3
"""Bone below this share of the head's own median signal gives none; our choice."""

HIDDEN_SHARE = 0.5
"""From this share of bone without signal up, what lies above it is hidden; our choice."""

DIRECTIONS = 2000


def is_hidden(end: ArrayLike, volume: Volume, head: Head) -> bool:
    """Return whether the bone beneath a place on the cuff gives no signal.

    The void that metal leaves in bone reaches into the cuff above. Fluid seems to end at its
    border, which is neither footprint nor stump.

    Parameters
    ----------
    end
        Shape ``(3,)``, patient LPS mm.
    volume
        The series the end was found on.
    head
        The head beneath the cuff.

    Returns
    -------
    bool
        ``False`` where the series does not reach.
    """
    centre = np.array(head.centre)
    foot = as_direction(as_point(end, "end") - centre, "end")
    directions = _spread(DIRECTIONS)
    radius = head.radius_mm - DEPTH_MM
    bone = volume.at(centre + radius * directions)
    beneath = bone[directions @ foot >= np.cos(BESIDE_MM / radius)]
    beneath = beneath[~np.isnan(beneath)]
    if beneath.size == 0:
        return False
    is_void = beneath < VOID_SHARE * float(np.nanmedian(bone))
    return bool(is_void.mean() >= HIDDEN_SHARE)


def _spread(count: int) -> Points:
    """Return directions spread evenly over the sphere, on a spiral; shape ``(count, 3)``."""
    height = 1 - (2 * np.arange(count) + 1) / count
    turn = np.pi * (3 - np.sqrt(5)) * np.arange(count)
    out = np.sqrt(1 - height**2)
    return np.column_stack([out * np.cos(turn), out * np.sin(turn), height])
