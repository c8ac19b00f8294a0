"""What must be there before a window can open.

The windows are a package of their own, which this one knows by name only: it comes with the
``reading`` extra, and everything else works without it.
"""

from __future__ import annotations

import os
import sys
from importlib.util import find_spec

from imgtrack.domain.errors import Fault, Unavailable

SCREENS = ("DISPLAY", "WAYLAND_DISPLAY")
"""What a desktop session sets on Linux."""

NEEDED = ("napari", "PySide6", "imgtrack_napari")


def require_window(name: str) -> None:
    """Make sure that a window can open, without loading it.

    Parameters
    ----------
    name
        The window in words, as ``reading window``.

    Raises
    ------
    Unavailable
        When the extra is not installed, or there is no screen.
    """
    missing = [each for each in NEEDED if find_spec(each) is None]
    if missing:
        raise Unavailable(
            Fault(
                f"the {name} is not installed",
                expected="the 'reading' extra",
                found=f"no {', '.join(missing)}",
                next_step="pip install 'imgtrack[reading]'",
            )
        )
    if sys.platform == "linux" and not any(map(os.environ.get, SCREENS)):
        raise Unavailable(
            Fault(
                "there is no screen to open a window on",
                expected=" or ".join(SCREENS),
                next_step="start it in a desktop session",
            )
        )
