"""Every proposal a reader sees is on record with what was done to it, whatever is undone later."""

from __future__ import annotations

import pytest
from reading_desk import PHRASE, image, torn

from imgtrack.domain.errors import Fault, Refused, Unavailable
from imgtrack.domain.reading import Reading
from imgtrack_napari import hand as hands
from imgtrack_napari.figures import Handle
from imgtrack_napari.measuring import Placed
from imgtrack_napari.proposing import Proposal

WIDTH = {
    "mm": 15.0,
    "points": [[15.6, 0, 40], [15.6, 9, 52]],
    "images": [image("0.2.2")],
    "origin": "suggestion accepted",
}


def at(alias, *points):
    return [Placed(tuple(map(float, point)), alias) for point in points]


def begin_torn(session):
    for name in ("adequacy tendon", "adequacy thickness", "adequacy muscle"):
        session.choose(name, "adequate")
    session.choose("tendon defect", "full-thickness defect")


@pytest.fixture
def proposing(monkeypatch):
    """Whatever is asked for, a width of 15 mm (9, 12, 15) is proposed."""
    monkeypatch.setattr(
        hands, "propose_edges", lambda _session, name: Proposal({name: WIDTH}, "Proposed.")
    )


@pytest.fixture
def asked(session, proposing):
    """A torn case in which a width is proposed."""
    begin_torn(session)
    session.hand.propose_edges("tear width")
    return session


def decisions(session):
    return [each["decision"] for each in session.proposed.now.get("tear width", [])]


def test_it_is_kept_as_soon_as_it_is_shown(asked, new_session):
    assert decisions(asked) == ["not decided"]
    later = new_session()
    assert later.open_next()
    assert later.case.code == asked.case.code
    assert later.proposed.now == asked.proposed.now
    assert later.hand.proposal is None


def test_accepted_and_rejected(asked):
    asked.hand.cancel()
    assert asked.message == "Rejected; your answers stay."
    asked.hand.propose_edges("tear width")
    asked.hand.accept()
    assert decisions(asked) == ["rejected", "accepted"]
    asked.undo()
    assert "tear width" not in asked.answers
    assert decisions(asked) == ["rejected", "accepted"]


def test_put_away_by_drawing_or_by_asking_again_is_rejected(asked):
    asked.hand.propose_edges("tear width")
    assert decisions(asked) == ["rejected", "not decided"]
    asked.hand.start("tear width")
    assert decisions(asked) == ["rejected", "rejected"]
    assert asked.hand.proposal is None


def test_what_was_drawn_before_is_told(session, proposing):
    """8, 15, 17 was drawn first."""
    begin_torn(session)
    session.hand.start("tear width")
    for each in at("0.2.2", (15.6, 0, 40), (15.6, 8, 55)):
        assert session.hand.click(each), session.message
    session.hand.propose_edges("tear width")
    session.hand.accept()
    (entry,) = session.proposed.now["tear width"]
    assert entry["before"] == {"mm": 17.0}
    assert entry["value"]["mm"] == 15.0


def test_the_proposal_stays_as_it_was_made_when_the_reader_moves_it(asked):
    (moved,) = at("0.2.2", (15.6, 12, 56))
    asked.hand.move(Handle("tear width", "", 1), moved)
    asked.hand.accept()
    assert asked.answers["tear width"]["mm"] == 20.0  # 12, 16, 20
    (entry,) = asked.proposed.now["tear width"]
    assert (entry["value"]["mm"], entry["decision"]) == (15.0, "accepted")


def test_it_is_signed_with_the_reading(study, session, proposing):
    session.put(torn())
    session.hand.propose_edges("tear width")
    session.hand.cancel()
    assert session.sign(PHRASE), session.message
    with study.store.look() as look:
        reading = look.get(Reading, session.case.code)
    (entry,) = reading.proposals["tear width"]
    assert entry["fate"] == "rejected, answered otherwise"
    session.open_next()
    assert session.proposed.now == {}


def test_nothing_is_noted_where_nothing_is_proposed(session, monkeypatch):
    begin_torn(session)

    def refuse(_session, _name):
        raise Refused(Fault("draw the line on one slice first"))

    monkeypatch.setattr(hands, "propose_edges", refuse)
    session.hand.propose_edges("tear width")
    assert session.proposed.now == {}
    assert session.message == "Nothing proposed: draw the line on one slice first"


def test_a_draft_that_cannot_be_saved_is_told(asked, monkeypatch):
    def refuse(*_given):
        raise Unavailable(Fault("the disk is full"))

    monkeypatch.setattr(asked._booth, "save", refuse)
    asked.hand.propose_edges("tear width")
    assert asked.message == "Not saved: the disk is full"
    asked.hand.cancel()
    assert asked.message == "Not saved: the disk is full"
