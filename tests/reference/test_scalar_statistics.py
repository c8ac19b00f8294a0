"""Published and computed values of proportions, reliability and study size.

Each file ``proportions_*.json``, ``reliability_*.json`` or ``planning_*.json`` is a case: its
citation, its input, and for every expected value the function and arguments it belongs to, the
tolerance with its reason, the status and the source of that value.
"""

from __future__ import annotations

from operator import attrgetter

import numpy as np
import pytest
from reference_cases import load, require_source

from imgtrack.stats import planning, proportions, reliability

MODULES = {"planning": planning, "proportions": proportions, "reliability": reliability}


CASES = [case for prefix, module in MODULES.items() for case in load(prefix, module)]


def test_every_value_names_its_source():
    assert all(len(load(prefix)) > 20 for prefix in MODULES)
    for _, case, expected in (parameters.values for parameters in CASES):
        require_source(case, expected)


@pytest.mark.parametrize(("module", "case", "expected"), CASES)
def test_value(module, case, expected):
    function = getattr(module, expected["function"])
    found = function(**case["input"] | expected["arguments"])
    fields = expected["field"]
    value = attrgetter(*np.atleast_1d(fields))(found) if fields else found
    np.testing.assert_allclose(
        np.asarray(value, dtype=float),
        np.asarray(expected["value"], dtype=float),
        rtol=0,
        atol=expected["tolerance"],
    )
