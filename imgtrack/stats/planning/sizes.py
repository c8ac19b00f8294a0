"""Size of a study: what the formula asks for, and what to recruit for it."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

from imgtrack.stats.arguments import level_faults, raise_faults, range_faults

if TYPE_CHECKING:
    from imgtrack.domain.errors import Fault

_ROUNDING = 1e-9


@dataclass(frozen=True, slots=True, kw_only=True)
class Inflation:
    """What makes a study recruit more units than its formula asks for.

    Attributes
    ----------
    attrition
        Share of recruited units that will have no answer, 0 <= attrition < 1.
    cluster_size
        Mean number of units per cluster, for instance operated shoulders per patient; at least 1.
    cluster_correlation
        Correlation of two units of one cluster, 0 to 1.

    Raises
    ------
    InvalidInput
        When a value is out of range.
    """

    attrition: float = 0.0
    cluster_size: float = 1.0
    cluster_correlation: float = 0.0

    def __post_init__(self) -> None:
        """Check the ranges."""
        faults: list[Fault] = []
        if self.attrition != 0.0:
            faults += level_faults(self.attrition, where="attrition")
        faults += range_faults("cluster_size", self.cluster_size, 1.0, 1e6, closed=True)
        correlation = self.cluster_correlation
        faults += range_faults("cluster_correlation", correlation, 0.0, 1.0, closed=True)
        raise_faults(faults)

    @property
    def design_effect(self) -> float:
        """Return 1 + (cluster_size - 1) cluster_correlation (Kish 1965)."""
        return 1.0 + (self.cluster_size - 1.0) * self.cluster_correlation

    def recruited(self, needed: float) -> int:
        """Return the units to recruit for `needed` independent answers."""
        return round_up(needed * self.design_effect / (1.0 - self.attrition))


NO_INFLATION = Inflation()


@dataclass(frozen=True, slots=True, kw_only=True)
class SampleSize:
    """Units a study needs.

    Attributes
    ----------
    needed
        Independent units with an answer, per group; one entry when there is one group.
    recruited
        The same after design effect and attrition.
    unrounded
        Result of the formula before rounding up, per group.
    readers
        Readers of every unit; 0 where reading plays no part.
    method
        Name of the formula, with its source in the function's docstring.
    inflation
        What ``recruited`` allows for.
    """

    needed: tuple[int, ...]
    recruited: tuple[int, ...]
    unrounded: tuple[float, ...]
    readers: int
    method: str
    inflation: Inflation

    @property
    def readings(self) -> int:
        """Readings to be made of the recruited units."""
        return sum(self.recruited) * self.readers

    @property
    def recruited_clusters(self) -> int:
        """Clusters that hold the recruited units at the mean cluster size."""
        return round_up(sum(self.recruited) / self.inflation.cluster_size)


def sample_size(
    unrounded: float | tuple[float, ...], method: str, inflation: Inflation, *, readers: int = 0
) -> SampleSize:
    """Round up and inflate the result of a formula."""
    per_group = unrounded if isinstance(unrounded, tuple) else (unrounded,)
    return SampleSize(
        needed=tuple(round_up(n) for n in per_group),
        recruited=tuple(inflation.recruited(n) for n in per_group),
        unrounded=per_group,
        readers=readers,
        method=method,
        inflation=inflation,
    )


def round_up(value: float) -> int:
    """Return the next whole number, at least 1, forgiving rounding error."""
    return max(1, math.ceil(value - _ROUNDING * max(1.0, value)))
