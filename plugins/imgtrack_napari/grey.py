"""Grey windows: from the data at first, then as the reader set them, by weighting."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from imgtrack.desk.cases.images import ShownSeries

LOW_PERCENT, HIGH_PERCENT = 1.0, 99.7
"""Share of the tissue that may be black or white; our choice, no source."""

SAMPLED = 500_000
LEAST_SHARE = 1e-3
"""A window is never narrower than this share of what the data span."""


@dataclass(frozen=True, slots=True)
class Window:
    """What is black and what is white, in the unit of the pixels."""

    low: float
    high: float

    def brighter(self, share: float, span: float) -> Window:
        """Return it moved by a share of the data's span: positive makes the picture brighter."""
        return Window(self.low - share * span, self.high - share * span)

    def wider(self, factor: float, span: float) -> Window:
        """Return it around the same middle, times a factor."""
        middle = (self.low + self.high) / 2
        half = max((self.high - self.low) * factor, LEAST_SHARE * span) / 2
        return Window(middle - half, middle + half)


def window_of(values: NDArray[Any]) -> Window:
    """Return a window from the data, without the empty ground around the body.

    Parameters
    ----------
    values
        Pixels of a series, any shape.
    """
    step = max(values.size // SAMPLED, 1)
    sampled = np.asarray(values).reshape(-1)[::step].astype(np.float64)
    sampled = sampled[np.isfinite(sampled)]
    ground = sampled.min(initial=0.0) if sampled.size else 0.0
    tissue = sampled[sampled > ground]
    if tissue.size == 0:
        return Window(ground, ground + 1.0)
    low, high = np.percentile(tissue, (LOW_PERCENT, HIGH_PERCENT))
    if not high > low:
        return Window(float(ground), float(max(high, ground + 1.0)))
    return Window(float(low), float(high))


class GreyMemory:
    """Windows as the reader set them, as shares of the window the data suggest.

    Scanners scale their signal differently, so that numbers would not carry from case to case;
    shares do.
    """

    def __init__(self) -> None:
        self._shares: dict[str, tuple[float, float]] = {}

    def recall(self, series: ShownSeries, suggested: Window) -> Window:
        """Return the window of a series: as its weighting was set last, else as suggested."""
        low, high = self._shares.get(_name(series), (0.0, 1.0))
        span = suggested.high - suggested.low
        return Window(suggested.low + low * span, suggested.low + high * span)

    def keep(self, series: ShownSeries, window: Window, suggested: Window) -> None:
        """Remember a window for the weighting of a series."""
        span = suggested.high - suggested.low
        low, high = (window.low - suggested.low) / span, (window.high - suggested.low) / span
        self._shares[_name(series)] = low, high

    def forget(self, series: ShownSeries) -> None:
        """Go back to what the data suggest."""
        self._shares.pop(_name(series), None)


def _name(series: ShownSeries) -> str:
    return series.weighting.value if series.weighting else series.part
