"""The ground the windows stand on: a napari window really draws, with the pixels it was given.

An off-screen Qt platform opens windows that draw nothing; this test fails there.
"""

from __future__ import annotations

import os

import numpy as np
import pytest

pytest.importorskip("napari", reason="needs the reading extra")

pytestmark = [
    pytest.mark.gui,
    pytest.mark.filterwarnings("ignore::DeprecationWarning"),
    pytest.mark.skipif(not os.environ.get("DISPLAY"), reason="needs a display"),
]


def test_a_window_draws_a_bright_square_where_it_was_put():
    import napari

    picture = np.zeros((64, 64), np.float32)
    picture[:32, :32] = 1
    viewer = napari.Viewer(show=True)
    try:
        viewer.add_image(picture, contrast_limits=(0, 1), interpolation2d="nearest")
        shot = viewer.screenshot(canvas_only=True, flash=False)[..., :3].mean(axis=-1)
    finally:
        viewer.close()
    bright = np.argwhere(shot > 200)
    assert len(bright) > 100
    top, left = bright.min(axis=0)
    bottom, right = bright.max(axis=0)
    assert shot[top : bottom + 1, left : right + 1].mean() > 250
    assert bottom - top == pytest.approx(right - left, abs=2)
