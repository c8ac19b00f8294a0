"""Agreement coefficients as functions of sums over subjects, for the bootstrap.

One definition of each coefficient serves its estimate, its standard error and its bootstrap:
`imgtrack.stats.agreement.gwet_ac(ratings, ...)` summarises ``sums.gwet_ac(ratings, ...)``, and
`imgtrack.stats.bootstrap.interval` resamples it. Arguments, missing-value policy and errors are
those of the function of the same name in `imgtrack.stats.agreement`.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from imgtrack.domain.errors import Fault, InvalidInput
from imgtrack.stats.agreement.disagreement import alpha_sums
from imgtrack.stats.agreement.kernels import (
    bilinear,
    cohen_parts,
    conger_parts,
    corrected,
    expected_everything,
    expected_fleiss,
    expected_gwet,
    expected_uniform,
    paired_agreement,
    pooled_sums,
    specific_sums,
)
from imgtrack.stats.agreement.ratings import code_pair, code_ratings
from imgtrack.stats.agreement.weights import agreement_weights, weights_name

if TYPE_CHECKING:
    from collections.abc import Callable

    from imgtrack.stats.agreement.disagreement import Metric
    from imgtrack.stats.agreement.kernels import AgreementSums
    from imgtrack.stats.agreement.ratings import Categories, Ratings, Reader
    from imgtrack.stats.agreement.weights import Weights
    from imgtrack.stats.bootstrap.subject_sums import FloatArray, SubjectSums, Totals


def cohen_kappa(
    a: Reader, b: Reader, *, categories: Categories, weights: Weights = "identity"
) -> AgreementSums:
    """Cohen's kappa of two readers as sums; see `imgtrack.stats.agreement.cohen_kappa`."""
    coded = code_pair(a, b, categories)
    w = agreement_weights(weights, len(coded.levels), symmetric=False)
    first, second = np.moveaxis(coded.by_reader(), 1, 0)
    columns = [bilinear(first, w, second), coded.per_subject > 0, first, second]
    return corrected("Cohen's kappa", coded, weights, np.column_stack(columns), cohen_parts(w))


def conger_kappa(
    ratings: Ratings, *, categories: Categories, weights: Weights = "identity"
) -> AgreementSums:
    """Conger's kappa of several readers as sums; see `imgtrack.stats.agreement.conger_kappa`."""
    coded = code_ratings(ratings, categories)
    w = agreement_weights(weights, len(coded.levels))
    by_reader = coded.by_reader().reshape(len(coded.codes), coded.n_readers * len(w))
    columns = [*paired_agreement(coded.counts(), w), by_reader]
    return corrected(
        "Conger's kappa", coded, weights, np.column_stack(columns), conger_parts(w, coded.n_readers)
    )


def fleiss_kappa(
    ratings: Ratings, *, categories: Categories, weights: Weights = "identity"
) -> AgreementSums:
    """Fleiss' kappa as sums; see `imgtrack.stats.agreement.fleiss_kappa`."""
    return _pooled("Fleiss' kappa", ratings, categories, weights, expected_fleiss)


def gwet_ac(
    ratings: Ratings, *, categories: Categories, weights: Weights = "identity"
) -> AgreementSums:
    """Gwet's AC1 or AC2 as sums; see `imgtrack.stats.agreement.gwet_ac`."""
    name = "Gwet's AC1" if weights_name(weights) == "identity" else "Gwet's AC2"
    return _pooled(name, ratings, categories, weights, expected_gwet)


def brennan_prediger(
    ratings: Ratings, *, categories: Categories, weights: Weights = "identity"
) -> AgreementSums:
    """Brennan and Prediger's kappa as sums; see `imgtrack.stats.agreement.brennan_prediger`."""
    return _pooled("Brennan-Prediger kappa", ratings, categories, weights, expected_uniform)


def percent_agreement(
    ratings: Ratings, *, categories: Categories, weights: Weights = "identity"
) -> AgreementSums:
    """Mean agreement within subjects as sums; see `imgtrack.stats.agreement.percent_agreement`."""
    return _pooled("percent agreement", ratings, categories, weights, expected_everything)


def krippendorff_alpha(
    ratings: Ratings, *, metric: Metric = "nominal", categories: Categories | None = None
) -> AgreementSums:
    """Krippendorff's alpha as sums; see `imgtrack.stats.agreement.krippendorff_alpha`."""
    return alpha_sums(code_ratings(ratings, categories), metric, declared=categories is not None)


def specific_agreement(
    ratings: Ratings, *, category: object, categories: Categories | None = None
) -> SubjectSums:
    """Agreement specific to one level as sums; see `imgtrack.stats.agreement.specific_agreement`.

    Parameters
    ----------
    ratings, categories
        As there.
    category
        The level; one outside the levels raises `InvalidInput`.
    """
    coded = code_ratings(ratings, categories)
    if category not in coded.levels:
        raise InvalidInput(
            Fault("no such level", "category", f"one of {coded.levels}", repr(category))
        )
    return specific_sums(coded, coded.levels.index(category))


def _pooled(
    name: str,
    ratings: Ratings,
    categories: Categories,
    weights: Weights,
    expected: Callable[[Totals, FloatArray], Totals],
) -> AgreementSums:
    coded = code_ratings(ratings, categories)
    return pooled_sums(name, coded, coded.counts(), weights, expected)
