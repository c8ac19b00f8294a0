"""How one repair went along time."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from imgtrack.report.figures.drawing import Drawing, Ink, canvas, quiet_grid, style

if TYPE_CHECKING:
    from collections.abc import Sequence

    from matplotlib.axes import Axes

HEIGHT = 1.7


@dataclass(frozen=True, slots=True)
class Trend:
    """One quantity of a repair along the days since surgery.

    Attributes
    ----------
    title, unit
        What it is.
    days, values
        Same length, in order.
    torn
        Whether each was measured at a scan with a retear.
    limits
        Range of the axis; ``None`` from 0 to what is there.
    """

    title: str
    unit: str
    days: tuple[int, ...]
    values: tuple[float, ...]
    torn: tuple[bool, ...]
    limits: tuple[float, float] | None = None


def trends(
    shown: Sequence[Trend], *, interval: tuple[float, float] | None, name: str, title: str
) -> Drawing:
    """Draw quantities of one repair below each other's days.

    Parameters
    ----------
    shown
        At least one.
    interval
        Days between which the repair first tore, shaded; ``None`` when it did not.
    name, title
        Of the drawing.
    """
    columns = min(2, len(shown))
    rows = -(-len(shown) // columns)
    days = [day for trend in shown for day in trend.days] + list(interval or ())
    span = (min([0, *days]), max([0, *days]))
    with style():
        figure = canvas(HEIGHT * rows, width=3.5 * columns)
        for number, trend in enumerate(shown):
            axes = figure.add_subplot(rows, columns, number + 1)
            _trend(axes, trend, span, interval)
    parts = [
        f"{trend.title}: "
        + ", ".join(f"{v:.1f} on day {d}" for d, v in zip(trend.days, trend.values, strict=True))
        for trend in shown
    ]
    shade = (
        f" Shaded: first retear after day {interval[0]:g} and up to day {interval[1]:g}."
        if interval
        else ""
    )
    words = f"Orange squares: at a scan with a retear.{shade} " + "; ".join(parts) + "."
    return Drawing(name, title, words, (), figure)


def _trend(
    axes: Axes, trend: Trend, span: tuple[float, float], interval: tuple[float, float] | None
) -> None:
    if interval:
        axes.axvspan(*interval, color=Ink.RETEAR, alpha=0.14, linewidth=0)
    axes.plot(trend.days, trend.values, color=Ink.UNKNOWN, linewidth=1)
    for day, value, torn in zip(trend.days, trend.values, trend.torn, strict=True):
        colour, marker = (Ink.RETEAR, "s") if torn else (Ink.HEALED, "o")
        axes.plot(day, value, marker, color=colour, markersize=5)
    pad = 0.06 * (span[1] - span[0] or 100)
    axes.set_xlim(span[0] - pad, span[1] + pad)
    if trend.limits:
        axes.set_ylim(*trend.limits)
    else:
        axes.set_ylim(0, max([*trend.values, 1]) * 1.25)
    axes.axvline(0, color=Ink.QUIET, linewidth=0.8, linestyle=":")
    axes.set_title(trend.title)
    axes.set_ylabel(trend.unit)
    axes.set_xlabel("days since surgery")
    quiet_grid(axes, "y")
