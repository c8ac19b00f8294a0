"""Published and computed values of the functions for interval-censored times.

Each file ``intervals_*.json`` beside this one is a case: its citation, its input, and for every
expected value the function, its arguments and the quantity compared, the tolerance with its
reason, the status and the source of that value. "Inf" stands for an infinite bound.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from reference_cases import load, require_source

from imgtrack.stats import intervals

WITH_MASS = 1e-6

QUANTITIES = {
    "left": lambda fit: fit.left,
    "right": lambda fit: fit.right,
    "masses": lambda fit: fit.masses,
    "left where mass": lambda fit: fit.left[fit.masses > WITH_MASS],
    "right where mass": lambda fit: fit.right[fit.masses > WITH_MASS],
    "positive masses": lambda fit: fit.masses[fit.masses > WITH_MASS],
    "loglik": lambda fit: fit.loglik,
    "loglik_null": lambda fit: fit.loglik_null,
    "low": lambda band: band.low,
    "high": lambda band: band.high,
    "z": lambda test: test.z,
    "p_value": lambda test: test.p_value,
    "first excess": lambda test: test.excess[0],
    "first coefficient": lambda fit: fit.coefficients[0].estimate,
    "first error": lambda fit: fit.coefficients[0].se,
    "log times 2": lambda fit: [found.estimate for found in fit.log_times[:2]],
    "log time errors": lambda fit: [found.se for found in fit.log_times],
    "scale": lambda fit: np.exp(fit.log_times[-1].estimate),
    "weibull scale and shape": lambda fit: np.exp(
        [fit.log_times[0].estimate, -fit.log_times[1].estimate]
    ),
}


CASES = load("intervals")


def quantity(name: str, found: Any) -> Any:
    """Return the named part of a result; ``survival at 1 2`` gives P(T > 1) and P(T > 2)."""
    if not name.startswith("survival at"):
        return QUANTITIES[name](found)
    bounds = found.survival([float(time) for time in name.split()[2:]])
    np.testing.assert_allclose(bounds.lower, bounds.upper, rtol=0, atol=WITH_MASS)
    return bounds.lower


def test_every_value_names_its_source():
    assert len(CASES) > 60
    for case, expected in (parameters.values for parameters in CASES):
        require_source(case, expected)


@pytest.mark.parametrize(("case", "expected"), CASES)
def test_value(case, expected):
    arguments = {
        name: np.array(values, dtype=float) if name in ("left", "right", "covariates") else values
        for name, values in case["input"].items()
    }
    found = getattr(intervals, expected["function"])(**arguments, **expected["arguments"])
    value = np.asarray(quantity(expected["quantity"], found), dtype=float)
    wanted = np.array(expected["value"], dtype=float)
    assert value.shape == wanted.shape
    np.testing.assert_allclose(value, wanted, rtol=0, atol=expected["tolerance"])
