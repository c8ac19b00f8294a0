"""Slices with the measurements that were drawn on them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from imgtrack.report.figures.drawing import Drawing, canvas, style

if TYPE_CHECKING:
    from collections.abc import Sequence

    from matplotlib.axes import Axes
    from numpy.typing import NDArray

MARGIN_MM = 28.0
LINE_COLOURS = ("#ffd166", "#7fd8ff", "#ff9fd0", "#b7f07a")
LINE_MARKERS = ("o", "s", "^", "D")
"""On grey images: bright lines, told apart by their markers as well."""


@dataclass(frozen=True, slots=True, eq=False)
class Line:
    """One measurement on a slice.

    Attributes
    ----------
    label
        What it is and how long.
    points
        Shape (n, 2): row and column in pixels, centres being whole numbers.
    closed
        Whether it is an outline.
    """

    label: str
    points: NDArray[np.float64]
    closed: bool = False


@dataclass(frozen=True, slots=True, eq=False)
class Slice:
    """One image with its measurements.

    Attributes
    ----------
    title
        Of the panel.
    caption
        Grade and verdict in words.
    pixels
        Shape (rows, columns), bright meaning bright.
    spacing
        Millimetres between rows and between columns.
    lines
        What was measured on it.
    """

    title: str
    caption: str
    pixels: NDArray[np.floating]
    spacing: tuple[float, float]
    lines: tuple[Line, ...]


def slices(
    shown: Sequence[Slice], *, name: str, title: str, tables: tuple[str, ...], columns: int = 3
) -> Drawing:
    """Draw slices side by side, cut to the neighbourhood of what was measured.

    Parameters
    ----------
    shown
        At least one.
    name, title, tables
        Of the drawing, and where the numbers stand.
    columns
        Most panels side by side.
    """
    across = min(columns, len(shown))
    down = -(-len(shown) // across)
    with style():
        figure = canvas(2.95 * down, width=2.33 * across)
        for number, one in enumerate(shown):
            _panel(figure.add_subplot(down, across, number + 1), one)
    words = "; ".join(
        f"{one.title}: {one.caption}"
        + (", " + ", ".join(line.label for line in one.lines) if one.lines else "")
        for one in shown
    )
    return Drawing(name, title, f"{words}. Scale bar: 10 mm.", tables, figure)


def _panel(axes: Axes, one: Slice) -> None:
    high, wide = one.spacing
    rows, columns = one.pixels.shape
    box = _window(one)
    low, top = np.percentile(one.pixels, (1, 99.5))
    axes.imshow(
        one.pixels,
        cmap="gray",
        vmin=low,
        vmax=max(top, low + 1),
        extent=(-wide / 2, (columns - 0.5) * wide, (rows - 0.5) * high, -high / 2),
        interpolation="bilinear",
    )
    for number, line in enumerate(one.lines):
        _line(axes, line, number, one.spacing)
    axes.set_xlim(box[0], box[1])
    axes.set_ylim(box[3], box[2])
    _scale_bar(axes, box)
    axes.set_xticks([])
    axes.set_yticks([])
    axes.spines[:].set_visible(False)
    axes.set_title(one.title, fontsize=8.5)
    axes.set_xlabel(one.caption, fontsize=7.5, loc="left")


def _window(one: Slice) -> tuple[float, float, float, float]:
    """Return left, right, top and bottom in mm: a square around the measurements."""
    high, wide = one.spacing
    rows, columns = one.pixels.shape
    whole = (-wide / 2, (columns - 0.5) * wide, -high / 2, (rows - 0.5) * high)
    if not one.lines:
        return whole
    points = np.concatenate([line.points for line in one.lines]) * one.spacing
    (y0, x0), (y1, x1) = points.min(axis=0), points.max(axis=0)
    half = max(x1 - x0, y1 - y0) / 2 + MARGIN_MM
    x, y = (x0 + x1) / 2, (y0 + y1) / 2
    half = min(half, (whole[1] - whole[0]) / 2, (whole[3] - whole[2]) / 2)
    x = min(max(x, whole[0] + half), whole[1] - half)
    y = min(max(y, whole[2] + half), whole[3] - half)
    return x - half, x + half, y - half, y + half


def _line(axes: Axes, line: Line, number: int, spacing: tuple[float, float]) -> None:
    points = line.points * spacing
    if line.closed:
        points = np.vstack([points, points[:1]])
    colour = LINE_COLOURS[number % len(LINE_COLOURS)]
    axes.plot(points[:, 1], points[:, 0], color="black", linewidth=2.6, alpha=0.6)
    axes.plot(
        points[:, 1],
        points[:, 0],
        color=colour,
        linewidth=1.2,
        marker=LINE_MARKERS[number % len(LINE_MARKERS)],
        markersize=3.5,
        markeredgecolor="black",
        markeredgewidth=0.5,
    )
    axes.text(
        0.02,
        0.98 - 0.085 * number,
        line.label,
        transform=axes.transAxes,
        va="top",
        fontsize=7,
        color=colour,
        bbox={"facecolor": "black", "alpha": 0.65, "linewidth": 0, "pad": 1.5},
    )


def _scale_bar(axes: Axes, box: tuple[float, float, float, float]) -> None:
    left, right, top, bottom = box
    x, y = right - 0.06 * (right - left), bottom - 0.05 * (bottom - top)
    axes.plot([x - 10, x], [y, y], color="white", linewidth=2.2, solid_capstyle="butt")
    axes.text(
        x - 5,
        y - 0.02 * (bottom - top),
        "10 mm",
        ha="center",
        va="bottom",
        fontsize=6.5,
        color="white",
    )
