"""Small invented tables, one drawing of each kind; nothing here is a result."""

from __future__ import annotations

import numpy as np
import pandas as pd

from imgtrack.domain.schedule import State
from imgtrack.report.figures.courses import lines_of_repairs, scores_over_time
from imgtrack.report.figures.flow import Grading, grade_flow
from imgtrack.report.figures.followup import follow_up
from imgtrack.report.figures.readers import bland_altman, confusion
from imgtrack.report.figures.retear import cumulative, forest, rates_over_time
from imgtrack.report.figures.slices import Line, Slice, slices

POINTS = [
    ("preop", "before surgery"),
    ("m03", "3 months"),
    ("m06", "6 months"),
    ("m12", "12 months"),
]
AFTER = POINTS[1:]
CODES = ("I", "II", "III", "IV", "V")


def states(repairs: int) -> pd.DataFrame:
    rng = np.random.default_rng(3)
    names = [state.value for state in State]
    rows = [
        (f"S{number:04}-R", point, names[rng.integers(len(names))])
        for number in range(repairs)
        for point, _ in POINTS
    ]
    return pd.DataFrame(rows, columns=["repair", "timepoint", "state"])


def curve() -> pd.DataFrame:
    rows = [
        ("all", 119, 0.06, 0.15, 0.02, 0.24, 27),
        ("all", 224, 0.15, 0.22, 0.08, 0.31, 22),
        ("all", 428, 0.22, 0.24, 0.12, 0.35, 15),
    ]
    names = ["group", "day", "at_least", "at_most", "low", "high", "at_risk"]
    return pd.DataFrame(rows, columns=names)


def rates() -> pd.DataFrame:
    rows = [
        ("3 months", "IV-V", 3, 28, 0.107, 0.037, 0.272),
        ("3 months", "III-V", 6, 28, 0.214, 0.102, 0.395),
        ("6 months", "IV-V", 0, 26, 0.0, 0.0, 0.129),
        ("6 months", "III-V", 5, 26, 0.192, 0.085, 0.379),
        ("12 months", "IV-V", 0, 0, np.nan, np.nan, np.nan),
    ]
    names = ["timepoint", "rule", "events", "assessed", "estimate", "low", "high"]
    return pd.DataFrame(rows, columns=names)


def subgroups() -> pd.DataFrame:
    rows = [
        ("tear size", "below 10", 0, 5, 0.0, 0.0, 0.434),
        ("tear size", "10 to below 30", 2, 14, 0.143, 0.04, 0.399),
        ("tear size", "30 and more", 0, 0, np.nan, np.nan, np.nan),
        ("technique", "single row", 3, 12, 0.25, 0.089, 0.532),
        ("technique", "double row", 1, 13, 0.077, 0.014, 0.333),
    ]
    names = ["subgroup", "label", "events", "assessed", "estimate", "low", "high"]
    return pd.DataFrame(rows, columns=names)


def grades() -> pd.DataFrame:
    rng = np.random.default_rng(5)
    rows = [
        (f"S{number:03}-R", point, CODES[min(4, max(0, int(rng.normal(1 + place / 2, 1))))])
        for number in range(40)
        for place, (point, _) in enumerate(AFTER)
        if rng.random() > 0.1
    ]
    return pd.DataFrame(rows, columns=["repair", "timepoint", "grade"])


def retractions() -> pd.DataFrame:
    rng = np.random.default_rng(7)
    rows = [
        (
            f"S{number:03}-R",
            day + rng.integers(-10, 10),
            abs(rng.normal(14, 5)),
            "retear" if rng.random() < 0.6 else "healed",
        )
        for number in range(12)
        for day in (91, 182, 365)
    ]
    return pd.DataFrame(rows, columns=["repair", "day", "value", "outcome"])


def scores() -> pd.DataFrame:
    rows = [
        (
            point,
            outcome,
            20 - place,
            40.0 + 12 * place - 6 * late,
            36.0 + 12 * place - 6 * late,
            44.0 + 12 * place - 6 * late,
        )
        for place, (point, _) in enumerate(POINTS)
        for late, outcome in enumerate(("healed", "retear"))
    ]
    return pd.DataFrame(rows, columns=["timepoint", "outcome", "n", "mean", "low", "high"])


def differences() -> pd.DataFrame:
    rng = np.random.default_rng(11)
    mean = rng.normal(15, 4, 22)
    return pd.DataFrame({"mean": mean, "difference": rng.normal(0.6, 1.8, 22)})


def counts() -> pd.DataFrame:
    values = np.diag([5, 9, 6, 3, 2]) + np.eye(5, k=1, dtype=int) * 2
    return pd.DataFrame(values, index=CODES, columns=CODES)


def a_slice(title: str = "R1, 6 months") -> Slice:
    rows, columns = np.mgrid[0:256, 0:256]
    pixels = 400.0 * np.exp(-((rows - 130) ** 2 + (columns - 120) ** 2) / 3000.0)
    width = Line("tear width 15.0 mm", np.array([[100.0, 90.0], [100.0, 120.0]]))
    outline = Line("supraspinatus", np.array([[140.0, 100], [150, 120], [130, 140]]), closed=True)
    return Slice(title, "Sugaya IV: retear", pixels, (0.5, 0.5), (width, outline))


def every_drawing() -> list:
    lines = pd.Series({"bias": 0.6, "lower": -2.9, "upper": 4.1})
    nothing = pd.Series({"bias": np.nan, "lower": np.nan, "upper": np.nan})
    return [
        follow_up(states(30), POINTS),
        cumulative(curve(), rule="Sugaya IV-V", level=0.95, tables=("cumulative",)),
        rates_over_time(rates(), level=0.95, tables=("retear",)),
        forest(subgroups(), title="Subgroups", overall=0.15, level=0.95, tables=("subgroups",)),
        confusion([("R1 - R2", counts())], name="confusion", title="Sugaya", source=("c",)),
        bland_altman(
            [("R1 - R2", differences(), lines), ("R1 - R3", differences().head(1), nothing)],
            name="differences",
            title="Retraction",
            unit="mm",
            source=("d",),
        ),
        grade_flow(
            grades(), AFTER, Grading("Sugaya", CODES, frozenset({"IV", "V"})), tables=("g",)
        ),
        lines_of_repairs(
            retractions(),
            name="retraction",
            title="Retraction",
            unit="mm",
            detectable=4.2,
            tables=("m",),
        ),
        scores_over_time(
            scores(),
            POINTS,
            name="constant",
            title="constant",
            important=10.4,
            limits=(0, 100),
            tables=("s",),
        ),
        slices([a_slice(), a_slice("A1, 12 months")], name="slices", title="Slices", tables=("r",)),
    ]
