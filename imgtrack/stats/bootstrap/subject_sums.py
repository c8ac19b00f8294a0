"""A statistic that depends on the data only through sums over subjects.

Kappa, AC, alpha, the intraclass correlations and ratios of totals are all smooth functions of a
few sums. Written that way once, a statistic gives its value, its linearised standard error, its
jackknife and all its bootstrap replicates from the same few lines.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, TypeAlias

import numpy as np
import numpy.typing as npt
import pandas as pd

from imgtrack.domain.errors import Fault, InvalidInput

if TYPE_CHECKING:
    from collections.abc import Callable

FloatArray: TypeAlias = npt.NDArray[np.float64]
Totals: TypeAlias = npt.NDArray[Any]
"""Real or complex array (..., sums): the statistic must use analytic operations only."""

_STEP = 1e-30


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class SubjectSums:
    """A statistic as a function of sums over subjects.

    Attributes
    ----------
    name
        Name of the statistic.
    features
        Array (subjects, sums): what each subject adds to each sum. A row of zeros is a subject
        that does not enter (its ratings are missing); every subject that enters has at least
        one non-zero feature, usually a count of 1.
    statistic
        Maps totals (..., sums) to values (...); ``nan`` where the totals leave it undefined.
        It must accept complex totals and use analytic operations only (no absolute value, no
        rounding): derivatives are taken by the complex step.
    why_nan
        Plain words for what ``nan`` means for this statistic.
    """

    name: str
    features: FloatArray
    statistic: Callable[[Totals], Totals]
    why_nan: str

    @property
    def enters(self) -> npt.NDArray[np.bool_]:
        """Which subjects enter: array (subjects,)."""
        return np.asarray(np.any(self.features != 0, axis=1))

    def value(self) -> float:
        """Return the statistic of the sample, ``nan`` when undefined."""
        return float(self.statistic(self.features.sum(axis=0)))

    def influence(self) -> FloatArray:
        """Return what each subject that enters adds to the statistic, to first order.

        Returns
        -------
        Array (subjects that enter,), centred. The sum of its squares is the delta-method
        (infinitesimal jackknife) variance with divisor n.

        Notes
        -----
        The gradient comes from the complex step f'(t) = Im f(t + ih)/h, exact to rounding
        (Squire W, Trapp G. SIAM Review 1998;40:110-112).
        """
        totals = self.features.sum(axis=0)
        shifted = totals + 1j * _STEP * np.eye(totals.size)
        gradient = np.imag(self.statistic(shifted)) / _STEP
        effect = self.features[self.enters] @ gradient
        return np.asarray(effect - effect.mean())

    def by_cluster(self, clusters: npt.ArrayLike | None) -> FloatArray:
        """Return features summed within clusters, clusters without any data left out.

        Parameters
        ----------
        clusters
            Label of each subject's cluster, array (subjects,), in the order of the ratings;
            None when every subject is its own cluster.

        Returns
        -------
        Array (clusters that enter, sums).

        Raises
        ------
        InvalidInput
            When the labels are not one per subject, or one is missing.
        """
        if clusters is None:
            return np.asarray(self.features[self.enters])
        codes = _cluster_codes(clusters, len(self.features))[self.enters]
        labels, position = np.unique(codes, return_inverse=True)
        summed = np.zeros((labels.size, self.features.shape[1]))
        np.add.at(summed, position, self.features[self.enters])
        return summed


def quotient(numerator: Totals, denominator: Totals) -> Totals:
    """Divide totals, ``nan`` where the denominator is zero."""
    nothing = denominator == 0
    return np.where(nothing, np.nan, numerator / np.where(nothing, 1.0, denominator))


def _cluster_codes(clusters: npt.ArrayLike, n: int) -> npt.NDArray[np.intp]:
    labels = np.asarray(clusters)
    if labels.shape != (n,):
        raise InvalidInput(
            Fault(
                "one cluster label per subject is needed",
                "clusters",
                f"shape ({n},)",
                f"shape {labels.shape}",
            )
        )
    codes, _ = pd.factorize(labels)
    if np.any(codes < 0):
        missing = ", ".join(map(str, np.flatnonzero(codes < 0)[:5]))
        raise InvalidInput(
            Fault(
                "cluster label missing", "clusters", "a label for every subject", f"row {missing}"
            )
        )
    return codes
