"""Whether identifying text may be burned into the pixels, which no rule for attributes removes."""

from __future__ import annotations

from typing import TYPE_CHECKING

from imgtrack.dicom.deidentify.kinds import Kind
from imgtrack.dicom.deidentify.values import read, texts

if TYPE_CHECKING:
    from pydicom.dataset import Dataset

BURNING = frozenset({Kind.CR, Kind.DX, Kind.SECONDARY_CAPTURE})
"""Kinds whose pixels may hold the patient's label unless the header says they do not: plates and
films are marked before they are stored. Common practice, no source."""

SCREEN_TERMS = frozenset({"SCREEN SAVE", "SCREENSAVE", "SCREENSHOT", "SCREEN SHOT", "REPORT"})
"""Third and further values of Image Type that say a screen was kept, not an acquisition. Common
practice, no source."""

_BURNED, _FEATURES, _CONVERSION = 0x00280301, 0x00280302, 0x00080064
_IMAGE_TYPE, _PHOTOMETRIC = 0x00080008, 0x00280004


def burned_in(dataset: Dataset, kind: Kind) -> str:
    """Return why text may be burned into the pixels of an image; empty when it is unlikely.

    Parameters
    ----------
    dataset
        The image, not altered.
    kind
        What kind of image it is.
    """
    stated = _values(dataset, _BURNED)
    photometric = _values(dataset, _PHOTOMETRIC)
    secondary = kind is Kind.SECONDARY_CAPTURE or bool(_values(dataset, _CONVERSION))
    screen = not SCREEN_TERMS.isdisjoint(_values(dataset, _IMAGE_TYPE))
    reasons = {
        "Burned In Annotation is YES": "YES" in stated,
        "it is a secondary capture": secondary,
        "Burned In Annotation does not say NO": kind in BURNING and "NO" not in stated,
        "Image Type says that a screen was kept": screen,
        "it is in colour, as screens are": any("MONOCHROME" not in each for each in photometric),
        "Recognizable Visual Features is YES": "YES" in _values(dataset, _FEATURES),
    }
    return next((reason for reason, holds in reasons.items() if holds), "")


def _values(dataset: Dataset, tag: int) -> list[str]:
    found = texts(read(dataset, tag)) if tag in dataset else []
    return [text.upper() for text in found if text]
