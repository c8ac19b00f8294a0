"""A radiologist's work in the real window, with mouse and keyboard events only.

The shoulder is a phantom of known truth (synthetic_scans, which shares no code with the tool).
"""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import textwrap
from pathlib import Path

import pytest

pytest.importorskip("napari", reason="needs the reading extra")

from gui.window_desk import (
    PHRASE,
    Plane,
    ReaderAtWork,
    finish,
    middle_of_gap,
    phantom_study,
    scanned,
    session_of,
    window_on,
)

from imgtrack.domain.cases import Case
from imgtrack.domain.reading import Reading, Round, Verdict

pytestmark = [
    pytest.mark.gui,
    pytest.mark.filterwarnings("ignore::DeprecationWarning"),
    pytest.mark.skipif(not os.environ.get("DISPLAY"), reason="needs a display"),
]

COR, SAG = Plane.CORONAL_OBLIQUE, Plane.SAGITTAL_OBLIQUE
LANDMARKS = ("footprint_lateral_edge", "head_apex", "glenoid_superior_rim", "medial_stump")
SIGNING_KEYS = len(PHRASE) + 2
"""The pass phrase, the key that leads to it, and Enter."""


@pytest.fixture(scope="module")
def study(tmp_path_factory):
    made = phantom_study(tmp_path_factory.mktemp("journey") / "desk", repairs=9)
    yield made
    made.close()


@pytest.fixture(scope="module")
def window(study):
    made = window_on(study)
    yield made
    made.close()


@pytest.fixture
def reader(window):
    """A reader at a case nobody has answered yet."""
    window.activateWindow()
    yield ReaderAtWork(window)
    finish(window.session)


def grade(reader):
    """Patte's landmarks and stage, muscles, Sugaya type and pattern."""
    reader.key("D")
    for name in LANDMARKS:
        reader.click(COR, scanned().truth.landmarks[name])
    reader.key("Return", "1", "0", "0", "0", "5", "1")


def sign(reader):
    reader.key("Ctrl+Return")
    reader.type(PHRASE)
    reader.key("Return")


def test_a_torn_case_with_the_program_proposing(reader, study):
    """Effort of a whole torn case: 5 clicks and 15 keys, and the signature."""
    longest, middle = middle_of_gap()
    reader.key("1", "1", "1", "2")
    reader.slice(COR, longest.index)
    reader.click(COR, middle)
    reader.key("F", "A", "Return")
    grade(reader)
    sign(reader)
    assert reader.session.signed is not None, reader.session.message
    assert reader.clicks <= 5
    assert reader.keys - SIGNING_KEYS <= 15
    with study.store.look() as look:
        signed = look.get(Reading, reader.session.case.code)
    assert signed.answers["sugaya"] == {"value": "V"}
    assert signed.answers["tear width"]["origin"] == "suggestion accepted"
    truth = scanned().truth
    assert signed.answers["tear width"]["mm"] == pytest.approx(truth.value("defect_width"), abs=1)
    retraction = signed.answers["straight retraction"]["mm"]
    assert retraction == pytest.approx(truth.value("defect_retraction"), abs=1)
    reader.key("F4")
    assert reader.session.signed is None
    assert reader.session.progress == (1, 9)


def test_a_torn_case_drawn_by_hand(reader, study):
    """Every slice marked and every line drawn: 8 clicks and 43 keys, most of them scrolling.

    Each length is within 0.3 mm of the truth on the slice it is drawn on.
    """
    truth = scanned()
    coronal, sagittal = truth.slices("coronal_oblique"), truth.slices("sagittal_oblique")
    longest, _ = middle_of_gap()
    widest = max(sagittal, key=lambda one: one.gap_mm)
    reader.key("1", "1", "1", "2")
    for one in coronal:
        reader.slice(COR, one.index)
        reader.key("G")
    reader.to_pane(SAG)
    for one in sagittal:
        reader.slice(SAG, one.index)
        reader.key("G")
    reader.slice(SAG, widest.index)
    reader.key("Return", "D")
    for point in widest.gap_points:
        reader.click(SAG, point)
    reader.to_pane(COR)
    reader.slice(COR, longest.index)
    reader.key("Return", "D")
    for point in longest.retraction_points:
        reader.click(COR, point)
    reader.key("Return")
    grade(reader)
    answers = reader.session.answers
    assert answers["tear width"]["mm"] == pytest.approx(widest.gap_mm, abs=0.3)
    assert answers["straight retraction"]["mm"] == pytest.approx(longest.retraction_mm, abs=0.3)
    assert answers["gap slices"]["coronal oblique"]["count"] == len(coronal)
    assert answers["gap slices"]["sagittal oblique"]["count"] == len(sagittal)
    assert answers["tear width"]["origin"] == "drawn"
    sign(reader)
    assert reader.session.signed is not None, reader.session.message
    assert reader.clicks <= 8
    assert reader.keys - SIGNING_KEYS <= 43


def test_a_proposal_is_moved_by_dragging_and_recorded_as_moved(reader):
    longest, middle = middle_of_gap()
    reader.key("1", "1", "1", "2")
    reader.slice(COR, longest.index)
    reader.click(COR, middle)
    reader.key("F")
    start, end = reader.session.hand.proposal.answers["straight retraction"]["points"]
    nearer = [a + 0.7 * (b - a) for a, b in zip(start, end, strict=True)]
    reader.session.viewing.show_image(
        reader.session.images.holding(
            end,
            [
                i["uid"]
                for i in reader.session.hand.proposal.answers["straight retraction"]["images"]
            ],
        )
    )
    reader.window.refresh()
    reader.drag(COR, end, nearer)
    reader.key("A")
    answer = reader.session.answers["straight retraction"]
    assert answer["origin"] == "suggestion moved"
    assert reader.session.answers["tear width"]["origin"] == "suggestion accepted"
    whole = sum((a - b) ** 2 for a, b in zip(start, end, strict=True)) ** 0.5
    assert answer["mm"] == pytest.approx(0.7 * whole, abs=0.5)


def test_drawn_dragged_undone_and_deleted(reader):
    longest, _ = middle_of_gap()
    start, end = longest.retraction_points
    reader.key("1", "1", "1", "2")
    reader.slice(COR, longest.index)
    reader.window.dock.go_to("straight retraction")
    reader.key("D")
    reader.click(COR, start)
    reader.key("Ctrl+Z")
    assert reader.session.hand.tool.points == []
    reader.click(COR, start)
    reader.click(COR, end)
    drawn = reader.session.answers["straight retraction"]["mm"]
    reader.drag(COR, end, [a + 1.5 * (b - a) for a, b in zip(start, end, strict=True)])
    assert reader.session.answers["straight retraction"]["mm"] == pytest.approx(
        1.5 * drawn, abs=0.5
    )
    reader.key("Ctrl+Z")
    assert reader.session.answers["straight retraction"]["mm"] == drawn
    reader.key("Del")
    assert "straight retraction" not in reader.session.answers
    reader.key("Ctrl+Z", "Ctrl+Shift+Z")
    assert "straight retraction" not in reader.session.answers


CRASH = """
import sys, time
sys.path[:0] = [{tests!r}]
from pathlib import Path
from gui.window_desk import ReaderAtWork, window_on
from reading_desk import Clock
from imgtrack.desk.study import open_study
study = open_study(Path({folder!r}), who="R1", now=Clock())
reader = ReaderAtWork(window_on(study))
reader.key("1", "1", "1", "2")
print(reader.session.case.code, flush=True)
reader.key("D")
time.sleep(60)
"""


def test_a_window_killed_at_work_loses_nothing(tmp_path):
    study = phantom_study(tmp_path / "desk", repairs=1)
    tests = str(Path(__file__).parent.parent)
    code = textwrap.dedent(CRASH).format(tests=tests, folder=str(study.folder))
    dying = subprocess.Popen([sys.executable, "-c", code], stdout=subprocess.PIPE, text=True)
    try:
        case = dying.stdout.readline().strip()
        os.kill(dying.pid, signal.SIGKILL)
    finally:
        dying.kill()
        dying.wait()
        dying.stdout.close()
    window = window_on(study)
    try:
        assert window.session.case.code == case
        assert window.session.answers == {
            "adequacy tendon": {"value": "adequate"},
            "adequacy thickness": {"value": "adequate"},
            "adequacy muscle": {"value": "adequate"},
            "tendon defect": {"value": "full-thickness defect"},
        }
    finally:
        window.close()
        study.close()


INTACT = {
    "adequacy tendon": {"value": "adequate"},
    "adequacy thickness": {"not_assessable": "motion"},
    "adequacy muscle": {"not_assessable": "coverage"},
    "tendon defect": {"value": "no full-thickness defect"},
    "bright signal": {"value": "yes"},
    "sugaya": {"value": "II"},
}


def test_readers_who_differ_are_settled_in_the_window(tmp_path):
    """R1 cannot judge the tendon, R2 calls it healed; the adjudicator reads it in the window."""
    study = phantom_study(tmp_path / "desk", repairs=1)
    for who in ("R1", "R2"):
        session = session_of(study, who)
        session.open_next()
        if who == "R1":
            finish(session)
        else:
            session.put(INTACT)
            assert session.sign(PHRASE), session.message
        session.close()
    with study.store.look() as look:
        (asked,) = (case.reader for case in look.all(Case) if case.round is Round.SETTLING)
    window = window_on(study, asked)
    try:
        reader = ReaderAtWork(window)
        reader.key("1", "N", "1", "N", "3", "1", "1", "2")
        assert window.session.answers == INTACT
        sign(reader)
        assert window.session.signed is not None, window.session.message
        with study.store.look() as look:
            (verdict,) = look.all(Verdict)
        assert verdict.decided_by == asked
    finally:
        window.close()
        study.close()
