"""The scanner: turns tissue into stored pixels with the physics of spin-echo MR and X-rays."""

from __future__ import annotations

from synthetic_scans.scanner.acquisition import Acquisition, Weighting
from synthetic_scans.scanner.artefacts import Artefacts, CoilShading, FieldDrift, Ghosting
from synthetic_scans.scanner.field import Metal, rod
from synthetic_scans.scanner.imaging import DixonStacks, acquire, acquire_dixon
from synthetic_scans.scanner.stack import Content, Stack

__all__ = [
    "Acquisition",
    "Artefacts",
    "CoilShading",
    "Content",
    "DixonStacks",
    "FieldDrift",
    "Ghosting",
    "Metal",
    "Stack",
    "Weighting",
    "acquire",
    "acquire_dixon",
    "rod",
]
