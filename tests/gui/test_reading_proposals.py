"""Accepting, moving and rejecting proposals with mouse and keys, and what is on record after it.

The shoulder is a phantom of known truth (synthetic_scans, which shares no code with the tool).
"""

from __future__ import annotations

import os

import pytest

pytest.importorskip("napari", reason="needs the reading extra")

from gui.window_desk import (
    PHRASE,
    Plane,
    ReaderAtWork,
    middle_of_gap,
    phantom_study,
    scanned,
    window_on,
)

from imgtrack.domain.reading import Reading

pytestmark = [
    pytest.mark.gui,
    pytest.mark.filterwarnings("ignore::DeprecationWarning"),
    pytest.mark.skipif(not os.environ.get("DISPLAY"), reason="needs a display"),
]

COR, SAG = Plane.CORONAL_OBLIQUE, Plane.SAGITTAL_OBLIQUE


@pytest.fixture
def study(tmp_path):
    made = phantom_study(tmp_path / "desk", repairs=1)
    yield made
    made.close()


def begun(window):
    """Click into the gap of a case that is answered so far that proposals are asked for."""
    reader = ReaderAtWork(window)
    longest, middle = middle_of_gap()
    reader.key("1", "1", "1", "2")
    reader.slice(COR, longest.index)
    reader.click(COR, middle)
    return reader


def test_rejected_then_drawn_over_a_closed_window_and_signed(study):
    window = window_on(study)
    reader = begun(window)
    reader.key("F")
    assert "straight retraction" in reader.session.hand.proposal.answers
    assert window.dock.foot.reject.isVisible()
    reader.key("R")
    assert reader.session.hand.proposal is None
    assert "tear width" not in reader.session.answers
    assert window.dock.foot.message.text() == "Rejected; your answers stay."
    window.close()

    window = window_on(study)  # the next day
    reader = ReaderAtWork(window)
    widest = max(scanned().slices("sagittal_oblique"), key=lambda one: one.gap_mm)
    reader.to_pane(SAG)
    reader.slice(SAG, widest.index)
    window.dock.go_to("tear width")
    reader.key("D")
    for point in widest.gap_points:
        reader.click(SAG, point)
    session = reader.session
    for name in session.form.names:
        if any(name == each.question for each in session.standing.missing):
            session.put({name: {"not_assessable": "motion"}})
    reader.key("Ctrl+Return")
    reader.type(PHRASE)
    reader.key("Return")
    assert session.signed is not None, session.standing.missing
    with study.store.look() as look:
        signed = look.get(Reading, session.case.code)
    fates = {name: made[-1]["fate"] for name, made in signed.proposals.items()}
    assert fates == {
        "tear width": "rejected, answered otherwise",
        "straight retraction": "rejected, not answered",
        "gap slices": "rejected, not answered",
    }
    proposed = signed.proposals["tear width"][0]["value"]["mm"]
    assert proposed == pytest.approx(scanned().truth.value("defect_width"), abs=1)
    assert signed.answers["tear width"]["mm"] == pytest.approx(widest.gap_mm, abs=0.3)
    window.close()


def test_buttons_do_what_the_keys_do(study):
    from qtpy.QtCore import Qt
    from qtpy.QtTest import QTest

    window = window_on(study)
    reader = begun(window)
    for press, decision in (
        (window.dock.foot.reject, "rejected"),
        (window.dock.foot.accept, "accepted"),
    ):
        reader.key("F")
        QTest.mouseClick(press, Qt.MouseButton.LeftButton)
        last = reader.session.proposed.now["tear width"][-1]
        assert last["decision"] == decision
    assert reader.session.answers["tear width"]["origin"] == "suggestion accepted"
    window.close()
