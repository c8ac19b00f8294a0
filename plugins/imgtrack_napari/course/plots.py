"""Small plots along time: lengths, grade and scores, with the interval of the first retear."""

from __future__ import annotations

from typing import TYPE_CHECKING

from matplotlib.backends.backend_qtagg import FigureCanvasQTAgg
from matplotlib.figure import Figure

from imgtrack_napari.look import DARK

if TYPE_CHECKING:
    from collections.abc import Sequence

    from matplotlib.axes import Axes

    from imgtrack.desk.course.trends import Point, Trend
    from imgtrack.desk.course.visits import FirstRetear

MOST_TICKS = 5
HEIGHT_PX = 190


def plots(trends: Sequence[Trend], torn: FirstRetear) -> FigureCanvasQTAgg:
    """Return a widget with one small plot for each trend.

    Parameters
    ----------
    trends
        What to plot.
    torn
        Between which days the repair tore first; marked in every plot.
    """
    figure = Figure(facecolor=DARK.panel, layout="constrained")
    axes = figure.subplots(1, max(len(trends), 1), squeeze=False)[0]
    days = [point.day for trend in trends for point in trend.points]
    for each, trend in zip(axes, trends, strict=False):
        _plot(each, trend, torn)
        _span(each, [*days, 0])
    if not trends:
        axes[0].set_axis_off()
        axes[0].text(0.5, 0.5, "Nothing measured or scored yet.", color=DARK.text, ha="center")
    canvas = FigureCanvasQTAgg(figure)
    canvas.setMinimumHeight(HEIGHT_PX)
    canvas.setMaximumHeight(HEIGHT_PX)
    return canvas


def _plot(axes: Axes, trend: Trend, torn: FirstRetear) -> None:
    _dress(axes, trend)
    if torn.by is not None:
        axes.axvspan(torn.after, torn.by, color=DARK.differs, alpha=0.22, hatch="//", lw=0)
    days = [point.day for point in trend.points]
    values = [point.value for point in trend.points]
    axes.plot(days, values, color=DARK.dim, lw=1.2)
    for is_torn, marker in ((False, "o"), (True, "X")):
        mine = [point for point in trend.points if point.is_torn is is_torn]
        _mark(axes, mine, marker)
    if trend.levels:
        axes.set_yticks(range(len(trend.levels)), trend.levels)
        axes.set_ylim(-0.4, len(trend.levels) - 0.6)
    elif trend.span is not None:
        axes.set_ylim(trend.span)
    else:
        axes.set_ylim(bottom=0, top=1.15 * max(values))


def _span(axes: Axes, days: Sequence[int]) -> None:
    """Give every plot the same days."""
    room = 0.06 * (max(days) - min(days)) + 1
    axes.set_xlim(min(days) - room, max(days) + room)


def _mark(axes: Axes, points: Sequence[Point], marker: str) -> None:
    days, values = [p.day for p in points], [p.value for p in points]
    colour = DARK.differs if marker == "X" else DARK.whole
    axes.plot(days, values, marker, color=colour, markeredgecolor=DARK.text, ms=8, mew=0.8)


def _dress(axes: Axes, trend: Trend) -> None:
    axes.set_facecolor(DARK.raised)
    axes.set_title(f"{trend.title} ({trend.unit})", color=DARK.text, fontsize=9)
    axes.tick_params(colors=DARK.text, labelsize=8)
    axes.locator_params(axis="x", nbins=MOST_TICKS)
    axes.set_xlabel("days after the operation", color=DARK.text, fontsize=8)
    for spine in axes.spines.values():
        spine.set_color(DARK.edge)
