"""Reads the reference cases, and holds each value to naming its source honestly."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

STATUSES = {"published", "computed", "computed; published value from memory"}


def load(prefix: str, *lead: Any) -> list[Any]:
    """Return every expected value of the cases ``<prefix>_*.json``, with the case it belongs to.

    What stands in ``lead`` goes before the two in every parameter set.
    """
    found = []
    for path in sorted(Path(__file__).parent.glob(f"{prefix}_*.json")):
        case = json.loads(path.read_text(encoding="utf-8"))
        for number, expected in enumerate(case["expected"]):
            label = f"{path.stem}-{number}-{expected['name'].replace(' ', '_')}"
            found.append(pytest.param(*lead, case, expected, id=label))
    return found


def require_source(case: dict[str, Any], expected: dict[str, Any]) -> None:
    """Fail for a value without a source, or with a status that its source does not bear out."""
    assert case["title"]
    assert len(case["citation"]) > 20, "a case without a citation proves nothing"
    assert expected["status"] in STATUSES
    assert expected["why"]
    assert ("memory" in expected["source"]) == ("memory" in expected["status"])
    assert expected["source"].startswith("computed by") == ("computed" in expected["status"])
