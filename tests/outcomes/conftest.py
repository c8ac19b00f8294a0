"""One invented study, computed once."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))

from invented_repairs import Invented

from imgtrack.outcomes.compute import compute


@pytest.fixture(scope="session")
def results():
    return compute(Invented(60).records(), resamples=200)


@pytest.fixture(scope="session")
def data(results):
    return results.data
