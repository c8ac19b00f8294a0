"""What the program proposed is kept with draft and reading, with its fate, and for nobody else.

Lengths by hand, Pythagorean triples: 9, 12, 15 and 5, 12, 13; 8, 15, 17. Fates follow from the
words of the issue: suggestions are accepted, moved or rejected, recorded as such.
"""

from __future__ import annotations

import json

import pytest
from blindness import reachable
from reading_desk import (
    PHRASE,
    InventedShelf,
    add_scans,
    desk_of,
    gap,
    healed,
    line,
    torn,
    with_phrase,
)

from imgtrack.desk.cases.allot import allot
from imgtrack.desk.cases.opening import open_case, open_next
from imgtrack.desk.readings.amending import amend, signed_answers
from imgtrack.desk.readings.drafts import save_draft
from imgtrack.desk.readings.settle import answer_sets, waiting
from imgtrack.desk.readings.signing import sign
from imgtrack.desk.results import gather
from imgtrack.domain.errors import InvalidInput
from imgtrack.domain.reading import Reading
from imgtrack.outcomes.dictionary import MEANINGS, TABLES
from imgtrack.outcomes.proposals import COLUMNS, SUMMARY_COLUMNS, proposal_use, proposals
from imgtrack.outcomes.study_data import study_data
from imgtrack.store.verify import verify

SHELF = InventedShelf()
WIDTH = line(15.0, [[15.6, 0, 40], [15.6, 9, 52]], "0.2.2") | {"origin": "suggestion accepted"}
LONGER = line(17.0, [[-35, -11.2, 40], [-20, -11.2, 48]], "0.1.3")
SLICES = {"coronal oblique": gap(4.4, "0.1.3"), "sagittal oblique": gap(4.4, "0.2.2")}


def shown(value, decision="accepted", **before):
    return {"value": value, "before": before, "decision": decision}


@pytest.fixture
def desk(reading_study):
    study = reading_study(interim_look="true")
    add_scans(study, [1, 2])
    allot(study)
    with_phrase(study, "R2")
    return with_phrase(study, "R1")


@pytest.fixture
def case(desk):
    return open_next(desk, shelf=SHELF)


def signed(desk, case, answers, made):
    """Sign a reading with a record of proposals and return it."""
    save_draft(desk, case, answers, made)
    key = sign(desk, case, PHRASE).reading
    with desk.store.look() as look:
        assert verify(look) == []
        return look.get(Reading, key)


def fates(reading):
    return {name: [each["fate"] for each in made] for name, made in reading.proposals.items()}


def test_each_proposal_is_signed_with_its_fate(desk, case):
    moved = line(13.0, [[-30, -11.2, 40], [-18, -11.2, 45]], "0.1.3")
    answers = torn() | {
        "tear width": WIDTH,
        "straight retraction": moved | {"origin": "suggestion moved"},
    }
    reading = signed(
        desk,
        case,
        answers,
        {
            "tear width": [shown(LONGER, "rejected"), shown(WIDTH, mm=14.0)],
            "straight retraction": [shown(LONGER)],
            "gap slices": [shown(SLICES)],
        },
    )
    assert fates(reading) == {
        "tear width": ["rejected, answered otherwise", "accepted"],
        "straight retraction": ["accepted and moved"],
        "gap slices": ["accepted and moved"],  # two coronal slices were signed, one was proposed
    }
    assert reading.proposals["tear width"][1]["before"] == {"mm": 14.0}
    assert reading.proposals["tear width"][1]["value"]["images"] == [
        {"uid": f"{reading.scan}.2.2", "frame": 1}
    ]


@pytest.mark.parametrize("decision", ["rejected", "not decided"])
def test_what_is_not_accepted_is_rejected_and_drawn_or_not_answered(desk, case, decision):
    made = {
        "tear width": [shown(WIDTH, decision)],
        "straight retraction": [shown(LONGER, decision)],
    }
    answers = torn() | {"straight retraction": {"not_assessable": "motion"}}
    reading = signed(desk, case, answers, made)
    assert fates(reading) == {
        "tear width": ["rejected, answered otherwise"],
        "straight retraction": ["rejected, not answered"],
    }


def test_slices_taken_as_proposed_are_accepted(desk, case):
    reading = signed(desk, case, torn(), {"gap slices": [shown(torn()["gap slices"])]})
    assert fates(reading) == {"gap slices": ["accepted"]}


def test_a_proposal_accepted_and_taken_back_was_rejected_in_the_end(desk, case):
    reading = signed(desk, case, torn(), {"tear width": [shown(WIDTH)]})  # torn() is drawn
    assert fates(reading) == {"tear width": ["rejected, answered otherwise"]}


def test_a_question_that_fell_away_was_not_answered(desk, case):
    reading = signed(desk, case, healed(), {"tear width": [shown(WIDTH)]})
    assert fates(reading) == {"tear width": ["rejected, not answered"]}
    assert "0.2.2" in reading.images  # so that the proposal can be looked at again


def test_a_draft_keeps_it_for_the_next_window(desk, case):
    made = {"tear width": [shown(WIDTH, "not decided")]}
    save_draft(desk, case, torn(), made)
    again = open_case(desk, case.code, shelf=SHELF)
    assert again.proposals == made
    save_draft(desk, again, healed())  # a window that records none leaves what was kept
    assert open_case(desk, case.code, shelf=SHELF).proposals == made


def test_nothing_proposed_is_not_the_same_as_not_recorded(desk, case):
    assert signed(desk, case, torn(), {}).proposals == {}
    second = open_next(desk, shelf=SHELF)
    assert signed(desk, second, torn(), None).proposals is None


def test_an_amendment_tells_the_fate_in_the_new_answers(desk, case):
    key = signed(desk, case, torn() | {"tear width": WIDTH}, {"tear width": [shown(WIDTH)]}).key
    answers = signed_answers(desk, key) | {"tear width": torn()["tear width"]}
    done = amend(desk, key, answers, reason="drawn anew", pass_phrase=PHRASE, shelf=SHELF)
    with desk.store.look() as look:
        assert fates(look.get(Reading, key)) == {"tear width": ["accepted"]}
        assert fates(look.get(Reading, done.reading)) == {
            "tear width": ["rejected, answered otherwise"]
        }


def test_what_cannot_be_kept_of_proposals_stops_no_reading(desk, case):
    """One lay on a series that is gone, one is of a question that is asked no more."""
    made = {"tear width": [shown(WIDTH), shown(WIDTH | {"images": []})]}
    on_coronal = {name: each for name, each in healed().items() if "0.2" not in repr(each)}
    save_draft(desk, case, on_coronal, made)
    fewer = InventedShelf()
    whole = fewer.series
    fewer.series = lambda scan, records: whole(scan, records)[:1]
    again = open_case(desk, case.code, shelf=fewer)
    assert again.proposals == {"tear width": [shown(WIDTH | {"images": []})]}
    reading = signed(desk, again, on_coronal, {"some length": [shown(WIDTH)]})
    assert reading.proposals == {}


@pytest.mark.parametrize(
    ("made", "words"),
    [
        ({"sugaya": [shown({"value": "IV"})]}, "nothing is proposed for this question"),
        ({"tear width": [shown({"mm": 15.0})]}, "'points' is missing"),
        ({"tear width": [shown(WIDTH, "maybe")]}, "'decision' cannot be used"),
        ({"tear width": {"mm": 15.0}}, "these are no proposals"),
        ({"tear width": [shown(WIDTH, mm="15")]}, "'mm' cannot be used"),
        ({"tear width": [shown(WIDTH | {"images": [{"uid": "9.9.9", "frame": 1}]})]}, "no such im"),
    ],
)
def test_a_record_that_makes_no_sense_is_refused(desk, case, made, words):
    save_draft(desk, case, torn(), made)
    with pytest.raises(InvalidInput, match=words):
        sign(desk, case, PHRASE)


def test_an_adjudicator_is_not_shown_what_was_proposed(desk, case):
    number = 15.4321
    strange = {"tear width": [shown(WIDTH, "rejected", mm=number)]}
    signed(desk, case, torn(), strange)
    other = desk_of(desk, "R2")
    theirs = open_case(other, _same_scan(desk, other, case), shelf=SHELF)
    assert theirs.proposals == {}
    save_draft(other, theirs, healed(), {})
    sign(other, theirs, PHRASE)
    judge = with_phrase(desk, "A1") if waiting(desk_of(desk, "A1")) else with_phrase(desk, "A2")
    (first,) = waiting(judge)
    sets = answer_sets(judge, first.code)
    assert len(sets) == 2
    with open_case(judge, first.code, shelf=SHELF) as opened:
        for start in (*sets, theirs, opened):
            assert not any(each == number for each in reachable(start) if isinstance(each, float))


def _same_scan(desk, other, case):
    from imgtrack.domain.cases import Case

    with desk.store.look() as look:
        scan = look.get(Case, case.code).scan
        (found,) = look.where(Case, reader=other.who, scan=scan)
    return found.code


def test_tables_tell_how_proposals_fared(desk, case):
    """Signed minus proposed by hand: width 15 - 17 = -2 mm, coronal slices 2 - 1 = 1."""
    made = {"tear width": [shown(LONGER, "rejected", mm=14.0)], "gap slices": [shown(SLICES)]}
    signed(desk, case, torn(), made)
    signed(desk, open_next(desk, shelf=SHELF), torn(), None)
    data = study_data(gather(desk_of(desk, "L1")))
    found = proposals(data)
    assert tuple(found.columns) == COLUMNS
    told = found.set_index(["question", "plane"])[["proposed", "before", "signed", "fate"]]
    assert told.loc[("tear width", "")].tolist() == [17, 14, 15, "rejected, answered otherwise"]
    assert json.loads(told.loc[("gap slices", "coronal oblique")].to_json()) == {
        "proposed": 1,
        "before": None,
        "signed": 2,
        "fate": "accepted and moved",
    }
    use = proposal_use(data).set_index(["reader", "question", "plane"])
    width = use.loc[("R1", "tear width", "")]
    assert (width["proposals"], width["answered_otherwise"], width["answered_before"]) == (1, 1, 1)
    assert (width["mean_difference"], width["mean_absolute_difference"]) == (-2.0, 2.0)
    assert use.loc[("R1", "gap slices", "sagittal oblique"), "mean_difference"] == 0.0
    assert {*COLUMNS, *SUMMARY_COLUMNS} <= MEANINGS.keys()
    assert {"proposals", "proposal_use"} <= TABLES.keys()
