"""Courses along time: measurements and scores of repairs."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from imgtrack.report.figures.drawing import (
    MARKERS,
    STYLES,
    Drawing,
    Ink,
    canvas,
    quiet_grid,
    style,
)

if TYPE_CHECKING:
    from collections.abc import Sequence

    import pandas as pd
    from matplotlib.axes import Axes

OUTCOMES = {"healed": Ink.HEALED, "retear": Ink.RETEAR}


def lines_of_repairs(
    values: pd.DataFrame,
    *,
    name: str,
    title: str,
    unit: str,
    detectable: float,
    tables: tuple[str, ...],
) -> Drawing:
    """Draw one line per repair along the days since surgery.

    Parameters
    ----------
    values
        Columns ``repair``, ``day``, ``value`` and ``outcome`` (healed or retear, at that scan).
    name, title, unit
        Of the drawing, and the unit of the value.
    detectable
        Smallest detectable change, drawn as a bar to compare with; ``nan`` for none.
    tables
        Where the numbers stand.
    """
    known = values.dropna(subset=["value"]).sort_values(["repair", "day"])
    with style():
        figure = canvas(3.0)
        axes = figure.add_subplot()
        for _, mine in known.groupby("repair"):
            axes.plot(mine["day"], mine["value"], color=Ink.UNKNOWN, linewidth=0.9, alpha=0.7)
        _outcome_marks(axes, known)
        if np.isfinite(detectable) and len(known):
            _detectable(axes, detectable, known, unit)
        axes.set_xlabel("days since surgery")
        axes.set_ylabel(unit)
        axes.set_ylim(bottom=0)
        quiet_grid(axes, "y")
        axes.legend(loc="lower left", bbox_to_anchor=(0, 1), ncols=2)
    change = (
        f" A change below {detectable:.1f} {unit} cannot be told from reading error."
        if np.isfinite(detectable)
        else ""
    )
    words = (
        f"One line per repair; repairs: {known['repair'].nunique()}, "
        f"measurements: {len(known)}."
        f"{change}"
    )
    return Drawing(name, title, words, tables, figure)


def scores_over_time(
    scores: pd.DataFrame,
    timepoints: Sequence[tuple[str, str]],
    *,
    name: str,
    title: str,
    important: float | None,
    limits: tuple[float, float],
    tables: tuple[str, ...],
) -> Drawing:
    """Draw the mean of a clinical score at each timepoint by outcome, with 95 % limits.

    Parameters
    ----------
    scores
        Columns ``timepoint``, ``outcome``, ``n``, ``mean``, ``low`` and ``high``.
    timepoints
        Name and label, in order.
    name, title
        Of the drawing.
    important
        Smallest difference that matters to patients, if the protocol states one.
    limits
        Range of the score.
    tables
        Where the numbers stand.
    """
    place = {each: number for number, (each, _) in enumerate(timepoints)}
    parts = []
    with style():
        figure = canvas(2.9)
        axes = figure.add_subplot()
        for number, (outcome, colour) in enumerate(OUTCOMES.items()):
            mine = scores[(scores["outcome"] == outcome) & scores["timepoint"].isin(place)]
            mine = mine.sort_values("timepoint", key=lambda names: names.map(place))
            x = mine["timepoint"].map(place).astype(float) + (number - 0.5) * 0.08
            errors = [mine["mean"] - mine["low"], mine["high"] - mine["mean"]]
            axes.errorbar(
                x,
                mine["mean"],
                yerr=np.nan_to_num(errors),
                fmt=MARKERS[number],
                color=colour,
                linestyle=STYLES[number],
                capsize=3,
                markersize=5,
                label=outcome,
            )
            parts += [
                f"{row.timepoint} {outcome} {row.mean_:.1f} (n = {row.n:.0f})"
                for row in mine.rename(columns={"mean": "mean_"}).itertuples()
            ]
        axes.set_xticks(range(len(timepoints)), [label for _, label in timepoints])
        axes.set_xlim(-0.4, len(timepoints) - 0.6)
        axes.set_ylim(*limits)
        axes.set_ylabel(title)
        quiet_grid(axes, "y")
        axes.legend(loc="lower right", ncols=2)
    matter = f" A difference of {important:g} is said to matter." if important else ""
    words = f"Means with 95 % limits, by outcome at the same timepoint.{matter} " + "; ".join(parts)
    return Drawing(name, title, words + ".", tables, figure)


def _outcome_marks(axes: Axes, known: pd.DataFrame) -> None:
    """Mark every measurement by the outcome of its scan."""
    for number, (outcome, colour) in enumerate(OUTCOMES.items()):
        here = known[known["outcome"] == outcome]
        if here.empty:
            continue
        axes.plot(
            here["day"],
            here["value"],
            MARKERS[number],
            color=colour,
            markersize=4,
            linestyle="none",
            label=f"{outcome} at that scan ({len(here)})",
        )


def _detectable(axes: Axes, detectable: float, known: pd.DataFrame, unit: str) -> None:
    """Draw the smallest detectable change as a bar at the right edge."""
    first, last = float(known["day"].min()), float(known["day"].max())
    x = last + 0.05 * (last - first or 1.0)
    axes.set_xlim(first - 0.04 * (last - first), last + 0.17 * (last - first or 1.0))
    axes.plot([x, x], [0, detectable], color=Ink.TEXT, linewidth=2.5, solid_capstyle="butt")
    axes.annotate(
        f"smallest\ndetectable\nchange\n{detectable:.1f} {unit}",
        (x, 0),
        (5, 4),
        textcoords="offset points",
        fontsize=7.5,
    )
