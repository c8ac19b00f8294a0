"""How many subjects and readers a study needs."""

from imgtrack.stats.planning.icc import (
    readers_for_average,
    size_for_icc_precision,
    size_for_icc_test,
)
from imgtrack.stats.planning.kappa import (
    size_for_cohen_kappa_test,
    size_for_kappa_limit,
    size_for_kappa_precision,
    size_for_kappa_test,
)
from imgtrack.stats.planning.proportions import (
    power_of_two_proportions,
    size_for_proportion_precision,
    size_for_two_proportions,
)
from imgtrack.stats.planning.sizes import NO_INFLATION, Inflation, SampleSize

__all__ = [
    "NO_INFLATION",
    "Inflation",
    "SampleSize",
    "power_of_two_proportions",
    "readers_for_average",
    "size_for_cohen_kappa_test",
    "size_for_icc_precision",
    "size_for_icc_test",
    "size_for_kappa_limit",
    "size_for_kappa_precision",
    "size_for_kappa_test",
    "size_for_proportion_precision",
    "size_for_two_proportions",
]
