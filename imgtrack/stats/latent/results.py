"""What a latent class analysis of readings returns."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from imgtrack.stats.latent.constraints import Constraint
    from imgtrack.stats.results import Estimate

Interval = Literal["bootstrap", "likelihood-ratio"]

CAUTION = (
    "assumes that readers err independently given the true category; scans that are hard for "
    "everyone break this, make readers look better than they are and bias the rate"
)


@dataclass(frozen=True, slots=True, kw_only=True)
class ReaderAccuracy:
    """How one reader errs.

    Attributes
    ----------
    reader
        Name.
    raw_rate
        Share of positive readings among this reader's readings; nan without any.
    sensitivity, specificity
        Probability that a truly positive (negative) subject is read as positive (negative).
    confusion
        (K, K) probability of each reading (columns) by true category (rows).
    """

    reader: object
    raw_rate: float
    sensitivity: Estimate
    specificity: Estimate
    confusion: NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class LatentTruth:
    """Latent class analysis of readings.

    Attributes
    ----------
    rate
        Share of subjects truly positive, with its interval; undefined when the readings cannot
        determine it, and then nothing else below `parameters` is given.
    parameters, rank
        Free parameters, and how many of them this design can determine.
    prevalence
        (s, K) shares of the true categories, by stratum.
    strata
        Their labels.
    readers
        Accuracy of each reader.
    posterior
        (m, K) probability of each true category, for each row given; nan in rows without reading.
    excess_agreement
        (c, c) share of exact agreement between two columns of readings beyond what the model
        expects; nan without subjects read in both. Clearly positive values mean that errors are
        not independent, though not always between the two columns that show it. Near zero, and
        silent, when the model has as many parameters as the data have degrees of freedom.
    loglik
        Log-likelihood.
    constraint, interval
        What was assumed and computed.
    caution
        What the rate depends on, in plain words; show it wherever the rate is shown.
    """

    rate: Estimate
    parameters: int
    rank: int
    constraint: Constraint
    interval: Interval
    prevalence: NDArray[np.float64] | None = None
    strata: tuple[object, ...] = ()
    readers: tuple[ReaderAccuracy, ...] = ()
    posterior: NDArray[np.float64] | None = None
    excess_agreement: NDArray[np.float64] | None = None
    loglik: float = np.nan
    caution: str = CAUTION

    @property
    def defined(self) -> bool:
        """Whether the rate could be determined."""
        return self.rate.defined
