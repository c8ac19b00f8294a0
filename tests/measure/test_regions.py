"""Which pixels an outline holds."""

from __future__ import annotations

import numpy as np
from matplotlib.path import Path as Outline

from imgtrack.measure.plane import PlaneGeometry
from imgtrack.measure.regions import inside


def test_pixels_are_those_whose_centre_lies_inside():
    """Reference: points in polygons by matplotlib, on outlines of random corners."""
    rng = np.random.default_rng(7)
    plane = PlaneGeometry(
        (3.0, -8.0, 20.0), (0.8, 0.6, 0.0), (0.0, 0.0, -1.0), (0.7, 0.4), (40, 50)
    )
    rows, columns = np.mgrid[:40, :50]
    for _ in range(20):
        corners = rng.uniform(-4, 50, (9, 2))
        corners = corners[np.argsort(np.arctan2(*(corners - corners.mean(0)).T))]
        expected = Outline(corners).contains_points(np.c_[rows.ravel(), columns.ravel()])
        found = inside(plane, plane.to_patient(corners))
        assert np.array_equal(found.ravel(), expected)
