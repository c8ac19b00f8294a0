"""An invented study as records: readers with known errors, missing scans, bilateral patients."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import numpy as np

import imgtrack.desk
from imgtrack.domain.form import form_for
from imgtrack.domain.imaging import Modality, Scan
from imgtrack.domain.protocol import read_protocol
from imgtrack.domain.reading import Reading, Round, Verdict
from imgtrack.domain.records import Records
from imgtrack.domain.subjects import Event, EventKind, Repair, Score, Side, repair_code
from imgtrack.domain.verdicts import decide, settling_needed, stage_of

STARTER = (Path(imgtrack.desk.__file__).parent / "starter.toml").read_text("utf-8")
MOMENT = datetime(2035, 1, 1, tzinfo=UTC)
GRADES = ("I", "II", "III", "IV", "V")
TORN = frozenset({"IV", "V"})


def starter_protocol(**changes):
    protocol = read_protocol(STARTER.format(name="Invented", who="C1"))
    design = protocol.reading.model_copy(update={"settle_agreeing_share": 0.0} | changes)
    return protocol.model_copy(update={"reading": design})


def answers(grade, number, *, fatty="1"):
    """Return answers that a signed reading of a repaired shoulder could hold."""
    given = {"adequacy tendon": {"value": "adequate"}}
    if grade is None:
        lacking = {"not_assessable": "motion"}
        return {"tendon defect": lacking, "sugaya": lacking, "tear width": lacking}
    given |= {"sugaya": {"value": grade}, "goutallier supraspinatus": {"value": fatty}}
    if grade in TORN:
        return given | {
            "tendon defect": {"value": "full-thickness defect"},
            "tear width": {"mm": round(10 + number, 1)},
            "straight retraction": {"mm": round(15 + number, 1)},
            "retear_pattern": {"value": "1" if number < 0 else "2"},
        }
    return given | {
        "tendon defect": {"value": "no full-thickness defect"},
        "tear width": {"not_asked": "no full-thickness defect"},
        "tendon thickness": {"mm": round(5 + number / 4, 2)},
    }


class Invented:
    """Makes the records; everything is drawn from one seed."""

    def __init__(self, repairs=60, seed=3, miss=0.1, error=0.15, readers=("R1", "R2"), **changes):
        self.rng = np.random.default_rng(seed)
        self.protocol = starter_protocol(**changes)
        self.form = form_for(self.protocol, Modality.MR)
        self.miss, self.error, self.readers = miss, error, readers
        self.points = [p for p in self.protocol.timepoint if p.target_day > 0]
        self.repairs = [self._repair(number) for number in range(1, repairs + 1)]
        self.scans, self.readings, self.verdicts, self.scores = [], [], [], []
        for repair in self.repairs:
            self._follow(repair)

    def _repair(self, number):
        bilateral = number % 10 == 0
        subject = f"S{number - bilateral:03}"
        side = Side.LEFT if bilateral else Side.RIGHT
        return Repair(
            code=repair_code(subject, side, 1),
            subject=subject,
            side=side,
            operated_on=date(2030, 1, 1) + timedelta(days=int(self.rng.integers(0, 200))),
            age_years=int(self.rng.integers(45, 75)),
            tear_size_mm=float(self.rng.choice([8, 20, 40, 60])),
            technique=str(self.rng.choice(["single row", "double row"])),
        )

    def _follow(self, repair):
        torn_from = self.rng.choice([0, 1, 2, 9], p=[0.1, 0.12, 0.08, 0.7])
        for place, point in enumerate(self.points):
            is_torn = place >= torn_from
            self._score(repair, point, 60 + 8 * place - 9 * is_torn)
            if self.rng.random() >= self.miss:
                self._read(repair, point, is_torn)
        self._score(repair, self.protocol.timepoint[0], 45)

    def _score(self, repair, point, mean):
        day = repair.operated_on + timedelta(days=point.target_day)
        total = float(np.clip(round(mean + self.rng.normal(0, 6)), 0, 100))
        self.scores.append(Score(repair.code, "constant", point.name, day, total))

    def _read(self, repair, point, is_torn):
        day = repair.operated_on + timedelta(days=point.target_day + int(self.rng.integers(-9, 9)))
        scan = Scan(f"2.25.{len(self.scans) + 1}", repair.code, point.name, day, Modality.MR)
        truth = self.rng.choice(["IV", "V"] if is_torn else ["I", "II", "III"])
        number = float(self.rng.normal(0, 4))
        mine = [self._reading(scan, reader, truth, number) for reader in self.readers]
        if settling_needed(self.form, mine, self.protocol):
            own = self._reading(scan, "A1", truth, number, Round.SETTLING)
            mine.append(replace(own, answers=answers(truth, number)))
        decision = decide(self.form, mine, self.protocol)
        by = [each.reader for each in mine if each.round is Round.SETTLING]
        self.verdicts.append(
            Verdict(
                key=f"{scan.uid}/1",
                scan=scan.uid,
                rule=decision.rule.value,
                answers=decision.answers,
                readings=decision.readings,
                decided_by=by[0] if by else "protocol",
                decided_at=MOMENT,
            )
        )
        self.scans.append(replace(scan, stage=stage_of(self.form, mine, self.protocol)))
        self.readings += mine

    def _reading(self, scan, reader, truth, number, round_=Round.FIRST):
        grade = truth
        if self.rng.random() < self.error:
            place = GRADES.index(truth) + int(self.rng.choice([-1, 1]))
            grade = GRADES[min(max(place, 0), len(GRADES) - 1)]
        if self.rng.random() < self.error / 4:
            grade = None
        own = number + float(self.rng.normal(0, 1.5))
        return Reading(
            key=f"{scan.uid}-{reader}-{round_.value}",
            scan=scan.uid,
            reader=reader,
            round=round_,
            answers=answers(grade, own),
            protocol_hash=self.protocol.hash,
            software_version="0",
            began_at=MOMENT,
            signed_at=MOMENT,
            active_seconds=300.0,
        )

    def records(self, **changes):
        made = Records(
            protocol=self.protocol,
            today=date(2034, 1, 1),
            repairs=tuple(self.repairs),
            events=(Event(self.repairs[1].code, EventKind.DEATH, date(2030, 9, 1)),),
            scores=tuple(self.scores),
            scans=tuple(self.scans),
            readings=tuple(self.readings),
            verdicts=tuple(self.verdicts),
            head="0" * 64,
            version="0",
        )
        return replace(made, **changes)
