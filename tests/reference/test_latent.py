"""Published and computed values of the functions for imperfect readings.

Each file ``latent_*.json`` beside this one is a case: its citation, its input, and for every
expected value the function, its arguments and the quantity compared, the tolerance with its
reason, the status and the source of that value.
"""

from __future__ import annotations

from functools import cache
from typing import Any

import numpy as np
import pytest
from reference_cases import load, require_source

from imgtrack.stats import latent
from imgtrack.stats.latent import mixture
from imgtrack.stats.latent.readings import count_patterns

QUANTITIES = {
    "estimate": lambda found: found.estimate,
    "limits": lambda found: [found.low, found.high],
    "positive rate by stratum": lambda found: found.prevalence[:, 1],
    "false positives": lambda found: [1 - one.specificity.estimate for one in found.readers],
    "false negatives": lambda found: [1 - one.sensitivity.estimate for one in found.readers],
    "most likely": lambda found: 1 + found[1].argmax(axis=1),
    "shares": lambda found: found[0],
}


CASES = load("latent")


@cache
def two_tables(tables: tuple[tuple[int, ...], ...]) -> latent.LatentTruth:
    """Fit two readers in strata given as counts of ++, +-, -+ and --."""
    cells = np.array([[1, 1], [1, 0], [0, 1], [0, 0]])
    ratings = np.concatenate([np.repeat(cells, counts, axis=0) for counts in tables])
    strata = np.repeat(np.arange(len(tables)), [sum(counts) for counts in tables])
    return latent.latent_truth(
        ratings,
        categories=(0, 1),
        positive=(1,),
        strata=strata,
        interval="likelihood-ratio",
    )


def unconstrained(
    ratings: list[list[int]], readers: list[str], monkeypatch: pytest.MonkeyPatch
) -> tuple[np.ndarray, np.ndarray]:
    """Shares and posteriors by EM without a constraint, started from the readings' own shares."""
    monkeypatch.setattr(
        mixture,
        "constrained_confusion",
        lambda tallies, _: tallies / tallies.sum(-1, keepdims=True),
    )
    readings = count_patterns(np.array(ratings), (1, 2, 3, 4), readers, None)
    model = mixture.Mixture(readings, "monotone", np.array([False, False, True, True]))
    votes = sum(readings.chosen(column) for column in range(len(readers))) / len(readers)
    weighted = votes * readings.counts[:, None]
    tallies = np.full((len(readings.names), 4, 4), 1e-9)
    for column, reader in enumerate(readings.reader):
        tallies[reader] += weighted.T @ readings.chosen(column)
    start = mixture.Parameters(weighted.sum(axis=0)[None, None], tallies[None])
    best, _ = model.fit(start, readings.counts[None])
    joint = mixture.joint_probability(readings, best)[0][readings.member]
    return best.prevalence[0, 0], joint


def test_every_value_names_its_source():
    assert len(CASES) >= 9
    for case, expected in (parameters.values for parameters in CASES):
        require_source(case, expected)


@pytest.mark.parametrize(("case", "expected"), CASES)
def test_value(case, expected, monkeypatch):
    if expected["function"] == "latent_truth":
        found: Any = two_tables(tuple(map(tuple, case["input"]["tables"])))
    elif expected["function"] == "unconstrained":
        found = unconstrained(**case["input"], monkeypatch=monkeypatch)
    else:
        found = latent.rogan_gladen(**case["input"], **expected["arguments"])
    value = np.asarray(QUANTITIES[expected["quantity"]](found), dtype=float)
    np.testing.assert_allclose(value, expected["value"], rtol=0, atol=expected["tolerance"])
