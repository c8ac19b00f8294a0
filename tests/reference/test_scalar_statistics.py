"""Published and computed values of proportions, reliability and study size.

Each file ``proportions_*.json``, ``reliability_*.json`` or ``planning_*.json`` is a case: its
citation, its input, and for every expected value the function and arguments it belongs to, the
tolerance with its reason, the status and the source of that value.
"""

from __future__ import annotations

import json
from operator import attrgetter
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from imgtrack.stats import planning, proportions, reliability

STATUSES = {"published", "computed", "computed; published value from memory"}


MODULES = {"planning": planning, "proportions": proportions, "reliability": reliability}


def load(prefix: str) -> list[Any]:
    """Return every expected value of every case, with the module and case it belongs to."""
    found = []
    for path in sorted(Path(__file__).parent.glob(f"{prefix}_*.json")):
        case = json.loads(path.read_text(encoding="utf-8"))
        for number, expected in enumerate(case["expected"]):
            label = f"{path.stem}-{number}-{expected['name'].replace(' ', '_')}"
            found.append(pytest.param(MODULES[prefix], case, expected, id=label))
    return found


CASES = [case for prefix in MODULES for case in load(prefix)]


def test_every_value_names_its_source():
    assert len(CASES) > 20
    for _, case, expected in (parameters.values for parameters in CASES):
        assert case["title"]
        assert len(case["citation"]) > 20, "a case without a citation proves nothing"
        assert expected["status"] in STATUSES
        assert expected["why"]
        assert ("memory" in expected["source"]) == ("memory" in expected["status"])
        assert expected["source"].startswith("computed by") == ("computed" in expected["status"])


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
