"""Published and computed values of the agreement functions and of the bootstrap.

Each file ``agreement_*.json`` or ``bootstrap_*.json`` beside this one is a case: its citation,
its input, and for every expected value the function and arguments it belongs to, the tolerance
with its reason, the status and the source of that value.
"""

from __future__ import annotations

import math
from itertools import combinations
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from reference_cases import STATUSES, load

from imgtrack.stats import agreement, bootstrap
from imgtrack.stats.agreement.limits import wald

AGREEMENT, BOOTSTRAP = load("agreement"), load("bootstrap")


@pytest.mark.parametrize(("case", "expected"), AGREEMENT + BOOTSTRAP)
def test_every_value_names_its_source(case, expected):
    assert case["title"]
    assert len(case["citation"]) > 20, "a case without a citation proves nothing"
    assert expected["status"] in STATUSES
    assert expected["source"]
    assert expected["why"]
    if expected["status"] == "published":
        assert "memory" not in expected["source"]
    if expected["status"] == "computed":
        assert "comput" in expected["source"]
    assert expected["tolerance"] >= 0


def read_ratings(case: dict[str, Any]) -> tuple[np.ndarray, list[Any]]:
    """Return ratings (subjects, readers) and declared levels from any form of input."""
    given = case["input"]
    if "table" in given:
        table = np.array(given["table"])
        levels = given.get("levels", list(range(len(table))))
        rows, columns = (np.repeat(i.ravel(), table.ravel()) for i in np.indices(table.shape))
        return np.array(levels)[np.column_stack([rows, columns])], given.get("categories", levels)
    if "counts" in given:
        return np.array([np.repeat(given["categories"], row) for row in given["counts"]]), given[
            "categories"
        ]
    ratings = np.array(given["ratings"], dtype=float)
    return ratings, given.get("categories", sorted(set(ratings[~np.isnan(ratings)])))


def compute(function: str, ratings: np.ndarray, arguments: dict[str, Any]) -> Any:
    """Call the function as a user would."""
    if function == "light_kappa":
        pairs = combinations(ratings.T, 2)
        kappas = [agreement.cohen_kappa(a, b, **arguments).estimate for a, b in pairs]
        return SimpleNamespace(estimate=np.mean(kappas))
    if function in {"cohen_kappa", "prevalence_bias"}:
        return getattr(agreement, function)(*ratings.T, **arguments)
    return getattr(agreement, function)(ratings, **arguments)


def look_up(result: Any, field: str) -> Any:
    """Return a field of a result by its dotted path, or a value derived from it by name."""
    n = getattr(result, "n_used", 0)
    match field:
        case "limits":
            return [result.low, result.high]
        case "limits_from_se_gwet":
            return wald(result.estimate, result.se_gwet, 0.95, df=n - 1, highest=1.0)
        case "se_divisor_n":
            return result.se * math.sqrt((n - 1) / n)
        case "se_without_small_sample_term":
            return result.se * math.sqrt((n - 1) / n) / (1 - 1 / result.n_values)
        case "se_over_all_subjects":
            everyone = n + result.n_excluded
            return result.se * math.sqrt(everyone / (everyone - 1) * (n - 1) / n)
    for step in field.split("."):
        result = result[int(step)] if step.isdigit() else getattr(result, step)
    return result


@pytest.mark.parametrize(("case", "expected"), AGREEMENT)
def test_agreement_value(case, expected):
    ratings, categories = read_ratings(case)
    arguments = {"categories": categories} | expected.get("arguments", {})
    result = compute(expected["function"], ratings, arguments)
    found = look_up(result, expected["field"])
    assert found == pytest.approx(expected["value"], rel=0, abs=expected["tolerance"])


def variance(totals: np.ndarray) -> np.ndarray:
    n, total, squares = np.moveaxis(totals, -1, 0)
    return squares / n - (total / n) ** 2


def correlation(totals: np.ndarray) -> np.ndarray:
    n, x, y, xx, yy, xy = np.moveaxis(totals, -1, 0)
    return (n * xy - x * y) / np.sqrt((n * xx - x**2) * (n * yy - y**2))


def read_sums(given: dict[str, Any]) -> bootstrap.SubjectSums:
    """Return the case's statistic as sums over subjects."""
    if given["statistic"] == "variance":
        x = np.array(given["values"], dtype=float)
        features, statistic = np.column_stack([np.ones_like(x), x, x**2]), variance
    else:
        pairs = np.array(given["pairs"])
        x, y = (pairs - pairs.mean(axis=0)).T
        features = np.column_stack([np.ones_like(x), x, y, x**2, y**2, x * y])
        statistic = correlation
    return bootstrap.SubjectSums(
        name=given["statistic"], features=features, statistic=statistic, why_nan="no spread"
    )


@pytest.mark.parametrize(("case", "expected"), BOOTSTRAP)
def test_bootstrap_value(case, expected):
    given = case["input"]
    result = bootstrap.interval(
        read_sums(given),
        rng=given["seed"],
        method=expected.get("method", "bca"),
        replicates=given["replicates"],
        level=given["level"],
    )
    found = look_up(result, expected["field"])
    assert found == pytest.approx(expected["value"], rel=0, abs=expected["tolerance"])
