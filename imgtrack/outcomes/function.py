"""Does a healed tendon mean a better shoulder: clinical scores of healed and torn repairs."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
import statsmodels.api as sm

from imgtrack.domain.scales import Healing
from imgtrack.outcomes.flow import outcome_cells
from imgtrack.stats import proportions

if TYPE_CHECKING:
    from imgtrack.domain.protocol import ScoreRule
    from imgtrack.outcomes.study_data import StudyData

SCORE_COLUMNS = (
    "score", "timepoint", "outcome", "n", "mean", "sd", "with_baseline", "reached_important",
    "reached_low", "reached_high", "level",
)  # fmt: skip
DIFFERENCE_COLUMNS = (
    "score", "timepoint", "adjusted_for", "healed", "retear", "difference", "low", "high", "level",
    "p_value", "important_difference", "verdict_on_importance", "method", "why_undefined",
)  # fmt: skip
FEWEST = 3
"""Repairs of each outcome below which no difference is given."""


def scored_repairs(data: StudyData) -> pd.DataFrame:
    """Return one row per score of a repair at a follow-up timepoint, with outcome and baseline.

    ``baseline`` is the last score of the repair before surgery; ``nan`` without one. The outcome
    is the one of the same timepoint; repairs without an assessable scan there are left out.
    """
    order = {point.name: point.target_day for point in data.protocol.timepoint}
    scores = data.scores.assign(target=data.scores["timepoint"].map(order))
    before = scores[scores["target"] <= 0].sort_values("day", kind="stable")
    baseline = before.drop_duplicates(["repair", "score"], keep="last")
    baseline = baseline[["repair", "score", "total"]].rename(columns={"total": "baseline"})
    cells = outcome_cells(data)
    known = cells[cells["outcome"].isin([Healing.HEALED.value, Healing.RETEAR.value])]
    after = scores[scores["target"] > 0].merge(
        known[["repair", "timepoint", "outcome"]], on=["repair", "timepoint"]
    )
    return after.merge(baseline, on=["repair", "score"], how="left").drop(columns="target")


def score_summary(data: StudyData, *, level: float = 0.95) -> pd.DataFrame:
    """Return mean and spread of every score by timepoint and outcome.

    ``reached_important`` is the share, of those with a score before surgery, that improved by the
    minimal important difference of the protocol, with Wilson limits; ``nan`` without either.
    """
    rows = []
    scored = scored_repairs(data)
    for (name, timepoint, outcome), mine in scored.groupby(
        ["score", "timepoint", "outcome"], sort=False
    ):
        rule = data.protocol.score_named(str(name))
        rows.append(
            {
                "score": name,
                "timepoint": timepoint,
                "outcome": outcome,
                "n": len(mine),
                "mean": mine["total"].mean(),
                "sd": mine["total"].std(),
                "with_baseline": int(mine["baseline"].notna().sum()),
                **_reached(mine, rule, level),
                "level": level,
            }
        )
    return pd.DataFrame(rows, columns=list(SCORE_COLUMNS))


def _reached(scored: pd.DataFrame, rule: ScoreRule | None, level: float) -> dict[str, float]:
    """Return the share that improved by the minimal important difference; ``nan`` if unknown."""
    gained = (scored["total"] - scored["baseline"]).dropna()
    columns = ("reached_important", "reached_low", "reached_high")
    if rule is None or rule.minimal_important_difference is None or gained.empty:
        return dict.fromkeys(columns, float("nan"))
    sign = 1 if rule.better == "higher" else -1
    reached = int((sign * gained >= rule.minimal_important_difference).sum())
    found = proportions.proportion(reached, len(gained), level=level)
    return dict(zip(columns, (found.estimate, found.low, found.high), strict=True))


def score_differences(data: StudyData, *, level: float = 0.95) -> pd.DataFrame:
    """Return how much healed repairs score above torn ones at each timepoint.

    Least squares on the outcome, adjusted for the score before surgery where all but a few have
    one, with standard errors that allow for patients with two repairs (cluster-robust, with t
    limits on the number of patients less one). An association: it says nothing of cause.
    """
    scored = scored_repairs(data)
    rows: list[dict[str, Any]] = []
    for rule in data.protocol.score:
        for timepoint in data.follow_up:
            here = scored[(scored["score"] == rule.name) & (scored["timepoint"] == timepoint)]
            rows.extend(_differences(here, rule, timepoint, level))
    return pd.DataFrame(rows, columns=list(DIFFERENCE_COLUMNS))


def _differences(
    scored: pd.DataFrame, rule: ScoreRule, timepoint: str, level: float
) -> Iterator[dict[str, Any]]:
    if scored.empty:
        return
    yield _difference(scored, rule, timepoint, level, adjusted=False)
    complete = scored.dropna(subset=["baseline"])
    if not complete.empty:
        yield _difference(complete, rule, timepoint, level, adjusted=True)


def _difference(
    scored: pd.DataFrame, rule: ScoreRule, timepoint: str, level: float, *, adjusted: bool
) -> dict[str, Any]:
    healed = scored["outcome"] == Healing.HEALED.value
    counts = int(healed.sum()), int((~healed).sum())
    row: dict[str, Any] = {
        "score": rule.name,
        "timepoint": timepoint,
        "adjusted_for": "score before surgery" if adjusted else "nothing",
        "healed": counts[0],
        "retear": counts[1],
        "level": level,
        "important_difference": rule.minimal_important_difference,
        "method": "least squares, clustered by patient",
        "why_undefined": "",
    }
    if min(counts) < FEWEST:
        few = f"fewer than {FEWEST} repairs of one outcome"
        return row | {"why_undefined": few, "verdict_on_importance": ""}
    design = pd.DataFrame({"healed": healed.astype(float)})
    if adjusted:
        design["baseline"] = scored["baseline"] - scored["baseline"].mean()
    subjects = pd.factorize(scored["subject"])[0]
    fit = sm.OLS(scored["total"].to_numpy(float), sm.add_constant(design).to_numpy(float)).fit(
        cov_type="cluster", cov_kwds={"groups": subjects}, use_t=True
    )
    low, high = fit.conf_int(1 - level)[1]
    estimate = float(fit.params[1])
    return row | {
        "difference": estimate,
        "low": float(low),
        "high": float(high),
        "p_value": float(fit.pvalues[1]),
        "verdict_on_importance": _importance(float(low), float(high), rule),
    }


def _importance(low: float, high: float, rule: ScoreRule) -> str:
    """Say how a difference stands to the smallest one that matters to patients."""
    smallest = rule.minimal_important_difference
    if smallest is None:
        return "the protocol states no important difference"
    if low >= smallest or high <= -smallest:
        return "at least the important difference"
    if -smallest < low and high < smallest:
        return "smaller than the important difference"
    if np.sign(low) == np.sign(high):
        return "there, but it may be smaller than the important difference"
    return "undecided"
