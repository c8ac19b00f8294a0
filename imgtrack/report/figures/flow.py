"""Grades flowing from timepoint to timepoint."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING

import pandas as pd
from matplotlib.patches import PathPatch, Rectangle
from matplotlib.path import Path

from imgtrack.report.figures.drawing import Drawing, Ink, canvas, style

if TYPE_CHECKING:
    from matplotlib.axes import Axes

BAR = 0.10
GAP = 0.012


@dataclass(frozen=True, slots=True)
class Grading:
    """The grades of a scale as the flow draws them.

    Attributes
    ----------
    scale
        Title of the scale.
    codes
        Grades from best to worst.
    torn
        Those that are a retear by the primary rule.
    """

    scale: str
    codes: tuple[str, ...]
    torn: frozenset[str]

    def colour(self, code: str) -> str:
        """Return the colour of a grade."""
        return Ink.RETEAR if code in self.torn else Ink.HEALED


@dataclass(frozen=True, slots=True, eq=False)
class _Stack:
    """The bar of one timepoint: how many repairs have each grade, and where its part starts."""

    counts: pd.Series
    starts: Mapping[str, float]
    most: int

    def height(self, code: str) -> float:
        return float(self.counts.get(code, 0)) / self.most


def grade_flow(
    grades: pd.DataFrame,
    timepoints: Sequence[tuple[str, str]],
    grading: Grading,
    *,
    tables: tuple[str, ...],
) -> Drawing:
    """Draw how grades go over from timepoint to timepoint, a band as wide as its repairs.

    Parameters
    ----------
    grades
        Columns ``repair``, ``timepoint`` and ``grade``: the verdict of each assessable scan.
    timepoints
        Name and label of those to show, in order.
    grading
        The scale.
    tables
        Where the numbers stand.
    """
    wide = grades.pivot_table(
        index="repair", columns="timepoint", values="grade", aggfunc="last"
    ).reindex(columns=[name for name, _ in timepoints])
    stacks = _stacks(wide, grading)
    with style():
        figure = canvas(3.4)
        axes = figure.add_subplot()
        for x, stack in enumerate(stacks):
            _bar(axes, x, stack, grading)
        for x, (here, there) in enumerate(pairwise(wide.columns)):
            counted = wide[[here, there]].dropna().value_counts()
            _bands(axes, x, counted, (stacks[x], stacks[x + 1]), grading)
        totals = [int(stack.counts.sum()) for stack in stacks]
        labels = [
            f"{label}\n{n} assessed" for (_, label), n in zip(timepoints, totals, strict=True)
        ]
        axes.set_xticks(range(len(timepoints)), labels)
        axes.set_xlim(-0.35, len(timepoints) - 0.65)
        axes.set_ylim(1.02 + GAP * len(grading.codes), -0.02)
        axes.set_yticks([])
        axes.spines[:].set_visible(False)
        axes.tick_params(length=0)
    words = "; ".join(
        f"{label}: " + ", ".join(f"{code} {stack.counts.get(code, 0)}" for code in grading.codes)
        for (_, label), stack in zip(timepoints, stacks, strict=True)
    )
    return Drawing(
        "grade-flow",
        f"{grading.scale}: grades over time",
        "Bars: verdicts at each timepoint; bands: repairs assessed at both. Orange, hatched: "
        f"retear by the primary rule. {words}.",
        tables,
        figure,
    )


def _stacks(wide: pd.DataFrame, grading: Grading) -> list[_Stack]:
    counts = [wide[name].value_counts() for name in wide.columns]
    most = max((int(each.sum()) for each in counts), default=0) or 1
    return [_Stack(each, _starts(each, grading.codes, most), most) for each in counts]


def _starts(counts: pd.Series, codes: Sequence[str], most: int) -> dict[str, float]:
    starts, at = {}, 0.0
    for code in codes:
        starts[code] = at
        share = float(counts.get(code, 0)) / most
        at += share + (GAP if share else 0.0)
    return starts


def _bar(axes: Axes, x: int, stack: _Stack, grading: Grading) -> None:
    for code, start in stack.starts.items():
        height = stack.height(code)
        if not height:
            continue
        part = Rectangle(
            (x - BAR / 2, start),
            BAR,
            height,
            linewidth=0.6,
            facecolor=grading.colour(code),
            edgecolor=Ink.PAPER,
            hatch="////" if code in grading.torn else None,
        )
        axes.add_patch(part)
        label = f"{code} ({stack.counts[code]})"
        axes.text(x + BAR / 2 + 0.02, start + height / 2, label, va="center", fontsize=8)


def _bands(
    axes: Axes, x: int, counted: pd.Series, ends: tuple[_Stack, _Stack], grading: Grading
) -> None:
    left, right = (dict(each.starts) for each in ends)
    for one in grading.codes:
        for two in grading.codes:
            width = float(counted.get((one, two), 0)) / ends[0].most
            if width:
                start, end = (x + BAR / 2, left[one]), (x + 1 - BAR / 2, right[two])
                axes.add_patch(_band(start, end, width, grading.colour(two)))
                left[one] += width
                right[two] += width


def _band(
    start: tuple[float, float], end: tuple[float, float], width: float, colour: str
) -> PathPatch:
    (x0, y0), (x1, y1) = start, end
    middle = (x0 + x1) / 2
    over = [(x0, y0), (middle, y0), (middle, y1), (x1, y1)]
    back = [(x1, y1 + width), (middle, y1 + width), (middle, y0 + width), (x0, y0 + width)]
    steps = [Path.MOVETO, *[Path.CURVE4] * 3, Path.LINETO, *[Path.CURVE4] * 3, Path.CLOSEPOLY]
    return PathPatch(Path([*over, *back, (x0, y0)], steps), fc=colour, alpha=0.22, linewidth=0)
