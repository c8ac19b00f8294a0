"""Seeded bootstrap of whole patients, vectorised over replicates.

>>> from imgtrack.stats import agreement, bootstrap
>>> statistic = agreement.sums.cohen_kappa([0, 1, 1, 0, 1], [0, 1, 0, 0, 1], categories=(0, 1))
>>> bootstrap.interval(statistic, rng=20, replicates=500).n_clusters
5
"""

from imgtrack.stats.bootstrap import sums
from imgtrack.stats.bootstrap.engine import replicate
from imgtrack.stats.bootstrap.interval import BootstrapEstimate, interval
from imgtrack.stats.bootstrap.subject_sums import SubjectSums

__all__ = ["BootstrapEstimate", "SubjectSums", "interval", "replicate", "sums"]
