"""Retears: how many by when, how many at each timepoint, and in which subgroups."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from imgtrack.report.figures.drawing import (
    MARKERS,
    SERIES,
    STYLES,
    Drawing,
    Ink,
    canvas,
    percent_axis,
    quiet_grid,
    style,
)

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    import pandas as pd
    from matplotlib.axes import Axes

DAYS_PER_MONTH = 365.25 / 12
HEAD, LINE = -0.30, 0.085
"""Where the numbers below a curve begin, and how far apart their lines are, in axis heights."""


def cumulative(told: pd.DataFrame, *, rule: str, level: float, tables: tuple[str, ...]) -> Drawing:
    """Draw the share of repairs retorn by each timepoint, and what is known in between.

    Parameters
    ----------
    told
        Columns ``group``, ``day``, ``at_least``, ``at_most``, ``low``, ``high`` (shares) and
        ``at_risk`` (repairs): what is estimated for the target day of each timepoint. Up to four
        groups.
    rule
        Words of the retear rule.
    level
        Of the limits.
    tables
        Where the numbers stand.
    """
    groups = list(dict.fromkeys(told["group"]))[: len(SERIES)]
    with style():
        figure = canvas(3.2 + 0.2 * len(groups))
        axes = figure.add_subplot()
        for number, group in enumerate(groups):
            mine = told[told["group"] == group].sort_values("day")
            _between(axes, mine, ("low", "high"), number, alpha=0.15)
            _between(axes, mine, ("at_least", "at_most"), number, alpha=0.4, label=str(group))
        known = told["high"].dropna()
        percent_axis(axes, "y", float(known.max() if len(known) else told["at_most"].max()))
        _months(axes, float(told["day"].max()))
        axes.set_ylabel("repairs retorn")
        quiet_grid(axes, "y")
        _numbers(axes, told, groups)
        if len(groups) > 1:
            axes.legend(loc="upper left")
    return Drawing(
        "cumulative-retear",
        "Retears by time since surgery",
        f"Interval-censored estimate; rule: {rule}. Dark shade: a tendon seen torn at one "
        "timepoint and intact at the one before tore somewhere in between, so there the estimate "
        f"is a range. Light shade: pointwise {100 * level:g} % limits of the timepoints, carried "
        f"to the days between because the share can only grow. {_ends(told, groups)}",
        tables,
        figure,
    )


def rates_over_time(rates: pd.DataFrame, *, level: float, tables: tuple[str, ...]) -> Drawing:
    """Draw the retear rate at each timepoint under both rules.

    Parameters
    ----------
    rates
        Columns ``timepoint`` (label), ``rule`` (words), ``events``, ``assessed``, ``estimate``,
        ``low`` and ``high``; rows without an estimate are left out.
    level, tables
        Of the limits, and where the numbers stand.
    """
    labels = list(dict.fromkeys(rates["timepoint"]))
    rules = list(dict.fromkeys(rates["rule"]))
    known = rates.dropna(subset=["estimate"])
    with style():
        figure = canvas(2.9)
        axes = figure.add_subplot()
        for number, rule in enumerate(rules):
            shift = 0.16 * (number - (len(rules) - 1) / 2)
            place = {label: x + shift for x, label in enumerate(labels)}
            _marks(axes, known[known["rule"] == rule], place, str(rule), number)
        _fractions(axes, known[known["rule"] == rules[0]] if rules else known, labels)
        axes.set_xticks(range(len(labels)), labels)
        axes.set_xlim(-0.6, len(labels) - 0.4)
        percent_axis(axes, "y", float(known["high"].max()) if len(known) else 1.0)
        axes.set_ylabel("retear among assessable scans")
        quiet_grid(axes, "y")
        axes.legend(loc="lower left", bbox_to_anchor=(0, 1.0), ncols=1)
    return Drawing(
        "retear-by-timepoint",
        "Retear rate at each timepoint",
        f"Retears among assessable scans with Wilson {100 * level:g} % limits, the primary rule "
        "and the sensitivity rule side by side; the fractions are of the primary rule.",
        tables,
        figure,
    )


def forest(
    rows: pd.DataFrame, *, title: str, overall: float, level: float, tables: tuple[str, ...]
) -> Drawing:
    """Draw the retear rate of every subgroup with its limits.

    Parameters
    ----------
    rows
        Columns ``subgroup``, ``label``, ``events``, ``assessed``, ``estimate``, ``low``, ``high``.
    title
        What is compared, and when.
    overall
        Rate of all repairs, drawn as a line; ``nan`` for none.
    level, tables
        Of the limits, and where the numbers stand.
    """
    with style():
        lines = _forest_lines(rows)
        figure = canvas(0.9 + 0.235 * len(lines))
        axes = figure.add_subplot()
        if math.isfinite(overall):
            axes.axvline(overall, color=Ink.UNKNOWN, linewidth=1, linestyle="--", zorder=0)
        for y, (head, row) in enumerate(lines):
            if row is None:
                axes.text(
                    -0.02,
                    y,
                    head,
                    transform=axes.get_yaxis_transform(),
                    ha="right",
                    va="center",
                    fontweight="bold",
                )
                continue
            _forest_row(axes, y, head, row)
        axes.set_ylim(len(lines) - 0.4, -0.6)
        axes.set_yticks([])
        axes.spines["left"].set_visible(False)
        known = rows["high"].dropna()
        percent_axis(axes, "x", float(known.max()) if len(known) else 1.0)
        axes.set_xlabel(f"retear rate with {100 * level:g} % limits")
        quiet_grid(axes, "x")
        axes.text(
            1.02,
            -0.9,
            "retears / assessed",
            transform=axes.get_yaxis_transform(),
            va="center",
            color=Ink.QUIET,
        )
    words = (
        f"Squares grow with the number assessed. Dashed line: all repairs. {_forest_words(rows)}"
    )
    return Drawing("subgroups", title, words, tables, figure)


def _colour(number: int) -> str:
    """Return the colour of a group: the first one in that of a retear."""
    return SERIES[1 - number] if number < 2 else SERIES[number]


def _marks(
    axes: Axes, rates: pd.DataFrame, place: Mapping[str, float], rule: str, number: int
) -> None:
    """Draw the rates of one rule with their limits."""
    errors = [rates["estimate"] - rates["low"], rates["high"] - rates["estimate"]]
    axes.errorbar(
        [place[label] for label in rates["timepoint"]],
        rates["estimate"],
        yerr=errors,
        fmt=MARKERS[number],
        color=_colour(number),
        markersize=5,
        capsize=3,
        label=rule,
    )


def _fractions(axes: Axes, rates: pd.DataFrame, labels: Sequence[str]) -> None:
    """Write retears and assessable scans beside the rates of the primary rule."""
    for _, row in rates.iterrows():
        axes.annotate(
            f"{row['events']:.0f}/{row['assessed']:.0f}",
            (labels.index(row["timepoint"]) - 0.08, row["estimate"]),
            (-6, 0),
            ha="right",
            va="center",
            textcoords="offset points",
            fontsize=8,
        )


def _between(
    axes: Axes,
    told: pd.DataFrame,
    names: tuple[str, str],
    number: int,
    *,
    alpha: float,
    label: str = "",
) -> None:
    """Shade between two bounds of a share that can only grow.

    The lower one holds from its day on, the upper one up to its day; lines along both with a
    label.
    """
    known = told.dropna(subset=list(names))
    if known.empty:
        return
    days = [0.0, *known["day"]]
    low = [0.0, *known[names[0]]]
    high = [*known[names[1]], known[names[1]].iloc[-1]]
    colour = _colour(number)
    axes.fill_between(days, low, high, step="post", color=colour, alpha=alpha, linewidth=0)
    if label:
        dash = STYLES[number]
        axes.step(days, low, where="post", color=colour, linestyle=dash, label=label)
        axes.step(days, high, where="post", color=colour, linestyle=dash)


def _months(axes: Axes, last: float) -> None:
    every = 3 if last <= 760 else 6 if last <= 1500 else 12
    months = range(0, math.ceil(last / DAYS_PER_MONTH) + 1, every)
    axes.set_xticks([month * DAYS_PER_MONTH for month in months], [str(m) for m in months])
    axes.set_xlim(0, last * 1.02)
    axes.set_xlabel("months since surgery")


def _numbers(axes: Axes, told: pd.DataFrame, groups: Sequence[object]) -> None:
    """Write how many repairs were seen intact at each timepoint or later, a line per group."""
    where = axes.get_xaxis_transform()
    axes.text(0, HEAD, "seen intact then or later", transform=axes.transAxes, color=Ink.QUIET)
    for line, group in enumerate(groups):
        y = HEAD - LINE * (line + 1)
        if len(groups) > 1:
            axes.text(-0.02, y, str(group), transform=axes.transAxes, ha="right", color=Ink.QUIET)
        for _, row in told[told["group"] == group].iterrows():
            axes.text(float(row["day"]), y, f"{row['at_risk']:.0f}", transform=where, ha="center")


def _ends(told: pd.DataFrame, groups: Sequence[object]) -> str:
    words = []
    for group in groups:
        row = told[told["group"] == group].iloc[-1]
        name = "" if len(groups) == 1 else f"{group}: "
        words.append(
            f"{name}by day {row['day']:.0f} {100 * row['at_least']:.1f} to "
            f"{100 * row['at_most']:.1f} %"
        )
        if not math.isnan(row["low"]):
            words[-1] += f", limits {100 * row['low']:.1f} to {100 * row['high']:.1f} %"
    return "; ".join(words) + "."


def _forest_lines(rows: pd.DataFrame) -> list[tuple[str, pd.Series | None]]:
    lines: list[tuple[str, pd.Series | None]] = []
    for subgroup, mine in rows.groupby("subgroup", sort=False):
        lines.append((str(subgroup), None))
        lines.extend((str(row["label"]), row) for _, row in mine.iterrows())
    return lines


def _forest_row(axes: Axes, y: int, label: str, row: pd.Series) -> None:
    beside = axes.get_yaxis_transform()
    axes.text(-0.02, y, label, transform=beside, ha="right", va="center")
    count = f"{row['events']:.0f} / {row['assessed']:.0f}"
    if math.isnan(row["estimate"]):
        axes.text(1.02, y, f"{count}  not defined", transform=beside, va="center")
        return
    axes.plot([row["low"], row["high"]], [y, y], color=Ink.TEXT, linewidth=1.2)
    size = 3 + min(6.0, math.sqrt(row["assessed"]) / 2)
    axes.plot(row["estimate"], y, "s", color=Ink.RETEAR, markersize=size)
    figures = f"{count}   {_percent(row)}"
    axes.text(1.02, y, figures, transform=beside, va="center")


def _percent(row: pd.Series) -> str:
    if not row["events"]:
        return f"none seen: up to {100 * row['high']:.1f} %"
    return f"{100 * row['estimate']:.1f} % ({100 * row['low']:.1f} to {100 * row['high']:.1f})"


def _forest_words(rows: pd.DataFrame) -> str:
    known = rows.dropna(subset=["estimate"])
    parts = [f"{row['subgroup']}, {row['label']}: {_percent(row)}" for _, row in known.iterrows()]
    return "; ".join(parts) + ("." if parts else "")
