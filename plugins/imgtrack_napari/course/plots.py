"""Small plots along time: lengths, grade and scores, with the interval of the first retear."""

from __future__ import annotations

from typing import TYPE_CHECKING

from matplotlib.backends.backend_qtagg import FigureCanvasQTAgg
from matplotlib.figure import Figure

if TYPE_CHECKING:
    from collections.abc import Sequence

    from matplotlib.axes import Axes

    from imgtrack.desk.course.trends import Point, Trend
    from imgtrack.domain.first_retear import FirstRetear
    from imgtrack_napari.look import Look

MOST_TICKS = 4
LEAST_PX, USUAL_PX = 110, 190
"""Height of the plots, least and at first."""

TITLE_PT, WORDS_PT = 9, 8
ROOM_ABOVE = 1.3
"""How far an axis reaches above its largest value, so that the number beside it fits in."""


def plots(trends: Sequence[Trend], torn: FirstRetear, look: Look) -> FigureCanvasQTAgg:
    """Return a widget with one small plot for each trend.

    Parameters
    ----------
    trends
        What to plot.
    torn
        Between which days the repair tore first; marked in every plot.
    look
        Colours.
    """
    figure = Figure(facecolor=look.panel, layout="constrained")
    axes = figure.subplots(1, max(len(trends), 1), squeeze=False)[0]
    days = [point.day for trend in trends for point in trend.points]
    for each, trend in zip(axes, trends, strict=False):
        _plot(each, trend, torn, look)
        _span(each, [*days, 0])
    if not trends:
        axes[0].set_axis_off()
        axes[0].text(0.5, 0.5, "Nothing measured or scored yet.", color=look.text, ha="center")
    canvas = FigureCanvasQTAgg(figure)
    canvas.setMinimumHeight(LEAST_PX)
    words = spoken(trends, torn)
    canvas.setAccessibleName(words)
    canvas.setToolTip(words)
    return canvas


def spoken(trends: Sequence[Trend], torn: FirstRetear) -> str:
    """Return what the plots show in words: each quantity with its values by day."""
    lines = [
        f"{trend.title} ({trend.unit}): "
        + ", ".join(f"day {point.day}: {value_words(trend, point)}" for point in trend.points)
        for trend in trends
    ]
    return "\n".join([*lines, torn.words])


def value_words(trend: Trend, point: Point) -> str:
    """Return the value of a point as it stands beside it; a retear is told."""
    if trend.levels:
        words = trend.levels[int(point.value)]
    else:
        words = f"{point.value:.0f}" if trend.span is not None else f"{point.value:.1f}"
    return f"{words}, retear" if point.is_torn else words


def _plot(axes: Axes, trend: Trend, torn: FirstRetear, look: Look) -> None:
    _dress(axes, trend, look)
    if torn.by is not None:
        axes.axvspan(torn.after, torn.by, color=look.differs, alpha=0.22, hatch="//", lw=0)
    values = [point.value for point in trend.points]
    axes.plot([point.day for point in trend.points], values, color=look.dim, lw=1.2)
    for is_torn, marker in ((False, "o"), (True, "X")):
        _mark(axes, [point for point in trend.points if point.is_torn is is_torn], marker, look)
    if trend.levels:
        axes.set_yticks(range(len(trend.levels)), trend.levels)
        axes.set_ylim(-0.6, len(trend.levels) - 0.4)
        return
    axes.locator_params(axis="y", nbins=MOST_TICKS, steps=[1, 2, 5, 10], min_n_ticks=3)
    low, high = trend.span or (0.0, max(values))
    axes.set_ylim(low, low + ROOM_ABOVE * max(high - low, 1e-9))
    axes.set_yticks([tick for tick in axes.get_yticks() if low <= tick <= high])
    _number(axes, trend, look)


def _number(axes: Axes, trend: Trend, look: Look) -> None:
    for point in trend.points:
        words = value_words(trend, point).partition(",")[0]
        axes.annotate(
            words,
            (point.day, point.value),
            xytext=(0, 6),
            textcoords="offset points",
            ha="center",
            color=look.text,
            fontsize=WORDS_PT,
        )


def _span(axes: Axes, days: Sequence[int]) -> None:
    """Give every plot the same days."""
    room = 0.1 * (max(days) - min(days)) + 1
    axes.set_xlim(min(days) - room, max(days) + room)


def _mark(axes: Axes, points: Sequence[Point], marker: str, look: Look) -> None:
    days, values = [p.day for p in points], [p.value for p in points]
    colour = look.differs if marker == "X" else look.whole
    axes.plot(days, values, marker, color=colour, markeredgecolor=look.text, ms=8, mew=0.8)


def _dress(axes: Axes, trend: Trend, look: Look) -> None:
    axes.set_facecolor(look.raised)
    unit, _, better = trend.unit.partition(", ")
    axes.set_title(f"{trend.title} ({unit})", color=look.text, fontsize=TITLE_PT)
    axes.text(
        0.98,
        0.03,
        better,
        color=look.dim,
        fontsize=WORDS_PT,
        transform=axes.transAxes,
        ha="right",
        va="bottom",
    )
    axes.tick_params(colors=look.text, labelsize=WORDS_PT)
    axes.locator_params(axis="x", nbins=MOST_TICKS)
    axes.set_xlabel("days after the operation", color=look.text, fontsize=WORDS_PT)
    for spine in axes.spines.values():
        spine.set_color(look.edge)
