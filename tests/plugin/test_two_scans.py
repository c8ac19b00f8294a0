"""How far an implant moved, from a mark on the earlier scan and a registration that is known.

The registration is a stand-in with a shift chosen by hand, so that the move follows by hand, too;
that scans are laid right is what tests/measure/test_register.py holds against the phantom.
"""

from __future__ import annotations

import time
from threading import Event as Gate

import pytest
from reading_desk import add_scans, desk_of, healed, opened, prepare, with_phrase

from imgtrack.desk.cases.allot import allot
from imgtrack.desk.cases.booth import open_booth
from imgtrack.domain.errors import Fault, Refused
from imgtrack.domain.form import Purpose, review
from imgtrack.measure.motion import RigidTransform
from imgtrack.measure.registration.align import Registration
from imgtrack_napari.measuring import Placed
from imgtrack_napari.session import Session
from imgtrack_napari.two_scans import BUSY, TwoScans

NAME = "implant positions"
HERE, EARLIER = "0.1.3", "1.1.3"
HEAD = (-30.0, -11.2, 40.0)
IDENTITY = ((1.0, 0.0, 0.0), (0.0, 1.0, 0.0), (0.0, 0.0, 1.0))


class Laying:
    """Lays scans on each other by a shift of 1 mm in x, when it is let."""

    def __init__(self) -> None:
        self.calls: list[tuple] = []
        self.gate = Gate()
        self.gate.set()
        self.fault: Fault | None = None

    def __call__(self, pairs, side, *, near_first, near_follow, watch):
        self.calls.append((len(pairs), side.value, near_first, near_follow))
        end = time.monotonic() + 5
        while not self.gate.wait(0.01):
            watch()
            assert time.monotonic() < end
        if self.fault is not None:
            raise Refused(self.fault)
        shift = RigidTransform(IDENTITY, (1.0, 0.0, 0.0))
        return Registration(shift, 0.3, 0.5, 2, (0.0, 0.0, 0.0), 0.2)


@pytest.fixture
def laying():
    return Laying()


@pytest.fixture
def session(tmp_path, clock, shelf, laying):
    """At a follow-up with an earlier scan shown, implant 1 marked."""
    made = prepare(tmp_path / "desk")
    path = made / "study.toml"
    ask = f'ask = ["{NAME}"]\n# ask = ['
    path.write_text(path.read_text("utf-8").replace("# ask = [", ask, 1), "utf-8")
    study = opened(made, clock, show_earlier_scans="true")
    add_scans(study, [1], timepoint="m03")
    add_scans(study, [1])
    allot(study)
    with_phrase(study, "R1")
    found = Session(open_booth(desk_of(study, "R1"), shelf=shelf))
    while found.open_next() and not found.moves.is_possible:
        gates = [each.name for each in found.form.questions if each.is_adequacy]
        found.put({name: {"not_assessable": "motion"} for name in gates})
        assert found.sign("seven slow snails")
    found.moves = TwoScans(found, laying)
    for each in found.form.questions:
        if each.is_adequacy:
            found.choose(each.name, "adequate")
    found.hand.start(NAME)
    assert found.hand.click(Placed(HEAD, HERE)), found.message
    found.hand.end()
    yield found
    found.close()
    study.close()


def wait(session) -> None:
    """Look for results as the window does."""
    end = time.monotonic() + 5
    while session.hand.proposal is None and time.monotonic() < end:
        session.moves.take()
        time.sleep(0.005)


def mark(session, point, label="1"):
    session.moves.mark(NAME, label)
    assert session.hand.click(Placed(point, EARLIER)), session.message


def moved(session, number=0):
    return session.value(NAME)["implants"][number].get("migration")


def test_a_move_is_proposed_and_accepted(session, laying):
    """Laid by +1 mm in x the head is at -29; from (-32, -11.2, 44) that is 3, 0, -4: 5 mm."""
    session.moves.mark(NAME, "1")
    assert session.viewing.panes[next(iter(session.viewing.panes))].image.alias.startswith("1.1.")
    assert not session.hand.click(Placed(HEAD, HERE))
    assert "earlier scan" in session.message
    assert session.hand.click(Placed((-32.0, -11.2, 44.0), EARLIER))
    assert session.message == BUSY
    wait(session)
    assert session.message == "Implant 1 moved 5.0 mm; residual 0.3 mm."
    assert moved(session) is None
    session.hand.accept()
    assert moved(session) == {
        "mm": pytest.approx(5.0),
        "residual_mm": 0.3,
        "origin": "suggestion accepted",
    }
    pairs, side, near_first, near_follow = laying.calls[0]
    assert (pairs, side, near_first) == (2, "right", [(-32.0, -11.2, 44.0)])
    assert near_follow == [list(HEAD)]
    left = review(session.form, session.answers, purpose=Purpose.DRAFT).faults
    assert left == ()


def test_head_tip_and_move_are_signed(session):
    """Head and tip on two slices; every point is checked against its image at signing."""
    session.hand.start(NAME, "1")
    session.hand.click(Placed((-30.0, -6.8, 31.0), "0.1.4"))  # the next slice, 4.4 mm on
    mark(session, (-32.0, -11.2, 44.0))
    wait(session)
    session.hand.accept()
    session.put(
        {each: healed()[each] for each in healed() if each in session.form.names}
        | {"adequacy implants": {"value": "adequate"}}
    )
    assert session.sign("seven slow snails"), session.message
    (implant,) = session.value(NAME)["implants"]
    assert implant["points"] == [list(HEAD), [-30.0, -6.8, 31.0]]
    assert implant["migration"]["mm"] == pytest.approx(5.0)


def test_less_than_half_the_slice_spacing_is_said_to_be_no_move(session):
    """Half of 4.4 mm from slice to slice and twice the residual: root of 2.2² + 0.6² is 2.3 mm.

    Here 0.6, 0, 0.8 makes 1 mm.
    """
    mark(session, (-29.6, -11.2, 40.8))
    wait(session)
    below = "not detectable below 2.3 mm, half the slice spacing with the residual"
    assert session.message == f"Implant 1: 1.0 mm, {below}; residual 0.3 mm."


def test_rejected_leaves_the_answer_and_the_scans_are_laid_once(session, laying):
    mark(session, (-32.0, -11.2, 44.0))
    wait(session)
    session.hand.cancel()
    assert moved(session) is None
    mark(session, (-29.0, -11.2, 45.0))
    assert session.hand.proposal is not None  # at once
    assert len(laying.calls) == 1


def test_the_reader_goes_on_meanwhile_and_is_asked_when_the_hand_is_free(session, laying):
    laying.gate.clear()
    mark(session, (-32.0, -11.2, 44.0))
    session.hand.start(NAME)
    laying.gate.set()
    end = time.monotonic() + 5
    while session.moves._asked and time.monotonic() < end:
        session.moves.take()
        time.sleep(0.005)
    assert session.hand.proposal is None
    assert session.moves.is_busy
    session.hand.click(Placed((-20.0, -11.2, 40.0), HERE))
    session.hand.end()
    session.moves.take()
    session.hand.accept()
    assert moved(session)["mm"] == pytest.approx(5.0)
    assert [each["label"] for each in session.value(NAME)["implants"]] == ["1", "2"]


def test_a_failed_laying_is_told_and_proposes_nothing(session, laying):
    laying.fault = Fault("no humeral head was found in a scan")
    mark(session, (-32.0, -11.2, 44.0))
    end = time.monotonic() + 5
    while session.moves.is_busy and time.monotonic() < end:
        session.moves.take()
        time.sleep(0.005)
    assert session.hand.proposal is None
    assert session.message == "Nothing proposed: no humeral head was found in a scan"


def test_what_comes_after_the_case_is_dropped(session, laying):
    laying.gate.clear()
    mark(session, (-32.0, -11.2, 44.0))
    session.close_case()
    laying.gate.set()
    end = time.monotonic() + 5
    while session.moves.is_busy and time.monotonic() < end:
        session.moves.take()
        time.sleep(0.005)
    assert session.hand.proposal is None
    assert not session.moves.is_busy


def test_two_implants_wait_for_one_laying(session, laying):
    session.hand.start(NAME)
    session.hand.click(Placed((-20.0, -11.2, 40.0), HERE))
    session.hand.end()
    laying.gate.clear()
    mark(session, (-32.0, -11.2, 44.0))
    mark(session, (-24.0, -11.2, 44.0), label="2")
    laying.gate.set()
    for _ in range(2):
        wait(session)
        session.hand.accept()
    assert len(laying.calls) == 1
    assert moved(session)["mm"] == pytest.approx(5.0)
    assert moved(session, 1)["mm"] == pytest.approx(41**0.5)  # -19 from -24, 40 from 44


def test_closing_ends_a_search_that_is_under_way(session, laying):
    laying.gate.clear()
    mark(session, (-32.0, -11.2, 44.0))
    thread = session.moves._thread
    session.close()
    assert not thread.is_alive()
