"""Do readers read as they did before: agreement in blocks of their own reading order."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

import pandas as pd

from imgtrack.domain.reading import Round
from imgtrack.outcomes.retear import first_outcomes
from imgtrack.stats import proportions

if TYPE_CHECKING:
    from imgtrack.outcomes.study_data import StudyData
    from imgtrack.stats.results import Estimate

COLUMNS = (
    "reader", "against", "quantity", "block", "pairs", "agreeing", "estimate", "low", "high",
    "level", "p_value", "method", "why_undefined",
)  # fmt: skip
REPEATS, VERDICTS = "own hidden repeats", "final verdicts"
PAIRS_IN_BLOCK = 20
"""Pairs of readings in one block. Our choice, no source."""


def drift(
    data: StudyData, *, level: float = 0.95, pairs_in_block: int = PAIRS_IN_BLOCK
) -> pd.DataFrame:
    """Return how often a reader's first reading has the outcome of a repeat or of the verdict.

    Outcomes are healed, retear and not assessable, by the primary rule. The first readings stand
    in the order in which they were signed, cut into blocks of ``pairs_in_block``; a rest of less
    than half a block joins the block before. From two blocks on, a row tests for a trend
    (Cochran-Armitage). A first reading is part of what a verdict follows from, so agreement with
    verdicts lies above agreement with the truth; a fall of it still tells of drift.
    """
    rows: list[dict[str, Any]] = []
    for reader, against, agrees in _compared(data):
        who = {"reader": reader, "against": against, "level": level}
        rows.extend(who | row for row in _blocks(agrees, pairs_in_block, level))
    return pd.DataFrame(rows, columns=list(COLUMNS))


def _compared(data: StudyData) -> Iterator[tuple[str, str, list[bool]]]:
    """Yield whether a reader's outcomes met the others, in the order of signing."""
    first = first_outcomes(data).sort_values("signed_at", kind="stable")
    repeats = data.readings[data.readings["round"] == Round.REPEAT.value]
    final = data.verdicts.set_index("scan")["outcome"]
    for reader, mine in first.groupby("reader"):
        again = repeats[repeats["reader"] == reader].drop_duplicates("scan", keep="last")
        for against, other in ((REPEATS, again.set_index("scan")["outcome"]), (VERDICTS, final)):
            met = mine[mine["scan"].isin(other.index)]
            if not met.empty:
                agrees = met["outcome"] == met["scan"].map(other)
                yield str(reader), against, agrees.to_list()


def _blocks(agrees: list[bool], size: int, level: float) -> Iterator[dict[str, Any]]:
    ends = [*range(size, len(agrees) + 1, size)] or [len(agrees)]
    rest = len(agrees) - ends[-1]
    ends = [*ends, len(agrees)] if rest >= size / 2 else [*ends[:-1], len(agrees)]
    starts = [0, *ends[:-1]]
    parts = [agrees[start:end] for start, end in zip(starts, ends, strict=True)]
    for number, part in enumerate(parts, 1):
        found = proportions.proportion(sum(part), len(part), level=level)
        yield _row("share agreeing", str(number), [part], found)
    if len(parts) > 1:
        slope = proportions.trend([sum(p) for p in parts], [len(p) for p in parts], level=level)
        block = f"1 to {len(parts)}"
        yield _row("trend per block", block, parts, slope.slope) | {"p_value": slope.p_value}


def _row(quantity: str, block: str, parts: list[list[bool]], found: Estimate) -> dict[str, Any]:
    return {
        "quantity": quantity,
        "block": block,
        "pairs": sum(len(part) for part in parts),
        "agreeing": sum(sum(part) for part in parts),
        "estimate": found.estimate,
        "low": found.low,
        "high": found.high,
        "method": found.method,
        "why_undefined": found.why_undefined or found.why_no_interval,
    }
