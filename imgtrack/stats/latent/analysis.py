"""Describe a fitted latent class model: the rate, each reader's accuracy, and their limits."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from imgtrack.stats.latent.mixture import Parameters, joint_probability
from imgtrack.stats.latent.profile import ratio_limits, smoothed
from imgtrack.stats.latent.results import LatentTruth, ReaderAccuracy
from imgtrack.stats.results import Estimate

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from imgtrack.stats.latent.identify import Design
    from imgtrack.stats.latent.mixture import Mixture
    from imgtrack.stats.latent.profile import Profile
    from imgtrack.stats.latent.readings import Readings
    from imgtrack.stats.latent.results import Interval

# Share of the subjects below which a side of the cut counts as empty.
NOBODY = 1e-6
# Numbers held at once while fitting resamples; the result does not depend on it.
CELLS_AT_ONCE = 2**20
EMPTY_SIDE = "no subject is truly on this side of the cut"
ONLY_BOOTSTRAP = "limits for a reader come with the bootstrap"


@dataclass(frozen=True, slots=True)
class Analysis:
    """A checked analysis."""

    mixture: Mixture
    members: NDArray[np.intp] | None
    interval: Interval
    level: float
    replicates: int
    rng: np.random.Generator

    def estimate(
        self,
        value: float,
        *,
        low: float = np.nan,
        high: float = np.nan,
        se: float = np.nan,
        why_undefined: str = "",
        why_no_interval: str = "",
    ) -> Estimate:
        """Wrap a number with what was used."""
        readings = self.mixture.readings
        return Estimate(
            estimate=value,
            low=low,
            high=high,
            se=se,
            level=self.level,
            method=f"latent class EM, {self.mixture.constraint} errors, {self.interval} interval",
            n_used=readings.n_used,
            n_excluded=int(readings.kept.size - readings.n_used),
            why_undefined=why_undefined,
            why_no_interval=why_no_interval,
        )

    def resampled_counts(self) -> NDArray[np.float64]:
        """Pattern counts of resampled patients, (replicates, u)."""
        readings = self.mixture.readings
        if self.members is None:
            shares = readings.counts / readings.n_used
            return self.rng.multinomial(readings.n_used, shares, self.replicates).astype(float)
        clusters = int(self.members.max()) + 1
        content = np.zeros((clusters, readings.counts.size))
        np.add.at(content, (self.members, readings.member), 1.0)
        drawn = self.rng.multinomial(clusters, np.full(clusters, 1 / clusters), self.replicates)
        return np.asarray(drawn @ content, dtype=np.float64)

    def resampled_fits(self, best: Parameters) -> Parameters:
        """Fits of resampled patients, each from the best fit of the sample."""
        counts, start = self.resampled_counts(), smoothed(best)
        at_once = max(1, CELLS_AT_ONCE // (counts.shape[1] * self.mixture.positive.size))
        fits = []
        for first in range(0, self.replicates, at_once):
            block = counts[first : first + at_once]
            fits.append(self.mixture.fit(start.take(np.zeros(len(block), dtype=np.intp)), block)[0])
        return Parameters(
            np.concatenate([fit.prevalence for fit in fits]),
            np.concatenate([fit.confusion for fit in fits]),
        )


def describe(analysis: Analysis, design: Design, profile: Profile) -> LatentTruth:
    """Gather everything an identifiable analysis gives."""
    mixture, best = analysis.mixture, profile.best
    value = float(mixture.rate(best)[0])
    resamples = analysis.resampled_fits(best) if analysis.interval == "bootstrap" else None
    if resamples is None:
        low, high = ratio_limits(mixture, profile, analysis.level)
        rate = analysis.estimate(value, low=low, high=high)
    else:
        rate = _with_percentiles(analysis, value, mixture.rate(resamples))
    readings = mixture.readings
    joint = joint_probability(readings, best)[0]
    posterior = np.full((readings.kept.size, readings.size), np.nan)
    posterior[readings.kept] = (joint / joint.sum(axis=1, keepdims=True))[readings.member]
    return LatentTruth(
        rate=rate,
        parameters=design.parameters,
        rank=design.rank,
        constraint=mixture.constraint,
        interval=analysis.interval,
        prevalence=best.prevalence[0],
        strata=readings.strata,
        readers=_accuracies(analysis, best, resamples),
        posterior=posterior,
        excess_agreement=_excess_agreement(readings, best),
        loglik=profile.loglik,
    )


def _with_percentiles(analysis: Analysis, value: float, resampled: NDArray[np.float64]) -> Estimate:
    if np.nanstd(resampled) < NOBODY:
        return analysis.estimate(value, why_no_interval="every resample gives the same value")
    low, high = np.nanquantile(resampled, ((1 - analysis.level) / 2, (1 + analysis.level) / 2))
    return analysis.estimate(
        value,
        low=min(float(low), value),
        high=max(float(high), value),
        se=float(np.nanstd(resampled, ddof=1)),
    )


def _accuracies(
    analysis: Analysis, best: Parameters, resamples: Parameters | None
) -> tuple[ReaderAccuracy, ...]:
    readings, positive = analysis.mixture.readings, analysis.mixture.positive
    accuracies = []
    for number, name in enumerate(readings.names):
        columns = readings.patterns[:, readings.reader == number]
        seen = readings.counts @ np.sum(columns < readings.size, axis=1)
        raw = readings.counts @ np.append(positive, [False])[columns].sum(axis=1)
        pair = [
            _accuracy(analysis, best, resamples, number, side) for side in (positive, ~positive)
        ]
        accuracies.append(
            ReaderAccuracy(
                reader=name,
                raw_rate=float(raw / seen) if seen else np.nan,
                sensitivity=pair[0],
                specificity=pair[1],
                confusion=best.confusion[0, number],
            )
        )
    return tuple(accuracies)


def _accuracy(
    analysis: Analysis,
    best: Parameters,
    resamples: Parameters | None,
    reader: int,
    side: NDArray[np.bool_],
) -> Estimate:
    """Probability that a reader puts a subject on the side of the cut it truly is on."""
    strata = analysis.mixture.readings.shares

    def share(parameters: Parameters) -> NDArray[np.float64]:
        true = strata @ parameters.prevalence[..., side]
        read = parameters.confusion[:, reader][:, side][:, :, side].sum(axis=-1)
        total = true.sum(axis=-1)
        right = np.sum(true * read, axis=-1)
        return np.where(total > NOBODY, right / np.where(total > NOBODY, total, 1.0), np.nan)

    value = float(share(best)[0])
    if np.isnan(value):
        return analysis.estimate(np.nan, why_undefined=EMPTY_SIDE)
    if resamples is None:
        return analysis.estimate(value, why_no_interval=ONLY_BOOTSTRAP)
    return _with_percentiles(analysis, value, share(resamples))


def _excess_agreement(readings: Readings, best: Parameters) -> NDArray[np.float64]:
    """Observed minus expected exact agreement between columns read in the same subjects."""
    size = readings.reader.size
    excess = np.full((size, size), np.nan)
    prevalence, confusion = best.prevalence[0], best.confusion[0]
    for one in range(size):
        for other in range(one + 1, size):
            pair = readings.patterns[:, [one, other]]
            weight = readings.counts * np.all(pair < readings.size, axis=1)
            if not weight.any():
                continue
            alike = np.sum(confusion[readings.reader[one]] * confusion[readings.reader[other]], 1)
            expected = weight @ (prevalence @ alike)[readings.stratum]
            observed = weight @ (pair[:, 0] == pair[:, 1])
            excess[one, other] = excess[other, one] = (observed - expected) / weight.sum()
    return excess
