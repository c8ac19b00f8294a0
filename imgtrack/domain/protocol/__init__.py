"""The protocol: what the study promises to do, read from ``study.toml`` and checked as a whole."""

from imgtrack.domain.protocol.model import (
    Difference,
    ExpectedScan,
    FormDesign,
    Measure,
    Outcome,
    Person,
    Plane,
    Protocol,
    ReadingDesign,
    Role,
    ScaleUse,
    ScoreRule,
    SheetColumns,
    Subgroup,
    ThicknessReference,
    Timepoint,
    Weighting,
)
from imgtrack.domain.protocol.text import read_protocol

__all__ = [
    "Difference",
    "ExpectedScan",
    "FormDesign",
    "Measure",
    "Outcome",
    "Person",
    "Plane",
    "Protocol",
    "ReadingDesign",
    "Role",
    "ScaleUse",
    "ScoreRule",
    "SheetColumns",
    "Subgroup",
    "ThicknessReference",
    "Timepoint",
    "Weighting",
    "read_protocol",
]
