"""Readings of the same subjects by several readers, counted by pattern."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from imgtrack.domain.errors import Fault, InvalidInput

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import ArrayLike, NDArray


@dataclass(frozen=True, slots=True)
class Readings:
    """Distinct patterns of readings and how often each occurs.

    Attributes
    ----------
    patterns
        (u, c) category numbers from zero, one column per reading; `size` stands for missing.
    stratum
        (u,) stratum number of each pattern.
    counts
        (u,) subjects with it.
    member
        (n,) pattern of each subject with any reading.
    kept
        (m,) which of the given subjects those are.
    reader
        (c,) reader number of each column.
    names
        Readers in order of first appearance.
    strata
        Strata in order of first appearance.
    size
        Number of categories K.
    """

    patterns: NDArray[np.intp]
    stratum: NDArray[np.intp]
    counts: NDArray[np.float64]
    member: NDArray[np.intp]
    kept: NDArray[np.bool_]
    reader: NDArray[np.intp]
    names: tuple[object, ...]
    strata: tuple[object, ...]
    size: int

    @property
    def n_used(self) -> int:
        """Subjects with a reading."""
        return self.member.size

    @property
    def shares(self) -> NDArray[np.float64]:
        """Share of the subjects in each stratum, (s,)."""
        sums = np.bincount(self.stratum, self.counts, len(self.strata))
        return np.asarray(sums / sums.sum(), dtype=np.float64)

    def chosen(self, column: int) -> NDArray[np.float64]:
        """Return indicators (u, K) of the category read in a column; zeros where missing."""
        read = self.patterns[:, column][:, None] == np.arange(self.size)
        return np.asarray(read, dtype=np.float64)


def count_patterns(
    ratings: ArrayLike | pd.DataFrame,
    categories: Sequence[object],
    readers: Sequence[object] | None,
    strata: ArrayLike | None,
) -> Readings:
    """Check ratings and count their patterns.

    Parameters
    ----------
    ratings
        (m, c) values out of `categories`, None or nan for missing.
    categories
        The K ordered categories.
    readers
        Reader of each column; the column names of a DataFrame, or one each, when absent.
    strata
        (m,) labels; one stratum when absent.
    """
    table = ratings if isinstance(ratings, pd.DataFrame) else pd.DataFrame(np.asarray(ratings))
    labels = list(categories)
    columns = list(table.columns if readers is None else readers)
    groups = pd.Series(
        np.zeros(len(table), dtype=np.intp) if strata is None else np.asarray(strata)
    )
    faults = _shape_faults(table, labels, columns, groups)
    if faults:
        raise InvalidInput(faults)
    codes = np.column_stack([_codes(table.iloc[:, at], labels) for at in range(len(columns))])
    if np.any(codes < 0):
        found = f"{int(np.sum(codes < 0))} other values"
        expected = ", ".join(map(str, labels))
        raise InvalidInput(Fault("undeclared category", "ratings", expected, found))
    kept = np.any(codes < len(labels), axis=1)
    stratum, stratum_names = pd.factorize(groups[kept])
    reader, names = pd.factorize(pd.Series(columns, dtype=object))
    rows = np.column_stack((codes[kept], stratum))
    distinct, member, counts = np.unique(rows, axis=0, return_inverse=True, return_counts=True)
    return Readings(
        patterns=distinct[:, :-1],
        stratum=distinct[:, -1],
        counts=counts.astype(np.float64),
        member=member.reshape(-1),
        kept=kept,
        reader=reader,
        names=tuple(names),
        strata=tuple(stratum_names),
        size=len(labels),
    )


def _shape_faults(
    table: pd.DataFrame, labels: list[object], columns: list[object], groups: pd.Series
) -> list[Fault]:
    faults = []
    if len(labels) < 2 or len(set(labels)) < len(labels):
        faults.append(Fault("categories", "categories", "two or more, all different", str(labels)))
    if len(columns) != table.shape[1] or not columns:
        expected = f"one reader for each of {table.shape[1]} columns"
        faults.append(Fault("lengths differ", "readers", expected, str(len(columns))))
    if len(groups) != len(table):
        expected = f"one label for each of {len(table)} rows"
        faults.append(Fault("lengths differ", "strata", expected, str(len(groups))))
    if groups.isna().any():
        faults.append(Fault("missing label", "strata", "a label in every row", "missing labels"))
    return faults


def _codes(column: pd.Series, labels: list[object]) -> NDArray[np.intp]:
    """Category numbers, K for missing and -1 for a value that is not declared."""
    numbers = {label: number for number, label in enumerate(labels)}
    missing = column.isna()
    return np.array(
        [
            len(labels) if gone else numbers.get(value, -1)
            for value, gone in zip(column, missing, strict=True)
        ],
        dtype=np.intp,
    )
