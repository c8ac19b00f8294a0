"""Grading scales as data with citation, and the rules that turn a grade into an outcome."""

from imgtrack.domain.scales.model import (
    Citation,
    Concept,
    Level,
    Provenance,
    Scale,
    Unit,
    ValueRange,
    View,
)
from imgtrack.domain.scales.registry import from_mapping, get, known, versions
from imgtrack.domain.scales.rules import (
    Healing,
    RetearRule,
    retear_rule,
    retear_rule_on,
    retear_rules,
)

__all__ = [
    "Citation",
    "Concept",
    "Healing",
    "Level",
    "Provenance",
    "RetearRule",
    "Scale",
    "Unit",
    "ValueRange",
    "View",
    "from_mapping",
    "get",
    "known",
    "retear_rule",
    "retear_rule_on",
    "retear_rules",
    "versions",
]
