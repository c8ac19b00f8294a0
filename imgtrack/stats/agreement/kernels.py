"""The kappa-like coefficients as functions of sums over subjects: 1 - D/E."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, TypeAlias

import numpy as np

from imgtrack.stats.agreement.weights import agreement_weights, weights_name
from imgtrack.stats.bootstrap.subject_sums import SubjectSums, quotient

if TYPE_CHECKING:
    from collections.abc import Callable

    import numpy.typing as npt

    from imgtrack.stats.agreement.ratings import Coded
    from imgtrack.stats.agreement.weights import Weights
    from imgtrack.stats.bootstrap.subject_sums import FloatArray, Totals

Parts: TypeAlias = "Callable[[Totals], tuple[Totals, Totals]]"
"""Maps totals (..., sums) to observed and chance-expected disagreement, arrays (...)."""

_NOTHING = 1e-12


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class AgreementSums(SubjectSums):
    """An agreement coefficient, with what its summary needs besides the sums.

    Attributes
    ----------
    parts
        Maps totals (..., sums) to observed and chance-expected disagreement.
    levels
        The declared levels.
    weights
        Name of the agreement weights or of alpha's metric.
    n_readers
        Readers with at least one rating.
    paired
        Whether each subject has two or more ratings, array (subjects,).
    """

    parts: Parts
    levels: tuple[Any, ...]
    weights: str
    n_readers: int
    paired: npt.NDArray[np.bool_]

    def disagreement(self) -> tuple[float, float]:
        """Return observed and expected disagreement of the sample."""
        observed, expected = self.parts(self.features.sum(axis=0))
        return float(observed), float(expected)


def corrected(
    name: str,
    coded: Coded,
    weights: Weights,
    features: FloatArray,
    parts: Parts,
) -> AgreementSums:
    """Join features and parts to the coefficient 1 - observed/expected disagreement."""
    return AgreementSums(
        name=name,
        features=features,
        statistic=one_minus_ratio(parts),
        why_nan=_why_nan(coded),
        parts=parts,
        levels=coded.levels,
        weights=weights_name(weights),
        n_readers=coded.n_readers,
        paired=coded.per_subject > 1,
    )


def one_minus_ratio(parts: Parts) -> Callable[[Totals], Totals]:
    """Return the statistic 1 - observed/expected disagreement of two parts."""

    def statistic(totals: Totals) -> Totals:
        observed, expected = parts(totals)
        return 1.0 - quotient(observed, expected)

    return statistic


def bilinear(left: Totals, w: FloatArray, right: Totals) -> Totals:
    """Return the sum over levels k and l of left_k w_kl right_l, last axes (levels,)."""
    return np.asarray(((left @ w) * right).sum(axis=-1))


def paired_agreement(counts: FloatArray, w: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return agreement between pairs of ratings within each subject, and whether it has pairs.

    Parameters
    ----------
    counts
        Ratings by level, array (subjects, levels).
    w
        Agreement weights, array (levels, levels).

    Returns
    -------
    Two arrays (subjects,): mean weight over the ordered pairs of ratings of the subject, 0
    without a pair; and 1 with a pair, else 0.
    """
    n = counts.sum(axis=1)
    pairs = n * (n - 1)
    agreed = bilinear(counts, w, counts) - n
    return np.where(pairs > 0, agreed / np.where(pairs > 0, pairs, 1.0), 0.0), 1.0 * (pairs > 0)


def pooled_sums(
    name: str,
    coded: Coded,
    counts: FloatArray,
    weights: Weights,
    expected: Callable[[Totals, FloatArray], Totals],
) -> AgreementSums:
    """Coefficient whose chance agreement depends on pooled category proportions only.

    Each subject counts once in the proportions, whatever its number of ratings (Gwet 2014).
    """
    w = agreement_weights(weights, counts.shape[1])
    n = counts.sum(axis=1, keepdims=True)
    shares = counts / np.where(n > 0, n, 1.0)
    columns = [*paired_agreement(counts, w), shares, n > 0]

    def parts(totals: Totals) -> tuple[Totals, Totals]:
        proportions = quotient(totals[..., 2:-1], totals[..., -1:])
        return _observed(totals), _or_nothing(expected(proportions, w))

    return corrected(name, coded, weights, np.column_stack(columns), parts)


def expected_fleiss(proportions: Totals, w: FloatArray) -> Totals:
    """Chance disagreement of readers who draw levels from the pooled proportions."""
    return 1.0 - bilinear(proportions, w, proportions)


def expected_gwet(proportions: Totals, w: FloatArray) -> Totals:
    """Chance disagreement when only hard subjects are rated at random (Gwet 2008)."""
    q = len(w)
    spread: Totals = (proportions * (1.0 - proportions)).sum(axis=-1)
    return 1.0 - spread * (w.sum() / (q * (q - 1))) if q > 1 else 0.0 * spread


def expected_uniform(proportions: Totals, w: FloatArray) -> Totals:
    """Chance disagreement of readers who draw all declared levels equally often."""
    return np.full_like(proportions[..., 0], 1.0 - w.mean())


def expected_everything(proportions: Totals, _w: FloatArray) -> Totals:
    """No agreement by chance: the coefficient is then plain agreement."""
    return np.ones_like(proportions[..., 0])


def specific_sums(coded: Coded, position: int) -> SubjectSums:
    """Agreement specific to one level: of pairs with one rating in it, the share with both."""
    given, others = coded.counts()[:, position], np.maximum(coded.per_subject - 1, 0)
    both = np.where(given > 0, given * (given - 1), 0.0)
    return SubjectSums(
        name=f"agreement specific to {coded.levels[position]}",
        features=np.column_stack([both, given * others, coded.per_subject > 1]),
        statistic=lambda totals: quotient(totals[..., 0], totals[..., 1]),
        why_nan=f"no subject with two ratings was put in {coded.levels[position]}",
    )


def cohen_parts(w: FloatArray) -> Parts:
    """Chance agreement from each reader's own proportions."""
    q = len(w)

    def parts(totals: Totals) -> tuple[Totals, Totals]:
        first = quotient(totals[..., 2 : 2 + q], totals[..., 1:2])
        second = quotient(totals[..., 2 + q :], totals[..., 1:2])
        return _observed(totals), _or_nothing(1.0 - bilinear(first, w, second))

    return parts


def conger_parts(w: FloatArray, r: int) -> Parts:
    """Chance agreement is the mean over ordered pairs of different readers."""

    def parts(totals: Totals) -> tuple[Totals, Totals]:
        by_reader = totals[..., 2:].reshape(*totals.shape[:-1], r, len(w))
        shares = quotient(by_reader, by_reader.sum(axis=-1, keepdims=True))
        mean = shares.sum(axis=-2) / max(1, r)
        own = bilinear(shares, w, shares).sum(axis=-1) / max(1, r)
        chance = (r * bilinear(mean, w, mean) - own) / max(1, r - 1)
        return _observed(totals), _or_nothing(1.0 - chance)

    return parts


def _observed(totals: Totals) -> Totals:
    return 1.0 - quotient(totals[..., 0], totals[..., 1])


def _or_nothing(expected: Totals) -> Totals:
    """Set expected disagreement to 0 where only rounding keeps it from 0."""
    return np.where(np.real(expected) < _NOTHING, 0.0, expected)


def _why_nan(coded: Coded) -> str:
    if not np.any(coded.codes >= 0):
        return "no subject has a rating that can be used"
    if not np.any(coded.per_subject > 1):
        return "no subject was rated by two readers"
    if len(coded.levels) == 1:
        return "only one level is declared"
    return "agreement by chance is complete: the readers used one category only"
