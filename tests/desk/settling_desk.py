"""A study on which scans are read, differ and are settled, as a test tells it."""

from __future__ import annotations

from dataclasses import replace

from reading_desk import PHRASE, InventedShelf, add_scans, with_phrase

from imgtrack.desk.cases.allot import allot
from imgtrack.desk.cases.opening import open_case
from imgtrack.desk.readings.drafts import save_draft
from imgtrack.desk.readings.settle import settle
from imgtrack.desk.readings.signing import sign
from imgtrack.domain.cases import Case
from imgtrack.domain.imaging import Scan
from imgtrack.domain.reading import Reading, Round, Verdict

SHELF = InventedShelf()
NO_SAMPLE = {"settle_agreeing_share": "0.0", "repeat_share": "0.0"}


class Desk:
    """A study with people who can sign; A2 leaves it to A1 to settle."""

    def __init__(self, reading_study, clock, name="desk", scans=1, **changes):
        self.clock = clock
        self.study = without(reading_study(name=name, **(NO_SAMPLE | changes)), "A2")
        self.who = {code: with_phrase(self.study, code) for code in ("R1", "R2", "A1")}
        self.scans = add_scans(self.study, range(1, scans + 1))
        allot(self.study)

    def case(self, who, scan, round_=Round.FIRST):
        with self.study.store.look() as look:
            return look.where(Case, reader=who, scan=scan.uid, round=round_)[-1].code

    def read(self, who, answers, scan=None, round_=Round.FIRST):
        desk = self.who[who]
        code = self.case(who, scan or self.scans[0], round_)
        with open_case(desk, code, shelf=SHELF) as case:
            save_draft(desk, case, answers)
            return sign(desk, case, PHRASE).reading

    def settle(self, answers, scan=None):
        self.clock.move(minutes=1)
        code = self.case("A1", scan or self.scans[0], Round.SETTLING)
        return settle(self.who["A1"], code, answers, pass_phrase=PHRASE, shelf=SHELF)

    def pick(self, label):
        return self.settle({"picked reading": {"value": label}})

    def verdicts(self):
        with self.study.store.look() as look:
            return look.all(Verdict)

    def stage(self, scan=None):
        with self.study.store.look() as look:
            return look.get(Scan, (scan or self.scans[0]).uid).stage

    def settling_cases(self):
        with self.study.store.look() as look:
            return look.where(Case, round=Round.SETTLING)

    def reading(self, scan, who, answers):
        """Return a first reading as it could have come from anywhere."""
        now = self.clock()
        return Reading(
            key=f"{scan.uid}-{who}",
            scan=scan.uid,
            reader=who,
            round=Round.FIRST,
            answers=answers,
            protocol_hash=self.study.protocol.hash,
            software_version="0",
            began_at=now,
            signed_at=now,
        )


def without(study, person):
    """Return a study whose protocol does not name a person."""
    people = tuple(each for each in study.protocol.person if each.code != person)
    return with_people(study, people)


def with_people(study, people):
    return replace(study, protocol=study.protocol.model_copy(update={"person": people}))
