"""What imperfect readings say about the truth: latent classes, and correction for known error."""

from __future__ import annotations

from imgtrack.stats.latent.results import LatentTruth, ReaderAccuracy
from imgtrack.stats.latent.rogan_gladen import CorrectedRate, rogan_gladen
from imgtrack.stats.latent.truth import latent_truth

__all__ = ["CorrectedRate", "LatentTruth", "ReaderAccuracy", "latent_truth", "rogan_gladen"]
