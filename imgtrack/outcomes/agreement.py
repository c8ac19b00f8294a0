"""Agreement of readers as a tidy table: every coefficient with its limits and its reason.

Columns of every table: ``what`` is compared, by which ``readers``, the ``coefficient`` and its
``weights``, ``estimate``, ``low`` and ``high`` at ``level``, ``n_used`` and ``n_excluded``
subjects, the ``method``, and ``why_undefined`` in plain words.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from itertools import combinations
from typing import Any

import pandas as pd

from imgtrack.domain.scales import Healing, RetearRule
from imgtrack.stats import agreement, reliability
from imgtrack.stats.results import Estimate

COLUMNS = (
    "what",
    "readers",
    "coefficient",
    "weights",
    "estimate",
    "low",
    "high",
    "level",
    "n_used",
    "n_excluded",
    "method",
    "why_undefined",
)
ORDERED_WEIGHTS = ("identity", "linear", "quadratic")

Rows = list[dict[str, Any]]


def grade_agreement(
    ratings: pd.DataFrame,
    categories: Sequence[str],
    *,
    ordered: bool = True,
    rule: RetearRule | None = None,
    level: float = 0.95,
) -> pd.DataFrame:
    """Return the agreement of readers on a grade, overall and by pair.

    Parameters
    ----------
    ratings
        Grades (subjects, readers); ``nan`` for not assessable or not read.
    categories
        The declared grades, used or not, in their order.
    ordered
        Whether their order means severity; weighted coefficients are given only then.
    rule
        When given, agreement on healed against retear follows.
    level
        Confidence level.
    """
    rows = list(_grades("grade", ratings, categories, ordered=ordered, level=level))
    if rule is not None:
        outcomes = ratings.map(lambda code: rule.outcome(code).value, na_action="ignore")
        both = [outcome.value for outcome in Healing]
        rows.extend(_grades(rule.title, outcomes, both, ordered=False, level=level))
        rows.extend(margins(rule.title, outcomes, both, level))
    return pd.DataFrame(rows, columns=list(COLUMNS))


def measurement_agreement(values: pd.DataFrame, *, level: float = 0.95) -> pd.DataFrame:
    """Return reliability and measurement error of readers on a measurement.

    Parameters
    ----------
    values
        Measurements (subjects, readers) in one unit; ``nan`` for missing.
    level
        Confidence level; smallest detectable changes are for 95 % of unchanged subjects.
    """
    everyone = "all"
    rows: Rows = []
    for definition in ("agreement", "consistency"):
        icc = reliability.icc(values, model="twoway", definition=definition, level=level)
        rows.append(_row("measurement", everyone, f"ICC single, {definition}", "", icc))
    error = reliability.measurement_error(values, level=level)
    rows.append(_row("measurement", everyone, "standard error", "", error.sem_agreement))
    rows.append(
        _row("measurement", everyone, "smallest detectable change", "", error.sdc_agreement)
    )
    for first, second in combinations(values.columns, 2):
        rows.extend(_differences(values[first], values[second], f"{first} - {second}", level))
    return pd.DataFrame(rows, columns=list(COLUMNS))


def _grades(
    what: str, ratings: pd.DataFrame, categories: Sequence[str], *, ordered: bool, level: float
) -> Iterator[dict[str, Any]]:
    """Yield all coefficients over all readers, then Cohen's kappa of every pair."""
    common: dict[str, Any] = {"categories": categories, "level": level}
    weightings = ORDERED_WEIGHTS if ordered else ORDERED_WEIGHTS[:1]
    overall: dict[str, Callable[..., Estimate]] = {
        "agreement": agreement.percent_agreement,
        "Conger's kappa": agreement.conger_kappa,
        "Fleiss' kappa": agreement.fleiss_kappa,
        "Gwet's AC": agreement.gwet_ac,
        "Brennan-Prediger": agreement.brennan_prediger,
    }
    for weights in weightings:
        for name, coefficient in overall.items():
            found = coefficient(ratings, weights=weights, **common)
            yield _row(what, "all", name, weights, found)
    metric = "ordinal" if ordered else "nominal"
    alpha = agreement.krippendorff_alpha(ratings, metric=metric, **common)
    yield _row(what, "all", "Krippendorff's alpha", metric, alpha)
    for first, second in combinations(ratings.columns, 2):
        for weights in weightings:
            kappa = agreement.cohen_kappa(
                ratings[first], ratings[second], weights=weights, **common
            )
            yield _row(what, f"{first} - {second}", "Cohen's kappa", weights, kappa)


def margins(
    what: str, outcomes: pd.DataFrame, categories: Sequence[str], level: float
) -> Iterator[dict[str, Any]]:
    """Yield what the margins do to the kappa of a dichotomy, pair by pair."""
    for first, second in combinations(outcomes.columns, 2):
        found = agreement.prevalence_bias(
            outcomes[first], outcomes[second], categories=categories, level=level
        )
        pair = f"{first} - {second}"
        yield _row(what, pair, "prevalence index", "", found.prevalence_index)
        yield _row(what, pair, "bias index", "", found.bias_index)
        yield _row(what, pair, "PABAK", "", found.pabak)
        yield _row(what, pair, "largest kappa the margins allow", "", found.largest_kappa)


def _differences(
    first: pd.Series, second: pd.Series, pair: str, level: float
) -> Iterator[dict[str, Any]]:
    found = reliability.bland_altman(first, second, level=level)
    yield _row("measurement", pair, "mean difference", "", found.bias)
    yield _row("measurement", pair, "lower limit of agreement", "", found.lower)
    yield _row("measurement", pair, "upper limit of agreement", "", found.upper)
    concordance = reliability.concordance(first, second, level=level)
    yield _row("measurement", pair, "concordance", "", concordance)


def _row(
    what: str, readers: str, coefficient: str, weights: str, found: Estimate
) -> dict[str, Any]:
    return {"what": what} | coefficient_row(readers, coefficient, weights, found)


def coefficient_row(
    readers: str, coefficient: str, weights: str, found: Estimate
) -> dict[str, Any]:
    """Return the row of one coefficient: all columns but what was compared."""
    return {
        "readers": readers,
        "coefficient": coefficient,
        "weights": weights,
        "estimate": found.estimate,
        "low": found.low,
        "high": found.high,
        "level": found.level,
        "n_used": found.n_used,
        "n_excluded": found.n_excluded,
        "method": found.method,
        "why_undefined": found.why_undefined or found.why_no_interval,
    }
