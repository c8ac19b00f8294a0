"""The desk itself under logins of its people: what PostgreSQL lets through is enough to work."""

from __future__ import annotations

from dataclasses import replace

import pytest
from reading_desk import (
    PHRASE,
    Clock,
    add_scans,
    desk_of,
    healed,
    opened,
    prepare,
    torn,
    with_phrase,
)
from settling_desk import SHELF

from imgtrack.desk.cases.allot import allot
from imgtrack.desk.cases.opening import open_next
from imgtrack.desk.people import access
from imgtrack.desk.readings.drafts import save_draft
from imgtrack.desk.readings.progress import progress
from imgtrack.desk.readings.settle import answer_sets, settle, waiting
from imgtrack.desk.readings.signing import sign
from imgtrack.desk.readings.verdicts import follow_all
from imgtrack.domain.errors import InvalidInput, Refused
from imgtrack.domain.imaging import Stage
from imgtrack.domain.protocol import Role
from imgtrack.domain.reading import Reading, Verdict
from imgtrack.store.database import open_store
from imgtrack.store.verify import verify

pytestmark = pytest.mark.postgres
LOGINS = {person: f"own_{person.lower()}" for person in ("R1", "R2", "A1", "A2", "C1", "L1")}


@pytest.fixture(scope="module")
def logins(server):
    for login in LOGINS.values():
        server.execute(f"CREATE ROLE {login} LOGIN")


@pytest.fixture
def study(server, logins, tmp_path):
    url = server.database()
    people = {"settle_agreeing_share": "0.0", "repeat_share": "0.0"}
    with opened(prepare(tmp_path / "desk", url=url), Clock(), **people) as made:
        for person in ("R1", "R2", "A1", "A2"):
            with_phrase(made, person)
        for person, login in LOGINS.items():
            access.grant(made, person, login)
        yield made


@pytest.fixture
def own(study):
    """Open the desk of a person through that person's login."""
    stores = []

    def open_own(person):
        url = study.store.url.replace("imgtrack@", f"{LOGINS[person]}@")
        stores.append(open_store(url))
        return replace(desk_of(study, person), store=stores[-1])

    yield open_own
    for store in stores:
        store.close()


def read(desk, answers):
    with open_next(desk, shelf=SHELF) as case:
        save_draft(desk, case, answers)
        return sign(desk, case, PHRASE)


def test_a_scan_is_read_settled_and_final_under_own_logins(study, own):
    """A reader's login does not see the other reading, so the coordinator lets verdicts follow."""
    add_scans(study, [1])
    coordinator = own("C1")
    allot(coordinator)
    read(own("R1"), torn())
    read(own("R2"), healed())
    with coordinator.store.look() as look:
        assert look.all(Verdict) == []
    (moved,) = follow_all(coordinator)
    assert (moved.stage, moved.case is not None) == (Stage.READERS_DIFFER, True)
    adjudicator = own(moved.case.reader)
    (mine,) = waiting(adjudicator)
    assert len(answer_sets(adjudicator, mine.code)) == 2
    settle(adjudicator, mine.code, torn(), pass_phrase=PHRASE, shelf=SHELF)
    analyst = own("L1")
    assert [each.signed for each in progress(analyst)][:2] == [1, 1]
    with analyst.store.look() as look:
        (verdict,) = look.all(Verdict)
        assert verdict.decided_by == moved.case.reader
        assert len(look.all(Reading)) == 3
    with study.store.look() as look:
        assert verify(look) == []


def test_access_is_the_coordinators_to_give(study):
    with pytest.raises(Refused, match="may not grant access"):
        access.grant(desk_of(study, "R1"), "R1", "own_r1")
    with pytest.raises(Refused, match="may not revoke access"):
        access.revoke(desk_of(study, "R1"), "own_r2")
    with pytest.raises(InvalidInput, match="no such person"):
        access.grant(study, "X9", "own_r1")
    assert access.grant(study, "R1", "own_r1") is Role.READER
    access.revoke(study, "own_r1")
