"""A study to read at, and the dock in a window."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

sys.path[:0] = [str(Path(__file__).parent), str(Path(__file__).parents[2] / "desk")]  # for helpers

EVERYTHING = (
    'ask = ["gap slices", "tear width", "straight retraction", "patte landmarks", '
    '"footprint coverage", "tangent line", "occupation ratio", "implant positions"]'
)
MORE_SCALES = """
[[scale]]
name = "peri_implant_fluid"

[[scale]]
name = "deorio_cofield"

[[scale]]
name = "shine"

[[own_scale]]
id = "shine"
title = "Shine of the tendon"
grades = "how it shines"
unit = "repair"
modalities = ["MR"]
views = ["coronal oblique"]
[own_scale.range]
low = 0
high = 12.5
"""


@pytest.fixture(scope="session")
def app():
    from qtpy.QtWidgets import QApplication

    return QApplication.instance() or QApplication([])


def study_at(folder: Path, *, wide: bool = False, scans: int = 2):
    """Start a study with some scans allotted to R1; ``wide`` asks for everything a study can."""
    from reading_desk import Clock, add_scans, opened, prepare, with_phrase

    from imgtrack.desk.cases.allot import allot

    made = prepare(folder)
    if wide:
        path = made / "study.toml"
        text = path.read_text("utf-8").replace("# ask = [", f"{EVERYTHING}\n# ask = [", 1)
        path.write_text(text + MORE_SCALES, "utf-8")
    study = opened(made, Clock())
    add_scans(study, range(1, scans + 1))
    allot(study)
    with_phrase(study, "R1")
    return study


@pytest.fixture(scope="session")
def shared(tmp_path_factory):
    """A study most tests sit down at: each signs a case, or leaves a draft that the next clears."""
    study = study_at(tmp_path_factory.mktemp("shared") / "desk", scans=12)
    yield study
    study.close()


@pytest.fixture
def desk(tmp_path, shared):
    """Sit down as R1 with the next case open and empty, at a study of one's own where asked."""
    from reading_desk import InventedShelf, desk_of

    from imgtrack.desk.cases.booth import open_booth
    from imgtrack_napari.session import Session

    made = []

    def sit(*, wide: bool = False, alone: bool = False):
        own = wide or alone
        study = study_at(tmp_path / "desk", wide=wide) if own else shared
        session = Session(open_booth(desk_of(study, "R1"), shelf=InventedShelf()))
        assert session.open_next()
        session.put(dict.fromkeys(session.answers))
        made.extend([session, *([study] if own else [])])
        return session

    yield sit
    for each in made:
        each.close()


@pytest.fixture
def window(app, desk):
    """Open a window, as often as it is called; how is passed on to `desk`."""
    from dock_room import Window

    made = []

    def sit(**how):
        made.append(Window(desk(**how)))
        return made[-1]

    yield sit
    for each in made:
        each.dock.close()
        each.whole.close()
