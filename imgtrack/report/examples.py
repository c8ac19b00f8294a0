"""Example slices: one scan of every grade, drawn by the protocol's seed."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

from imgtrack.domain.allotment import order_key
from imgtrack.domain.form import chosen
from imgtrack.domain.imaging import Modality, Scan, Stage
from imgtrack.domain.reading import Reading
from imgtrack.domain.scales import get, retear_rule
from imgtrack.domain.series import Series
from imgtrack.domain.subjects import Repair
from imgtrack.report.figures.slices import slices
from imgtrack.report.looking import Looked, slices_of

if TYPE_CHECKING:
    from imgtrack.desk.cases.images import Shelf
    from imgtrack.desk.study import Study
    from imgtrack.domain.reading import Verdict
    from imgtrack.report.figures.drawing import Drawing
    from imgtrack.report.figures.slices import Slice
    from imgtrack.store.look import Look

MOST = 6
TRIES = 3
"""Scans of one grade to try before the grade goes without a picture."""


def examples(
    study: Study, verdicts: dict[str, Verdict], shelf: Shelf, *, tables: tuple[str, ...]
) -> Drawing | None:
    """Return a drawing with a slice of each grade of the outcome's scale.

    Parameters
    ----------
    study
        Open.
    verdicts
        The verdicts that count, by scan; those of other scans are not shown.
    shelf
        Where the images lie.
    tables
        Where the numbers stand.

    Returns
    -------
    Drawing or None
        ``None`` when no scan with a verdict has images that can be read. Which scan stands for a
        grade is drawn by the protocol's seed, so nobody picks the handsome ones.
    """
    rule = retear_rule(study.protocol.outcome.retear_rule)
    codes = get(rule.scale).codes
    found: list[Slice] = []
    with study.store.look() as look:
        for code in codes:
            found += next(_of_grade(look, study, verdicts, shelf, code), [])
    if not found:
        return None
    title = "Example slices with what was measured on them"
    return slices(found[:MOST], name="examples", title=title, tables=tables)


def _of_grade(
    look: Look, study: Study, verdicts: dict[str, Verdict], shelf: Shelf, code: str
) -> Iterator[list[Slice]]:
    """Yield the slice of one scan of a grade after the other, where there is one."""
    rule = retear_rule(study.protocol.outcome.retear_rule)
    seed = study.protocol.reading.order_seed
    graded = [uid for uid, each in verdicts.items() if chosen(each.answers, rule.scale) == code]
    ordered = sorted(graded, key=lambda uid: order_key(seed, "example", code, uid))
    for uid in ordered[:TRIES]:
        scan = look.get(Scan, uid)
        if scan is None or scan.modality is not Modality.MR or scan.stage is not Stage.FINAL:
            continue
        looked = Looked(scan, look.where(Series, scan=uid), look.where(Reading, scan=uid))
        shown = slices_of(
            looked,
            verdicts[uid].answers,
            shelf,
            title=_title(look, scan),
            caption=f"grade {code}: {rule.outcome(code).value}",
        )
        if shown:
            yield shown


def _title(look: Look, scan: Scan) -> str:
    repair = look.get(Repair, scan.repair)
    if repair is None:
        return scan.repair
    return f"{scan.repair}, day {(scan.acquired_on - repair.operated_on).days}"
