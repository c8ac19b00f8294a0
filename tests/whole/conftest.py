"""Whole studies: from files to results, with nothing in between left out."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

HERE = Path(__file__).parent
sys.path[:0] = [str(HERE), str(HERE.parent / "desk")]  # for the helpers beside the tests


@pytest.fixture(scope="session")
def truthful(tmp_path_factory):
    """A study of four repairs that readers without error read and settled."""
    from whole_study import run_whole

    from synthetic_scans.readers.people import perfect_reader

    people = (
        perfect_reader("R1"),
        perfect_reader("R2"),
        perfect_reader("A1", role="adjudicator"),
    )
    return run_whole(tmp_path_factory.mktemp("truthful"), people, repairs=4)
