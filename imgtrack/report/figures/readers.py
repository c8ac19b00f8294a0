"""How far readers agree: tables of grades against each other, and differences of measurements."""

from __future__ import annotations

from typing import TYPE_CHECKING

from imgtrack.report.figures.drawing import Drawing, Ink, canvas, quiet_grid, style

if TYPE_CHECKING:
    from collections.abc import Sequence

    import pandas as pd
    from matplotlib.axes import Axes

MOST_PANELS = 6


def confusion(
    tables: Sequence[tuple[str, pd.DataFrame]], *, name: str, title: str, source: tuple[str, ...]
) -> Drawing:
    """Draw how often each grade of one reader met each grade of another.

    Parameters
    ----------
    tables
        Pair in words (rows, then columns) and counts, shape (grades, grades), in order.
    name, title, source
        Of the drawing, and where the numbers stand.
    """
    shown = list(tables)[:MOST_PANELS]
    columns = min(3, len(shown))
    rows = -(-len(shown) // columns)
    with style():
        figure = canvas(2.55 * rows, width=2.5 * columns + 0.3)
        for number, (pair, counts) in enumerate(shown):
            _matrix(figure.add_subplot(rows, columns, number + 1), pair, counts)
    agree = [
        f"{pair}: {sum(counts.to_numpy().diagonal()):.0f} of {counts.to_numpy().sum():.0f} the same"
        for pair, counts in shown
    ]
    words = "Blue: the same grade; orange: different grades. " + "; ".join(agree) + "."
    if len(tables) > MOST_PANELS:
        words += f" The first {MOST_PANELS} of {len(tables)} pairs; the table has all."
    return Drawing(name, title, words, source, figure)


def bland_altman(
    panels: Sequence[tuple[str, pd.DataFrame, pd.Series]],
    *,
    name: str,
    title: str,
    unit: str,
    source: tuple[str, ...],
) -> Drawing:
    """Draw differences of two readers against their mean, with limits of agreement.

    Parameters
    ----------
    panels
        Pair in words; ``mean`` and ``difference`` of every scan; and ``bias``, ``lower``,
        ``upper`` of the pair (``nan`` where undefined).
    name, title, unit, source
        Of the drawing, unit of the measurement, and where the numbers stand.
    """
    shown = list(panels)[:MOST_PANELS]
    columns = min(2, len(shown))
    rows = -(-len(shown) // columns)
    with style():
        figure = canvas(2.5 * rows, width=7.0 if columns == 2 else 4.6)
        for number, (pair, points, lines) in enumerate(shown):
            _differences(figure.add_subplot(rows, columns, number + 1), pair, points, lines, unit)
    words = "Line: mean difference; dashed: 95 % limits of agreement. " + _bias_words(shown, unit)
    if len(panels) > MOST_PANELS:
        words += f" The first {MOST_PANELS} of {len(panels)} pairs; the table has all."
    return Drawing(name, title, words, source, figure)


def _matrix(axes: Axes, pair: str, counts: pd.DataFrame) -> None:
    values = counts.to_numpy()
    most = max(float(values.max()), 1.0)
    for row in range(values.shape[0]):
        for column in range(values.shape[1]):
            count = float(values[row, column])
            colour = Ink.HEALED if row == column else Ink.RETEAR
            axes.fill_between(
                [column - 0.5, column + 0.5],
                row - 0.5,
                row + 0.5,
                color=colour,
                alpha=0.08 + 0.55 * count / most if count else 0.0,
                linewidth=0,
            )
            axes.text(
                column,
                row,
                f"{count:.0f}" if count else "·",
                ha="center",
                va="center",
                color=Ink.TEXT if count else Ink.QUIET,
                fontweight="bold" if row == column and count else "normal",
            )
    first, _, second = pair.partition(" - ")
    axes.set_title(pair)
    axes.set_xticks(range(values.shape[1]), [str(each) for each in counts.columns])
    axes.set_yticks(range(values.shape[0]), [str(each) for each in counts.index])
    axes.set_xlabel(second or "second")
    axes.set_ylabel(first or "first")
    axes.set_xlim(-0.5, values.shape[1] - 0.5)
    axes.set_ylim(values.shape[0] - 0.5, -0.5)
    axes.set_aspect("equal")
    axes.tick_params(length=0)


def _differences(axes: Axes, pair: str, points: pd.DataFrame, lines: pd.Series, unit: str) -> None:
    axes.axhline(0, color=Ink.LINE, linewidth=0.8)
    axes.plot(
        points["mean"],
        points["difference"],
        "o",
        color=Ink.HEALED,
        markersize=4,
        markerfacecolor="none",
    )
    for key, dash in (("bias", "-"), ("lower", "--"), ("upper", "--")):
        value = float(lines[key])
        if value == value:  # noqa: PLR0124 - nan is not itself
            axes.axhline(value, color=Ink.RETEAR, linestyle=dash, linewidth=1.2)
            axes.annotate(
                f"{value:+.1f}",
                (1, value),
                (2, 0),
                xycoords=("axes fraction", "data"),
                textcoords="offset points",
                va="center",
                fontsize=8,
            )
    axes.set_title(f"{pair} (n = {len(points)})")
    axes.set_xlabel(f"mean of the two, {unit}")
    axes.set_ylabel(f"difference, {unit}")
    quiet_grid(axes, "y")


def _bias_words(panels: Sequence[tuple[str, pd.DataFrame, pd.Series]], unit: str) -> str:
    parts = []
    for pair, points, lines in panels:
        if float(lines["bias"]) != float(lines["bias"]):
            parts.append(f"{pair}: not defined with {len(points)} scans")
        else:
            parts.append(
                f"{pair}: {lines['bias']:+.1f} {unit}, limits {lines['lower']:+.1f} to "
                f"{lines['upper']:+.1f} {unit}, {len(points)} scans"
            )
    return "; ".join(parts) + "."
