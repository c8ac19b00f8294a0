"""The records of a study as tidy tables: one row per repair, scan, finding, verdict and score."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import pandas as pd

from imgtrack.domain.form import names, outcome_of
from imgtrack.domain.form.outcome import outcome_question
from imgtrack.domain.imaging import Modality, Stage
from imgtrack.domain.reading import Round
from imgtrack.domain.schedule import cell
from imgtrack.domain.verdicts import standing
from imgtrack.outcomes.findings import Kind, findings
from imgtrack.outcomes.questions import asked

if TYPE_CHECKING:
    from imgtrack.domain.imaging import Scan
    from imgtrack.domain.protocol import Protocol
    from imgtrack.domain.reading import Reading, Verdict
    from imgtrack.domain.records import Records
    from imgtrack.domain.subjects import Repair

NOT_ASSESSABLE = "not assessable"
UNSCHEDULED = "unscheduled"

REPAIR_COLUMNS = (
    "repair", "subject", "side", "operation_date", "site", "arm", "sex", "age_years",
    "tear_size_mm", "technique",
)  # fmt: skip
STATE_COLUMNS = ("repair", "subject", "site", "arm", "timepoint", "state", "reason")
SCAN_COLUMNS = ("scan", "repair", "subject", "modality", "timepoint", "day", "stage")
READING_COLUMNS = (
    "reading", "scan", "repair", "subject", "modality", "timepoint", "day", "reader", "round",
    "outcome", "outcome_sensitivity", "signed_at", "minutes", "mismatches", "amends",
)  # fmt: skip
FINDING_COLUMNS = ("reading", "question", "kind", "code", "number", "unit", "reason")
VERDICT_COLUMNS = (
    "scan", "repair", "subject", "modality", "timepoint", "day", "rule", "decided_by", "readings",
    "grade", "outcome", "outcome_sensitivity",
)  # fmt: skip
VERDICT_FINDING_COLUMNS = ("scan", *FINDING_COLUMNS[1:])
SCORE_COLUMNS = ("repair", "subject", "score", "timepoint", "day", "total")
EVENT_COLUMNS = ("repair", "event", "day")


@dataclass(frozen=True, slots=True, eq=False)
class StudyData:
    """The tables everything else is computed from.

    Attributes
    ----------
    records
        What they were made of.
    repairs
        One row per repair, with the further columns of the enrolment sheet.
    states
        One row per repair and timepoint with imaging: its state on the follow-up board.
    scans
        One row per scan; ``day`` counts from the operation.
    readings
        One row per standing reading that is no training, in the order of signing, with its outcome
        by both rules: ``healed``, ``retear``, ``not assessable``, or empty where it is not asked.
    findings
        One row per reading and finding.
    verdicts
        One row per scan whose reading is final.
    verdict_findings
        One row per verdict and finding.
    scores, events
        Clinical scores, and what happened to repairs.
    """

    records: Records
    repairs: pd.DataFrame
    states: pd.DataFrame
    scans: pd.DataFrame
    readings: pd.DataFrame
    findings: pd.DataFrame
    verdicts: pd.DataFrame
    verdict_findings: pd.DataFrame
    scores: pd.DataFrame
    events: pd.DataFrame

    @property
    def protocol(self) -> Protocol:
        """The protocol in force."""
        return self.records.protocol

    @property
    def follow_up(self) -> tuple[str, ...]:
        """Names of the timepoints after surgery that expect imaging, by target day."""
        points = sorted(self.protocol.timepoint, key=lambda point: point.target_day)
        return tuple(p.name for p in points if p.scan and p.target_day > 0)

    def tables(self) -> dict[str, pd.DataFrame]:
        """Return the tables by name."""
        return {
            name: getattr(self, name)
            for name in (
                "repairs", "states", "scans", "readings", "findings", "verdicts",
                "verdict_findings", "scores", "events",
            )
        }  # fmt: skip


def study_data(records: Records) -> StudyData:
    """Return the tidy tables of a study's records."""
    context = _Context(records)
    final = {verdict.scan: verdict for verdict in records.verdicts}
    read = [
        reading
        for reading in sorted(standing(records.readings), key=lambda r: (r.signed_at, r.key))
        if reading.round is not Round.TRAINING and reading.scan in context.scans
    ]
    decided = [v for uid, v in final.items() if context.is_final(uid)]
    return StudyData(
        records=records,
        repairs=pd.DataFrame(
            [_repair_row(r) for r in records.repairs], columns=_repair_columns(records.repairs)
        ),
        states=_frame(context.state_rows(), STATE_COLUMNS),
        scans=_frame(map(context.scan_row, records.scans), SCAN_COLUMNS),
        readings=_frame(map(context.reading_row, read), READING_COLUMNS),
        findings=_frame(context.finding_rows("reading", read), FINDING_COLUMNS),
        verdicts=_frame(map(context.verdict_row, decided), VERDICT_COLUMNS),
        verdict_findings=_frame(context.finding_rows("scan", decided), VERDICT_FINDING_COLUMNS),
        scores=_frame(context.score_rows(), SCORE_COLUMNS),
        events=_frame(context.event_rows(), EVENT_COLUMNS),
    )


def _frame(rows: Iterable[Mapping[str, Any]], columns: tuple[str, ...]) -> pd.DataFrame:
    return pd.DataFrame(list(rows), columns=list(columns))


def _repair_columns(repairs: Iterable[Repair]) -> list[str]:
    extra = dict.fromkeys(name for repair in repairs for name in repair.extra)
    return [*REPAIR_COLUMNS, *(name for name in extra if name not in REPAIR_COLUMNS)]


def _repair_row(repair: Repair) -> dict[str, Any]:
    return {
        **repair.extra,
        "repair": repair.code,
        "subject": repair.subject,
        "side": repair.side.value,
        "operation_date": repair.operated_on.isoformat(),
        "site": repair.site,
        "arm": repair.arm,
        "sex": repair.sex.value if repair.sex else "",
        "age_years": repair.age_years,
        "tear_size_mm": repair.tear_size_mm,
        "technique": repair.technique,
    }


class _Context:
    """What a row needs from other records."""

    def __init__(self, records: Records) -> None:
        self.records = records
        self.repairs = {repair.code: repair for repair in records.repairs}
        self.scans = {scan.uid: scan for scan in records.scans if scan.repair in self.repairs}
        self._asked = asked(records.protocol)
        self._sensitivity = records.protocol.outcome.sensitivity_rule

    def is_final(self, uid: str) -> bool:
        """Whether the verdict of a scan stands: an amendment since then may have reopened it."""
        return uid in self.scans and self.scans[uid].stage is Stage.FINAL

    def _day(self, repair: str, on: Any) -> int:
        days: int = (on - self.repairs[repair].operated_on).days
        return days

    def _of_scan(self, scan: Scan) -> dict[str, Any]:
        return {
            "scan": scan.uid,
            "repair": scan.repair,
            "subject": self.repairs[scan.repair].subject,
            "modality": scan.modality.value,
            "timepoint": scan.timepoint or UNSCHEDULED,
            "day": self._day(scan.repair, scan.acquired_on),
        }

    def scan_row(self, scan: Scan) -> dict[str, Any]:
        """Return the row of a scan."""
        return self._of_scan(scan) | {"stage": scan.stage.value}

    def state_rows(self) -> Iterator[dict[str, Any]]:
        """Yield the state of every repair at every timepoint that expects imaging."""
        events, scans = defaultdict(list), defaultdict(list)
        for event in self.records.events:
            events[event.repair].append(event)
        for scan in self.scans.values():
            scans[scan.repair].append(scan)
        points = [point for point in self.records.protocol.timepoint if point.scan]
        for repair in self.records.repairs:
            mine = events[repair.code]
            for point in sorted(points, key=lambda point: point.target_day):
                at = cell(repair, point, mine, scans[repair.code], self.records.today)
                told = [e.kind.value for e in mine if e.happened_on <= at.closes_on]
                yield {
                    "repair": repair.code,
                    "subject": repair.subject,
                    "site": repair.site,
                    "arm": repair.arm,
                    "timepoint": point.name,
                    "state": at.state.value,
                    "reason": ", ".join(told),
                }

    def _outcomes(self, scan: Scan, answers: Mapping[str, Any]) -> dict[str, str]:
        """Return the outcome by both rules; empty before surgery and on radiographs."""
        is_asked = scan.modality is Modality.MR and self._day(scan.repair, scan.acquired_on) >= 0
        found = {}
        for column, rule in (("outcome", ""), ("outcome_sensitivity", self._sensitivity)):
            healing = outcome_of(answers, self.records.protocol, rule=rule)
            known = NOT_ASSESSABLE if healing is None else healing.value
            found[column] = known if is_asked else ""
        return found

    def reading_row(self, reading: Reading) -> dict[str, Any]:
        """Return the row of a reading."""
        scan, seconds = self.scans[reading.scan], reading.active_seconds
        return {
            **self._of_scan(scan),
            **self._outcomes(scan, reading.answers),
            "reading": reading.key,
            "reader": reading.reader,
            "round": reading.round.value,
            "signed_at": reading.signed_at.isoformat(),
            "minutes": None if seconds is None else seconds / 60,
            "mismatches": len(reading.mismatches),
            "amends": reading.amends,
        }

    def verdict_row(self, verdict: Verdict) -> dict[str, Any]:
        """Return the row of a final verdict."""
        scan = self.scans[verdict.scan]
        form = self._asked.form(scan.modality)
        name = form and outcome_question(form, self.records.protocol)
        given = verdict.answers.get(name or "", {})
        return {
            **self._of_scan(scan),
            **self._outcomes(scan, verdict.answers),
            "rule": verdict.rule,
            "decided_by": verdict.decided_by,
            "readings": " ".join(verdict.readings),
            "grade": given.get("value", ""),
        }

    def finding_rows(
        self, key: str, given: Iterable[Reading] | Iterable[Verdict]
    ) -> Iterator[dict[str, Any]]:
        """Yield every finding of readings or verdicts."""
        for each in given:
            if names.PICKED_READING in each.answers:
                continue
            whose = getattr(each, "scan" if key == "scan" else "key")
            for found in findings(each.answers):
                yield {
                    key: whose,
                    "question": found.question,
                    "kind": found.kind.value,
                    "code": found.code,
                    "number": found.number,
                    "unit": found.unit,
                    "reason": found.reason if found.kind is Kind.NOT_ASSESSABLE else "",
                }

    def score_rows(self) -> Iterator[dict[str, Any]]:
        """Yield the clinical scores."""
        for score in self.records.scores:
            yield {
                "repair": score.repair,
                "subject": self.repairs[score.repair].subject,
                "score": score.name,
                "timepoint": score.timepoint or UNSCHEDULED,
                "day": self._day(score.repair, score.assessed_on),
                "total": score.total,
            }

    def event_rows(self) -> Iterator[dict[str, Any]]:
        """Yield what happened to repairs."""
        for event in self.records.events:
            day = self._day(event.repair, event.happened_on)
            yield {"repair": event.repair, "event": event.kind.value, "day": day}
