"""The Y view in a session: shown once, away from a reader's way; the finder is a stand-in.

That the right slice is found is what tests/measure/suggest/test_y_view.py holds against the
phantom.
"""

from __future__ import annotations

import time
from dataclasses import replace
from threading import Event as Gate

import pytest

from imgtrack.domain.errors import Fault, Refused
from imgtrack.domain.form import Step
from imgtrack.domain.protocol import Plane, Weighting
from imgtrack.measure.suggest.y_view import YView
from imgtrack_napari.y_views import BUSY, YViews

SAG = Plane.SAGITTAL_OBLIQUE
FOUND = YView(1, (0.0, 0.0, 0.0), 0.4, 1.0, 0.5, 3.5)


class Finder:
    """Finds the second slice, when it is let."""

    def __init__(self) -> None:
        self.sides: list[str] = []
        self.gate = Gate()
        self.gate.set()
        self.answer: YView | Fault = FOUND

    def __call__(self, _volume, side, *, watch):
        self.sides.append(side.value)
        end = time.monotonic() + 5
        while not self.gate.wait(0.01):
            watch()
            assert time.monotonic() < end
        if isinstance(self.answer, Fault):
            raise Refused(self.answer)
        return self.answer


@pytest.fixture
def finder():
    return Finder()


@pytest.fixture
def at_t1(session, finder):
    """A session whose sagittal series is a T1, at its first step and on its first slice."""
    session.y_views = YViews(session, finder)
    pane = session.viewing.panes[SAG]
    assert pane.series.weighting is Weighting.T1
    pane.place = 0
    return session


def wait(session):
    """Look for what is found as the window does."""
    end = time.monotonic() + 5
    while session.y_views.is_busy:
        session.y_views.take()
        assert time.monotonic() < end
        time.sleep(0.005)


def place(session):
    return session.viewing.panes[SAG].place


def total(session):
    return len(session.viewing.panes[SAG].series.images)


def test_the_muscle_step_goes_to_the_slice_found(at_t1, finder):
    at_t1.go_to(Step.MUSCLE)
    assert at_t1.message == BUSY
    wait(at_t1)
    assert place(at_t1) == 1
    assert at_t1.viewing.active is SAG
    assert finder.sides == [at_t1.case.side.value]
    assert at_t1.message == (
        f"Y view proposed: slice 2 of {total(at_t1)}. Scroll if it is another; Y comes back to it."
    )


def test_a_reader_who_scrolled_is_not_moved(at_t1, finder):
    finder.gate.clear()
    at_t1.go_to(Step.MUSCLE)
    at_t1.viewing.scroll(SAG, 2)
    finder.gate.set()
    wait(at_t1)
    assert place(at_t1) == 2
    assert at_t1.message.endswith("Y shows it.")
    at_t1.y_views.show()
    assert place(at_t1) == 1


def test_a_reader_who_went_on_is_not_moved(at_t1, finder):
    finder.gate.clear()
    at_t1.go_to(Step.MUSCLE)
    at_t1.go_to(Step.TEAR)
    before = place(at_t1)
    finder.gate.set()
    wait(at_t1)
    assert place(at_t1) == before


def test_only_the_first_entry_of_a_case_looks_for_it(at_t1, finder):
    at_t1.go_to(Step.MUSCLE)
    wait(at_t1)
    at_t1.viewing.scroll(SAG, 1)
    at_t1.go_to(Step.TEAR)
    at_t1.go_to(Step.MUSCLE)
    wait(at_t1)
    assert place(at_t1) == 2
    assert len(finder.sides) == 1


def test_what_is_not_found_is_said_and_moves_nothing(at_t1, finder):
    finder.answer = Fault("no Y view was found", found="only 3 slices")
    at_t1.go_to(Step.MUSCLE)
    wait(at_t1)
    assert place(at_t1) == 0
    said = "No Y view proposed: only 3 slices. Scroll the sagittal pane to the Y view."
    assert at_t1.message == said
    assert not at_t1.y_views.can_show
    at_t1.say("")
    at_t1.y_views.show()
    assert at_t1.message == said


def test_a_finder_that_breaks_is_told(at_t1, monkeypatch):
    def broken(*_, **__):
        raise ZeroDivisionError

    monkeypatch.setattr(at_t1.y_views, "_find", broken)
    at_t1.go_to(Step.MUSCLE)
    wait(at_t1)
    assert at_t1.message.startswith("No Y view proposed: looking for the Y view failed.")


def test_nothing_is_looked_for_where_fat_is_suppressed(at_t1, finder):
    pane = at_t1.viewing.panes[SAG]
    suppressed = Weighting.PD_FAT_SUPPRESSED
    pane.choices = tuple(replace(each, weighting=suppressed) for each in pane.choices)
    at_t1.go_to(Step.MUSCLE)
    assert not finder.sides
    assert at_t1.message.startswith("No Y view proposed: no sagittal series on which fat is")


def test_a_doubtful_slice_is_said_to_be(at_t1, finder):
    finder.answer = replace(FOUND, joined=0.8, parted=0.65)
    at_t1.go_to(Step.MUSCLE)
    wait(at_t1)
    assert "not clearly; look at the slices beside" in at_t1.message


def test_what_is_found_too_late_is_dropped(at_t1, finder):
    finder.gate.clear()
    at_t1.go_to(Step.MUSCLE)
    gates = [each.name for each in at_t1.form.questions if each.is_adequacy]
    at_t1.put({name: {"not_assessable": "motion"} for name in gates})
    assert at_t1.sign("seven slow snails")
    assert at_t1.open_next()
    finder.gate.set()
    for thread in at_t1.y_views._threads:
        thread.join(5)
    at_t1.y_views.take()
    assert at_t1.y_views.words == ""
    assert not at_t1.y_views.can_show


def test_nothing_of_it_is_kept(at_t1):
    at_t1.go_to(Step.MUSCLE)
    wait(at_t1)
    at_t1.y_views.show()
    assert not at_t1.answers
    assert not at_t1.proposed.now


def test_closing_the_window_ends_the_search(at_t1, finder):
    finder.gate.clear()
    at_t1.go_to(Step.MUSCLE)
    began = time.monotonic()
    at_t1.y_views.stop()
    assert time.monotonic() - began < 3
    finder.gate.set()
