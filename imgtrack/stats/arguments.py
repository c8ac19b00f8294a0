"""Checks of arguments shared by the functions of this room; all faults are raised together."""

from __future__ import annotations

import math
from numbers import Real
from typing import TYPE_CHECKING, TypeAlias

import numpy as np
import numpy.typing as npt
import pandas as pd

from imgtrack.domain.errors import Fault, InvalidInput

if TYPE_CHECKING:
    from collections.abc import Iterable

FloatArray: TypeAlias = npt.NDArray[np.float64]
Values: TypeAlias = "npt.ArrayLike | pd.DataFrame | pd.Series"


def raise_faults(faults: Iterable[Fault]) -> None:
    """Raise `InvalidInput` with every fault, or return when there is none."""
    found = tuple(faults)
    if found:
        raise InvalidInput(found)


def range_faults(
    where: str, value: object, low: float, high: float, *, closed: bool = False
) -> list[Fault]:
    """Fault when a number lies outside (low, high), or outside [low, high] when closed."""
    number = _finite(value)
    if number is not None and (low < number < high or (closed and low <= number <= high)):
        return []
    edges = "both included" if closed else "both excluded"
    expected = f"a number from {low:g} to {high:g}, {edges}"
    return [Fault("out of range", where, expected, repr(value))]


def level_faults(level: object, *, where: str = "level") -> list[Fault]:
    """Fault when a confidence level, power or share is not strictly between 0 and 1."""
    return range_faults(where, level, 0.0, 1.0)


def choice_faults(where: str, value: object, allowed: Iterable[str]) -> list[Fault]:
    """Fault when a choice is not one of the allowed words."""
    words = tuple(allowed)
    if isinstance(value, str) and value in words:
        return []
    return [Fault("unknown choice", where, "one of " + ", ".join(map(repr, words)), repr(value))]


def count_faults(where: str, value: object, *, at_least: int = 0) -> list[Fault]:
    """Fault when a count is not a whole number of at least `at_least`."""
    number = _finite(value)
    if number is not None and number >= at_least and number.is_integer():
        return []
    return [Fault("not a count", where, f"a whole number, {at_least} or more", repr(value))]


def events_faults(
    events: object, n: object, *, names: tuple[str, str] = ("events", "n")
) -> list[Fault]:
    """Faults of a pair of counts, including more events than units."""
    faults = count_faults(names[0], events) + count_faults(names[1], n)
    happened, units = _finite(events), _finite(n)
    if not faults and happened is not None and units is not None and happened > units:
        faults.append(Fault(f"more than {names[1]}", names[0], f"at most {n}", repr(events)))
    return faults


def two_group_faults(e1: object, n1: object, e2: object, n2: object) -> list[Fault]:
    """Faults of the counts of two groups."""
    first = events_faults(e1, n1, names=("e1", "n1"))
    return first + events_faults(e2, n2, names=("e2", "n2"))


def read_floats(where: str, values: Values) -> tuple[FloatArray, list[Fault]]:
    """Return a float array, NaN where pandas or a list of None has a missing value.

    What cannot be read as numbers becomes an array without dimension, along with the fault.
    """
    try:
        if isinstance(values, pd.DataFrame | pd.Series):
            return np.asarray(values.to_numpy(dtype=float, na_value=np.nan), dtype=float), []
        return np.asarray(values, dtype=float), []
    except (TypeError, ValueError) as error:
        return np.array(math.nan), [Fault("not numbers", where, "an array of numbers", str(error))]


def array_counts_faults(
    events: FloatArray, n: FloatArray, *, names: tuple[str, str] = ("events", "n")
) -> list[Fault]:
    """Faults of two arrays of counts of one shape."""
    whole = (events == np.floor(events)) & (n == np.floor(n)) & np.isfinite(n)
    wrong = np.flatnonzero(~(whole & (events >= 0) & (events <= n)))
    if not wrong.size:
        return []
    first = int(wrong[0])
    expected = f"whole numbers with 0 <= {names[0]} <= {names[1]}"
    found = f"{names[0]} {events[first]:g} of {n[first]:g} at position {first}"
    return [Fault("not counts", f"{names[0]}, {names[1]}", expected, found)]


def _finite(value: object) -> float | None:
    """Return a finite real number as a float; None for anything else, a bool included."""
    if isinstance(value, bool) or not isinstance(value, Real):
        return None
    number = float(value)
    return number if math.isfinite(number) else None
