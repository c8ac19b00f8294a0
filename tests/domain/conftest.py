"""Helpers beside the tests of the domain."""

from __future__ import annotations

import sys
from pathlib import Path

HERE = Path(__file__).parent
sys.path.insert(0, str(HERE))  # for the helpers beside the tests, which are no package
