"""Which series hangs in which pane, and in what order the others follow."""

from __future__ import annotations

from typing import TYPE_CHECKING

from imgtrack.domain.protocol import Plane, Weighting

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from imgtrack.desk.cases.images import ShownSeries

PANES = (Plane.CORONAL_OBLIQUE, Plane.SAGITTAL_OBLIQUE, Plane.AXIAL)
"""The panes from left to right."""

FLUID = (
    Weighting.PD_FAT_SUPPRESSED,
    Weighting.T2_FAT_SUPPRESSED,
    Weighting.STIR,
    Weighting.FLUID_SENSITIVE,
    Weighting.T2,
)
"""Weightings that show fluid bright, those without fat signal first."""

FAT = (Weighting.T1, Weighting.PD, Weighting.T2, Weighting.DIXON)
"""Weightings that show fat bright, for the muscles."""


def hang(series: Sequence[ShownSeries]) -> Mapping[Plane, tuple[ShownSeries, ...]]:
    """Return the series of each pane, the one to begin with first.

    Parameters
    ----------
    series
        Of one case. Those of the scan to be read come before earlier scans, fluid-sensitive ones
        before others. A series without a plane of ours, as a radiograph, goes to the first pane
        that would be empty, else to the last place of the last pane.
    """
    ordered = sorted(series, key=_order)
    hung = {plane: [each for each in ordered if each.plane is plane] for plane in PANES}
    for each in ordered:
        if each.plane not in hung:
            empty = next((plane for plane in PANES if not hung[plane]), PANES[-1])
            hung[empty].append(each)
    return {plane: tuple(found) for plane, found in hung.items()}


def _order(series: ShownSeries) -> tuple[int, int, str]:
    return series.earlier, _rank(series, FLUID), series.alias


def _rank(series: ShownSeries, wanted: tuple[Weighting, ...]) -> int:
    return wanted.index(series.weighting) if series.weighting in wanted else len(wanted)


def best_for_muscle(series: Sequence[ShownSeries]) -> int:
    """Return which series of a pane to judge muscles on: fat bright, of the scan to be read."""
    ranked = [(each.earlier, _rank(each, FAT), place) for place, each in enumerate(series)]
    return min(ranked)[2] if ranked else 0


def best_for_tendon(series: Sequence[ShownSeries]) -> int:
    """Return which series of a pane to judge tendons on: fluid bright, of the scan to be read."""
    ranked = [(each.earlier, _rank(each, FLUID), place) for place, each in enumerate(series)]
    return min(ranked)[2] if ranked else 0
