"""What the tests of this room share: invented objects and the optional real series."""

from __future__ import annotations

import os
import sys
from pathlib import Path

import pytest

HERE = Path(__file__).parent
sys.path.insert(0, str(HERE))  # for the helpers beside the tests, which are no package


@pytest.fixture(scope="session")
def real_mr() -> Path:
    """Folder of real series; skips where it is not there."""
    named = os.environ.get("IMGTRACK_REAL_MR")
    folder = Path(named) if named else HERE.parents[2] / "shared" / "real_mr"
    if not folder.is_dir():
        pytest.skip("the optional real series are not here (IMGTRACK_REAL_MR)")
    return folder
