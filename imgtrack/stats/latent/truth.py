"""The true category of every subject, and the positive rate freed from reading error."""

from __future__ import annotations

from typing import TYPE_CHECKING, get_args

import numpy as np
import pandas as pd

from imgtrack.domain.errors import Fault
from imgtrack.stats.arguments import (
    choice_faults,
    count_faults,
    level_faults,
    raise_faults,
)
from imgtrack.stats.latent.analysis import Analysis, describe
from imgtrack.stats.latent.constraints import Constraint
from imgtrack.stats.latent.identify import Design, examine
from imgtrack.stats.latent.mixture import Mixture
from imgtrack.stats.latent.profile import profile_rate
from imgtrack.stats.latent.readings import count_patterns
from imgtrack.stats.latent.results import Interval, LatentTruth

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import ArrayLike, NDArray

    from imgtrack.stats.latent.profile import Profile
    from imgtrack.stats.latent.readings import Readings


def latent_truth(
    ratings: ArrayLike | pd.DataFrame,
    *,
    categories: Sequence[object],
    positive: Sequence[object],
    readers: Sequence[object] | None = None,
    strata: ArrayLike | None = None,
    clusters: ArrayLike | None = None,
    constraint: Constraint = "monotone",
    interval: Interval = "bootstrap",
    level: float = 0.95,
    rng: int | np.random.Generator | None = None,
    replicates: int = 1000,
) -> LatentTruth:
    """Estimate true categories, reader errors and the true positive rate together.

    The latent class model of Dawid and Skene: every subject has one true category, and readings
    of it are independent given that category, with error probabilities of each reader's own.

    Parameters
    ----------
    ratings
        (m, c) readings, values out of `categories`, None or nan for missing.
    categories
        The K ordered categories, lowest first.
    positive
        The categories that count as positive.
    readers
        (c,) reader of each column; columns of one reader share their error probabilities. One
        reader per column when absent.
    strata
        (m,) groups that may differ in their true categories while readers err alike in all (Hui
        and Walter). With rates that do differ, two readers are enough. The rate returned is the
        mean over strata, weighted by the subjects in each.
    clusters
        (m,) patient of each row, for the bootstrap; each row its own when absent.
    constraint
        What is assumed of errors; it also tells which class is which.

        - "monotone": at every step up the scale, a reader who got so far is at least as likely to
          go further when the true category is higher. For two categories: sensitivity plus
          specificity at least one.
        - "better-than-chance": no category is read more often than the true one.
    interval
        - "bootstrap": percentiles over resampled patients; needs `rng`.
        - "likelihood-ratio": rates the likelihood ratio does not reject; rows must be independent.
    level
        Confidence level.
    rng
        Seed or generator for the bootstrap.
    replicates
        Resamples.

    Returns
    -------
    LatentTruth

    Raises
    ------
    InvalidInput
        Fewer than two or repeated categories, ratings outside them, no or only positive
        categories, an unknown choice, a level outside (0, 1), lengths that differ, missing labels,
        no seed for the bootstrap, clusters with "likelihood-ratio".

    Notes
    -----
    The rate is refused, with the reason in ``rate.why_undefined``, when there is no reading; when
    the pattern probabilities do not determine it at almost any parameter value (two readers, two
    categories, one stratum: five parameters, three degrees of freedom); and when these data leave
    it on a likelihood ridge: rates more than five points apart that fit within 0.001 in
    log-likelihood, so that the data say less than one perfectly read subject would. Missing
    readings are ignored, which is right when being unread does not depend on the true category.
    Where every resample gives the same value there is no bootstrap interval; the likelihood ratio
    gives one.

    References
    ----------
    Dawid AP, Skene AM. Maximum likelihood estimation of observer error-rates using the EM
    algorithm. Appl Stat 1979;28:20-28. Hui SL, Walter SD. Estimating the error rates of diagnostic
    tests. Biometrics 1980;36:167-171. Goodman LA. Exploratory latent structure analysis using
    both identifiable and unidentifiable models. Biometrika 1974;61:215-231. Dykstra R, Kochar S,
    Robertson T. Statistical inference for uniform stochastic ordering in several populations. Ann
    Stat 1991;19:870-888. Torrance-Rynard VL, Walter SD. Effects of dependent errors in the
    assessment of diagnostic test performance. Stat Med 1997;16:2157-2175.
    """
    faults = choice_faults("constraint", constraint, get_args(Constraint))
    faults += choice_faults("interval", interval, get_args(Interval)) + level_faults(level)
    faults += count_faults("replicates", replicates, at_least=2)
    faults += _positive_faults(categories, positive)
    faults += _interval_faults(interval, rng, clustered=clusters is not None)
    raise_faults(faults)
    readings = count_patterns(ratings, categories, readers, strata)
    members = _cluster_members(clusters, readings)
    is_positive = np.array([category in set(positive) for category in categories])
    mixture = Mixture(readings, constraint, is_positive)
    design = examine(mixture) if readings.n_used else Design(0, 0, rate_determined=False)
    profile = profile_rate(mixture) if design.rate_determined else None
    reason = _why_not(readings, design, profile)
    analysis = Analysis(mixture, members, interval, level, replicates, np.random.default_rng(rng))
    if profile is None or reason:
        return LatentTruth(
            rate=analysis.estimate(np.nan, why_undefined=reason),
            parameters=design.parameters,
            rank=design.rank,
            constraint=constraint,
            interval=interval,
        )
    return describe(analysis, design, profile)


def _positive_faults(categories: Sequence[object], positive: Sequence[object]) -> list[Fault]:
    chosen = set(positive)
    if chosen and chosen < set(categories):
        return []
    expected = "some but not all of the categories"
    return [Fault("positive categories", "positive", expected, str(list(positive)))]


def _interval_faults(interval: Interval, rng: object, *, clustered: bool) -> list[Fault]:
    if interval == "bootstrap" and rng is None:
        return [Fault("no seed", "rng", "a seed or a generator", "None")]
    if interval == "likelihood-ratio" and clustered:
        wanted = "no clusters, or an interval that resamples them"
        return [Fault("needs independent rows", "clusters", wanted, "clusters")]
    return []


def _cluster_members(clusters: ArrayLike | None, readings: Readings) -> NDArray[np.intp] | None:
    if clusters is None:
        return None
    labels = pd.Series(np.asarray(clusters, dtype=object))
    faults = []
    if len(labels) != readings.kept.size:
        expected = f"one label for each of {readings.kept.size} rows"
        faults = [Fault("lengths differ", "clusters", expected, str(len(labels)))]
    elif labels.isna().any():
        faults = [Fault("missing label", "clusters", "a label in every row", "missing labels")]
    raise_faults(faults)
    return np.asarray(pd.factorize(labels[readings.kept])[0], dtype=np.intp)


def _why_not(readings: Readings, design: Design, profile: Profile | None) -> str:
    """Reason to refuse the rate; empty when there is none."""
    if readings.n_used == 0:
        return "no reading"
    if profile is None:
        return (
            f"not identifiable: {design.parameters} free parameters, of which this design "
            f"determines {design.rank}, and the rate is not among them; a third independent "
            "reading, strata with different rates, or known error rates would help"
        )
    if profile.ridge is not None:
        low, high = profile.ridge
        return (
            f"not identifiable from these data: rates from {low:.3g} to {high:.3g} fit equally "
            "well, with other reading errors"
        )
    return ""
