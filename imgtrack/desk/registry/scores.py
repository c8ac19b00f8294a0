"""Take clinical scores from a sheet: in the range the protocol declares, parts that add up."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from types import MappingProxyType
from typing import TYPE_CHECKING

from imgtrack.desk.registry.cells import CellReader
from imgtrack.desk.registry.enrol import SIDES
from imgtrack.desk.registry.filing import Filed, carry_out, plan, require_sound
from imgtrack.desk.registry.sheets import Progress, Sheet, no_progress, plain, read_sheet
from imgtrack.desk.registry.shoulders import Shoulders
from imgtrack.domain.errors import Fault, InvalidInput
from imgtrack.domain.protocol import Protocol, Role, ScoreRule
from imgtrack.domain.sheet_columns import SCORES_REQUIRED
from imgtrack.domain.subjects import Repair, Score

if TYPE_CHECKING:
    from imgtrack.desk.study import Study

TOTAL_TOLERANCE = 1e-6


def take_scores(
    study: Study, path: Path, *, reason: str = "", progress: Progress = no_progress
) -> Filed:
    """Take the clinical scores of a sheet.

    A sheet has either one row per score (columns ``score``, ``total`` and the score's parts) or
    one row per visit with a column for each score, named as in the protocol, and for parts
    ``<score>_<part>``. The day decides the timepoint; a score outside every window is kept as
    unscheduled, whatever timepoint its row names.

    Raises
    ------
    InvalidInput, Refused
        As for enrolment; nothing is changed then.
    """
    study.require([Role.COORDINATOR], "take scores")
    sheet = read_sheet(path, study.protocol.sheets, SCORES_REQUIRED, progress)
    rules = _rules_of(sheet, study.protocol, path)
    faults: list[Fault] = []
    scores: list[Score] = []
    with study.store.change(who=study.who, now=study.now) as change:
        shoulders = Shoulders(change.all(Repair))
        for count, row in enumerate(sheet.rows, 1):
            cells = CellReader(row, study.protocol.sheets.date_format)
            scores.extend(_scores_of(cells, rules, shoulders, study.protocol))
            faults.extend(cells.faults)
            if count % 1000 == 0 or count == len(sheet.rows):
                progress("checking rows", count, len(sheet.rows))
        faults.extend(_twice(scores, path))
        require_sound(faults)
        planned = plan({score.key: score for score in change.all(Score)}, scores)
        carry_out(change, planned, reason=reason, progress=progress)
    unscheduled = sum(not score.timepoint for score in scores)
    notes = (f"{unscheduled} scores lie outside every window (unscheduled)",) if unscheduled else ()
    return Filed(len(planned.add), planned.unchanged, planned.changed, notes)


def _rules_of(sheet: Sheet, protocol: Protocol, path: Path) -> tuple[ScoreRule, ...]:
    """Return the scores with columns of their own; none when rows name their score."""
    if "score" in sheet.columns:
        return ()
    columns = set(sheet.columns)
    wide = tuple(
        rule
        for rule in protocol.score
        if columns & {plain(rule.name), *(_part_column(rule, part) for part in rule.parts)}
    )
    if wide:
        return wide
    raise InvalidInput(
        Fault(
            "no column holds a score",
            path.name,
            "a column 'score', or one named as a score of the protocol: "
            + (", ".join(rule.name for rule in protocol.score) or "the protocol declares none"),
            ", ".join(sheet.columns),
            "name the column, or declare the score in study.toml as [[score]]",
        )
    )


def _part_column(rule: ScoreRule, part: str) -> str:
    return f"{plain(rule.name)}_{plain(part)}"


def _scores_of(
    cells: CellReader, wide: Sequence[ScoreRule], shoulders: Shoulders, protocol: Protocol
) -> Iterator[Score]:
    """Yield the scores of one row; faults gather in the cell reader."""
    subject = cells.subject()
    side = cells.choice("side", SIDES, required=True)
    day = cells.day("assessed_on", required=True)
    scores_by_name = {rule.name.lower(): rule for rule in protocol.score}
    rule = None if wide else cells.choice("score", scores_by_name, required=True)
    if side is None or day is None or not subject:
        return
    named = cells.member("timepoint", tuple(p.name for p in protocol.timepoint), "the protocol")
    repair = shoulders.repair_on(cells, subject, side, day, protocol, named=named)
    if repair is None:
        return
    timepoint = _timepoint(cells, named, (day - repair.operated_on).days, protocol)
    columns = [(r, plain(r.name), "", f"{plain(r.name)}_") for r in wide]
    if rule is not None:
        columns = [(rule, "total", "required", "")]
    for each, total_column, required, prefix in columns:
        value = _value(cells, each, total_column, prefix, required=bool(required))
        if value is not None:
            total, parts = value
            yield Score(repair.code, each.name, timepoint, day, total, MappingProxyType(parts))


def _timepoint(cells: CellReader, named: str, day: int, protocol: Protocol) -> str:
    """Return the timepoint of a day; a row that names another one is a fault."""
    point = protocol.timepoint_on(day)
    if point is None:
        return ""
    if named and named != point.name:
        cells.faults.append(
            cells.row.fault(
                "timepoint",
                f"day {day} after operation does not belong to it",
                point.name,
                "check assessed_on and the operation date",
            )
        )
    return point.name


def _value(
    cells: CellReader, rule: ScoreRule, total_column: str, prefix: str, *, required: bool
) -> tuple[float, dict[str, float]] | None:
    """Return total and parts of one score, or ``None`` when the row has none or a fault."""
    before = len(cells.faults)
    total = cells.number(total_column, low=rule.low, high=rule.high)
    parts = {
        part: value
        for part, most in rule.parts.items()
        if (value := cells.number(f"{prefix}{plain(part)}", low=0, high=most)) is not None
    }
    if len(cells.faults) > before:
        return None
    if parts and len(parts) < len(rule.parts):
        missing = ", ".join(part for part in rule.parts if part not in parts)
        cells.faults.append(
            cells.row.fault(
                f"{prefix}{plain(missing)}", f"parts are missing: {missing}", "all parts"
            )
        )
        return None
    if not parts:
        if total is None and required:
            cells.text(total_column, required=True)
        return None if total is None else (total, {})
    return _summed(cells, total_column, total, parts)


def _summed(
    cells: CellReader, column: str, total: float | None, parts: Mapping[str, float]
) -> tuple[float, dict[str, float]] | None:
    added = sum(parts.values())
    if total is not None and abs(total - added) > TOTAL_TOLERANCE:
        cells.faults.append(
            cells.row.fault(column, "the parts do not add up to the total", f"{added:g}")
        )
        return None
    return added, dict(parts)


def _twice(scores: Sequence[Score], path: Path) -> Iterator[Fault]:
    seen: set[str] = set()
    for score in scores:
        if score.key in seen:
            yield Fault(
                f"{score.repair} has two {score.name} scores for "
                f"{score.timepoint or score.assessed_on}",
                path.name,
                "one score per repair and timepoint",
                score.assessed_on.isoformat(),
                "keep the one that counts",
            )
        seen.add(score.key)
