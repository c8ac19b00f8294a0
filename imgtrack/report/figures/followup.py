"""The follow-up of every repair at a glance."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

from matplotlib.patches import Patch, Rectangle

from imgtrack.domain.schedule import State
from imgtrack.report.figures.drawing import Drawing, Ink, canvas, percent_axis, style

if TYPE_CHECKING:
    from collections.abc import Sequence

    import pandas as pd
    from matplotlib.axes import Axes

MOST_TILES = 120
"""With more repairs than this a tile would be narrower than a letter; shares are drawn then."""
LEAST_SIGNED = 0.02
"""Share from which a part is wide enough for its sign."""


class Tile(NamedTuple):
    """How a state looks: its colour, the sign in it, that sign's colour, and its hatching."""

    face: str
    sign: str = ""
    ink: str = Ink.TEXT
    hatch: str = ""


TILES: dict[State, Tile] = {
    State.FINAL: Tile(Ink.HEALED),
    State.READERS_DIFFER: Tile(Ink.THIRD, "≠", Ink.PAPER),
    State.BEING_READ: Tile(Ink.PALE, "r"),
    State.SCAN_IN: Tile(Ink.PALE, "s"),
    State.DUE: Tile(Ink.WARM, "·"),
    State.OVERDUE: Tile(Ink.RETEAR, "!", Ink.PAPER),
    State.MISSED: Tile(Ink.UNKNOWN, "x", Ink.PAPER),
    State.ENDED: Tile(Ink.PAPER, hatch="////"),
    State.NOT_YET_DUE: Tile(Ink.PAPER),
}


def follow_up(states: pd.DataFrame, timepoints: Sequence[tuple[str, str]]) -> Drawing:
    """Draw the state of every repair at every timepoint, one column per repair.

    Parameters
    ----------
    states
        Columns ``repair``, ``timepoint`` and ``state``, repairs in the order of the picture.
    timepoints
        Name and label of each, in order.
    """
    repairs = list(dict.fromkeys(states["repair"]))
    present = [state for state in TILES if (states["state"] == state.value).any()]
    as_tiles = len(repairs) <= MOST_TILES
    with style():
        figure = canvas(0.9 + 0.34 * len(timepoints))
        axes = figure.add_subplot()
        if as_tiles:
            _tiles(axes, states, repairs, timepoints)
        else:
            _shares(axes, states, len(repairs), timepoints)
        axes.set_yticks(range(len(timepoints)), [label for _, label in timepoints])
        axes.set_ylim(len(timepoints) - 0.5, -0.5)
        axes.tick_params(length=0)
        axes.spines[:].set_visible(False)
        _legend(axes, present)
    how = "one column per repair" if as_tiles else "share of repairs in each state"
    return Drawing(
        "follow-up",
        "Follow-up of every repair",
        f"State of {len(repairs)} repairs at each timepoint: {how}. {_sum(states, timepoints)}",
        ("states",),
        figure,
    )


def _tiles(
    axes: Axes,
    states: pd.DataFrame,
    repairs: Sequence[str],
    timepoints: Sequence[tuple[str, str]],
) -> None:
    place = {repair: number for number, repair in enumerate(repairs)}
    row = {name: number for number, (name, _) in enumerate(timepoints)}
    size = min(8.0, 380 / max(len(repairs), 1))
    columns = (states["repair"], states["timepoint"], states["state"])
    for repair, timepoint, state in zip(*columns, strict=True):
        if timepoint not in row:
            continue
        tile, x, y = TILES[State(state)], place[repair], row[timepoint]
        axes.add_patch(_box(tile, x - 0.46, y - 0.42, 0.92, 0.84))
        if tile.sign:
            _sign(axes, tile, x, y, size)
    axes.set_xlim(-0.7, max(len(repairs) - 0.3, 12))
    axes.set_xticks([])
    axes.set_xlabel(f"{len(repairs)} repairs, by day of operation")


def _shares(
    axes: Axes, states: pd.DataFrame, repairs: int, timepoints: Sequence[tuple[str, str]]
) -> None:
    for y, (name, _) in enumerate(timepoints):
        counted = states.loc[states["timepoint"] == name, "state"].value_counts()
        start = 0.0
        for state, tile in TILES.items():
            share = float(counted.get(state.value, 0)) / repairs
            if share:
                axes.add_patch(_box(tile, start, y - 0.38, share, 0.76))
            if tile.sign and share > LEAST_SIGNED:
                _sign(axes, tile, start + share / 2, y, 8.0)
            start += share
    percent_axis(axes, "x", 1.0)
    axes.set_xlabel(f"share of {repairs} repairs")


def _sign(axes: Axes, tile: Tile, x: float, y: float, size: float) -> None:
    axes.text(x, y, tile.sign, ha="center", va="center", fontsize=size, color=tile.ink)


def _box(tile: Tile, x: float, y: float, width: float, height: float) -> Rectangle:
    return Rectangle(
        (x, y),
        width,
        height,
        facecolor=tile.face,
        edgecolor=Ink.QUIET if tile.hatch or tile.face == Ink.PAPER else tile.face,
        hatch=tile.hatch or None,
        linewidth=0.5,
    )


def _legend(axes: Axes, present: Sequence[State]) -> None:
    handles = []
    for state in present:
        tile = TILES[state]
        edge = Ink.QUIET if tile.hatch or tile.face == Ink.PAPER else tile.face
        words = f"{state.value} ({tile.sign})" if tile.sign else state.value
        handles.append(
            Patch(facecolor=tile.face, edgecolor=edge, hatch=tile.hatch or None, label=words)
        )
    axes.legend(
        handles=handles,
        loc="lower center",
        bbox_to_anchor=(0.5, 1.0),
        ncols=min(5, max(1, len(handles))),
        handlelength=1.2,
        columnspacing=1.2,
    )


def _sum(states: pd.DataFrame, timepoints: Sequence[tuple[str, str]]) -> str:
    parts = []
    for name, label in timepoints:
        here = states.loc[states["timepoint"] == name, "state"].value_counts()
        counts = ", ".join(f"{count} {state}" for state, count in here.items())
        parts.append(f"{label}: {counts or 'none'}")
    return "; ".join(parts) + "."
