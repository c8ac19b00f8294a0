"""Repeated measurements as a matrix of subjects by readers, checked and stripped of empty rows."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from imgtrack.domain.errors import Fault
from imgtrack.stats.arguments import read_floats

if TYPE_CHECKING:
    import numpy.typing as npt

    from imgtrack.stats.arguments import FloatArray, Values


@dataclass(frozen=True, slots=True, eq=False)
class Readings:
    """Measurements of subjects by readers.

    Attributes
    ----------
    values
        Array (subjects, readers), NaN = missing; every row and every column has a value.
    n_excluded
        Subjects left out because nobody measured them.
    """

    values: FloatArray
    n_excluded: int

    @property
    def n_subjects(self) -> int:
        """Subjects with a value."""
        return int(self.values.shape[0])

    @property
    def n_readers(self) -> int:
        """Readers with a value."""
        return int(self.values.shape[1])

    @property
    def present(self) -> npt.NDArray[np.bool_]:
        """Where there is a value, array (subjects, readers)."""
        return ~np.isnan(self.values)

    @property
    def complete(self) -> bool:
        """Whether every reader measured every subject."""
        return bool(self.present.all())

    @property
    def constant(self) -> bool:
        """Whether all values are the same."""
        return bool(np.nanmax(self.values) == np.nanmin(self.values))


def read_values(values: Values) -> tuple[Readings, list[Fault]]:
    """Return the measurements and the faults of their shape; rows without a value are dropped."""
    array, faults = read_floats("values", values)
    if array.ndim != 2:
        expected = "an array of shape (subjects, readers)"
        faults = faults or [Fault("not a matrix", "values", expected, f"shape {array.shape}")]
        return Readings(np.empty((0, 0)), 0), faults
    faults = finite_faults({"values": array})
    present = ~np.isnan(array)
    rows, columns = present.any(axis=1), present.any(axis=0)
    return Readings(array[rows][:, columns], int((~rows).sum())), faults


def finite_faults(arrays: dict[str, FloatArray]) -> list[Fault]:
    """Faults of arrays that hold an infinity."""
    return [
        Fault("infinite value", name, "finite numbers, NaN for missing", "an infinity")
        for name, array in arrays.items()
        if np.isinf(array).any()
    ]


def read_pairs(
    a: Values, b: Values, subjects: npt.NDArray[np.intp] | None = None
) -> tuple[FloatArray, FloatArray, list[Fault]]:
    """Return two vectors and their faults; `subjects` must be of their length when given."""
    first, faults = read_floats("a", a)
    second, more = read_floats("b", b)
    faults += more
    shapes = {"a": first.shape, "b": second.shape}
    if subjects is not None:
        shapes["subjects"] = subjects.shape
    if not faults and (first.ndim != 1 or len(set(shapes.values())) > 1):
        found = ", ".join(f"{name} {shape}" for name, shape in shapes.items())
        faults.append(Fault("vectors do not match", ", ".join(shapes), "one value per pair", found))
    return first, second, faults or finite_faults({"a": first, "b": second})
