"""The lowest point of a bowl laid through values that waver a little from place to place.

Interpolation between coarse slices makes mutual information rough: a search that follows every
dent ends in one that chance has made. A quadratic laid through many values around the end of the
search averages the dents out, and gives the same point from wherever it started.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from scipy.special import ndtri
from scipy.stats import qmc

if TYPE_CHECKING:
    from imgtrack.measure.points import Points

SEED = 20
"""Of the places' order; the same everywhere and always."""

FLATTEST = 1e-3
"""Least curvature, as a share of the largest: a flat direction must not send the point far."""


def places_around(dimensions: int, power: int) -> Points:
    """Return places spread evenly in the ball of radius 1.

    Parameters
    ----------
    dimensions
        Of the ball.
    power
        There are 2 to this many.

    Returns
    -------
    ndarray of shape (2 ** power, dimensions)

    References
    ----------
    Sobol' points as `scipy.stats.qmc` makes them, mapped to directions by the normal quantile.
    """
    even = qmc.Sobol(dimensions + 1, rng=SEED).random_base2(power)
    directions = ndtri(np.clip(even[:, :dimensions], 1e-9, 1 - 1e-9))
    directions /= np.linalg.norm(directions, axis=1, keepdims=True)
    places: Points = directions * even[:, dimensions:] ** (1 / dimensions)
    return places


def lowest(places: Points, values: Points, *, farthest: float) -> Points:
    """Return the lowest point of the quadratic that fits values best by least squares.

    Parameters
    ----------
    places
        Shape ``(n, d)``, around 0.
    values
        Shape ``(n,)``.
    farthest
        How far from 0 the point may lie, in radii of the places; it is drawn back to there.

    Returns
    -------
    ndarray of shape (d,)
    """
    dimensions = places.shape[1]
    one, other = np.triu_indices(dimensions)
    terms = np.column_stack([np.ones(len(places)), places, places[:, one] * places[:, other]])
    found, *_ = np.linalg.lstsq(terms, values, rcond=None)
    slope = found[1 : dimensions + 1]
    bend = np.zeros((dimensions, dimensions))
    bend[one, other] = found[dimensions + 1 :]
    curvature, axes = np.linalg.eigh(bend + bend.T)
    curvature = np.maximum(curvature, max(FLATTEST * curvature.max(), np.finfo(float).tiny))
    step: Points = -axes @ ((axes.T @ slope) / curvature)
    far = float(np.linalg.norm(step))
    return step * min(1.0, farthest / far) if far else step
