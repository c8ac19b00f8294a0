"""A reader's session on an invented study, without any window."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent.parent / "desk"))  # for reading_desk and blindness


@pytest.fixture
def clock():
    from reading_desk import Clock

    return Clock()


@pytest.fixture
def study(tmp_path, clock):
    """A study with three scans allotted, and a pass phrase for R1."""
    from reading_desk import add_scans, opened, prepare, with_phrase

    from imgtrack.desk.cases.allot import allot

    made = opened(prepare(tmp_path / "desk"), clock)
    add_scans(made, [1, 2, 3])
    allot(made)
    with_phrase(made, "R1")
    yield made
    made.close()


@pytest.fixture
def shelf():
    from reading_desk import InventedShelf

    return InventedShelf()


@pytest.fixture
def new_session(study, shelf):
    """Sit down at a new window, as often as it is called."""
    from reading_desk import desk_of

    from imgtrack.desk.cases.booth import open_booth
    from imgtrack_napari.session import Session

    made = []

    def sit(who: str = "R1") -> Session:
        made.append(Session(open_booth(desk_of(study, who), shelf=shelf)))
        return made[-1]

    yield sit
    for each in made:
        each.close()


@pytest.fixture
def session(new_session):
    """A session with its first case open."""
    found = new_session()
    assert found.open_next()
    return found
