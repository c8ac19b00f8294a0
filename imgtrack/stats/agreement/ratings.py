"""Ratings as positions in the declared levels, and the counts made from them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, TypeAlias

import numpy as np
import numpy.typing as npt
import pandas as pd

from imgtrack.domain.errors import Fault, InvalidInput
from imgtrack.stats.arguments import raise_faults

if TYPE_CHECKING:
    from collections.abc import Iterator

    from imgtrack.stats.bootstrap.subject_sums import FloatArray

Categories: TypeAlias = Sequence[Any] | npt.NDArray[Any]
Ratings: TypeAlias = npt.ArrayLike | pd.DataFrame
Reader: TypeAlias = npt.ArrayLike

_SHOWN = 5


@dataclass(frozen=True, slots=True, eq=False)
class Coded:
    """Ratings coded by the position of their level.

    Attributes
    ----------
    codes
        Integer array (subjects, readers); -1 = missing. Readers without any rating are dropped.
    levels
        The declared levels in their order; the observed ones when none were declared.
    """

    codes: npt.NDArray[np.intp]
    levels: tuple[Any, ...]

    @property
    def n_readers(self) -> int:
        """Readers with at least one rating."""
        return int(self.codes.shape[1])

    @property
    def per_subject(self) -> npt.NDArray[np.intp]:
        """Number of ratings of each subject, array (subjects,)."""
        return np.asarray((self.codes >= 0).sum(axis=1))

    def by_reader(self) -> FloatArray:
        """Return indicators of the level each reader gave, array (subjects, readers, levels)."""
        return np.asarray(self.codes[..., None] == np.arange(len(self.levels)), dtype=float)

    def counts(self) -> FloatArray:
        """Return how many readers gave each level, array (subjects, levels)."""
        subjects, _ = np.nonzero(self.codes >= 0)
        table = np.zeros((len(self.codes), len(self.levels)))
        np.add.at(table, (subjects, self.codes[self.codes >= 0]), 1.0)
        return table


def code_ratings(ratings: Ratings, categories: Categories | None) -> Coded:
    """Code ratings by declared level.

    Parameters
    ----------
    ratings
        Array or DataFrame (subjects, readers), numbers or labels; NaN, None and pandas NA are
        missing.
    categories
        The declared levels in their order; None takes the observed ones, sorted.

    Raises
    ------
    InvalidInput
        When ratings are not two-dimensional, levels are empty, repeated or missing, or a rating
        is not among them.
    """
    values = ratings.to_numpy() if isinstance(ratings, pd.DataFrame) else np.asarray(ratings)
    if values.ndim != 2:
        expected = "an array or table (subjects, readers)"
        raise InvalidInput(Fault("unsuitable shape", "ratings", expected, f"shape {values.shape}"))
    coded = _code(values, categories, "ratings")
    return Coded(coded.codes[:, np.any(coded.codes >= 0, axis=0)], coded.levels)


def code_pair(a: Reader, b: Reader, categories: Categories | None) -> Coded:
    """Code the ratings of two readers; subjects that either left unrated become all missing.

    Parameters
    ----------
    a, b
        Ratings of the same subjects in the same order, arrays or Series (subjects,); a Series is
        taken by position, not by index.
    categories
        As in `code_ratings`.

    Raises
    ------
    InvalidInput
        As in `code_ratings`, and when the two have different lengths.
    """
    first, second = np.asarray(a), np.asarray(b)
    if first.ndim != 1 or first.shape != second.shape:
        found = f"shapes {first.shape} and {second.shape}"
        expected = "two arrays (subjects,) of one length"
        raise InvalidInput(Fault("the readers do not match", "a, b", expected, found))
    if not _numeric(first) or not _numeric(second):
        first, second = first.astype(object), second.astype(object)
    coded = _code(np.column_stack([first, second]), categories, "a, b")
    complete = np.all(coded.codes >= 0, axis=1)
    return Coded(np.where(complete[:, None], coded.codes, -1), coded.levels)


def _code(values: npt.NDArray[Any], categories: Categories | None, where: str) -> Coded:
    flat = values.ravel()
    missing = np.asarray(pd.isna(flat))
    levels = _observed(flat[~missing], where) if categories is None else tuple(categories)
    raise_faults(_level_faults(levels) if categories is not None else ())
    codes = np.where(missing, -1, _positions(flat, levels))
    raise_faults(_stranger_faults(flat[(codes < 0) & ~missing], levels, where))
    return Coded(codes.reshape(values.shape), levels)


def _positions(flat: npt.NDArray[Any], levels: tuple[Any, ...]) -> npt.NDArray[np.intp]:
    if _numeric(flat) and _numeric(np.asarray(levels)):
        return np.asarray(pd.Index(np.asarray(levels)).get_indexer(flat))
    # as objects True, 1 and 1.0 are the same level
    return np.asarray(pd.Index(levels, dtype=object).get_indexer(flat.astype(object)))


def _numeric(values: npt.NDArray[Any]) -> bool:
    return values.dtype.kind in "iuf"


def _observed(values: npt.NDArray[Any], where: str) -> tuple[Any, ...]:
    try:
        return tuple(np.unique(values).tolist())
    except TypeError:
        fault = Fault(
            "ratings of mixed kinds have no order", where, "all numbers or all labels", "both"
        )
        raise InvalidInput(fault) from None


def _level_faults(levels: tuple[Any, ...]) -> Iterator[Fault]:
    if not levels:
        yield Fault("no level declared", "categories", "at least one level", "none")
    if any(pd.isna(level) for level in levels):
        yield Fault("a missing value is no level", "categories", "levels", "NaN or None")
    elif len(set(levels)) < len(levels):
        yield Fault("level declared twice", "categories", "distinct levels", repr(list(levels)))


def _stranger_faults(
    strangers: npt.NDArray[Any], levels: tuple[Any, ...], where: str
) -> Iterator[Fault]:
    if strangers.size:
        names = list(dict.fromkeys(strangers.tolist()))
        shown = ", ".join(map(repr, names[:_SHOWN]))
        more = f" and {len(names) - _SHOWN} more" if len(names) > _SHOWN else ""
        yield Fault("rating outside the declared levels", where, f"one of {levels}", shown + more)
