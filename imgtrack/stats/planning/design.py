"""Arguments of the tests a study is planned for."""

from __future__ import annotations

from typing import Literal, TypeAlias, get_args

from scipy.special import ndtri

from imgtrack.domain.errors import Fault
from imgtrack.stats.arguments import range_faults

Sides: TypeAlias = Literal[1, 2]


def quantiles(power: float, alpha: float, sides: Sides) -> tuple[float, float]:
    """Return the normal quantiles of the size and of the power of a test."""
    return float(ndtri(1.0 - alpha / sides)), float(ndtri(power))


def power_faults(power: float, alpha: float, sides: int) -> list[Fault]:
    """Faults of power, alpha and sides."""
    faults = range_faults("alpha", alpha, 0.0, 0.5)
    faults += range_faults("power", power, 0.0 if faults else alpha, 1.0)
    if sides not in get_args(Sides):
        faults.append(Fault("unknown choice", "sides", "1 or 2", repr(sides)))
    return faults


def different_faults(where: str, value: float, null: float) -> list[Fault]:
    """Fault when there is nothing to tell apart."""
    if value != null:
        return []
    return [Fault("equal to the null value", where, "another value than the null", repr(value))]


def below_faults(where: str, value: float, limit: float) -> list[Fault]:
    """Fault of a value that is not below a limit."""
    return [] if value < limit else [Fault("too large", where, f"below {limit}", repr(value))]
