"""The session and all it needs import neither napari nor Qt: it runs where there is no screen."""

from __future__ import annotations

import subprocess
import sys

CODE = """
import sys
import imgtrack_napari.session, imgtrack_napari.conversion, imgtrack_napari.grey
print(*sorted({name.partition(".")[0] for name in sys.modules}))
"""


def test_the_session_needs_no_window():
    found = subprocess.run([sys.executable, "-c", CODE], capture_output=True, text=True, check=True)
    loaded = set(found.stdout.split())
    assert "imgtrack_napari" in loaded
    assert not loaded & {"napari", "vispy", "qtpy", "PySide6", "PyQt6"}
