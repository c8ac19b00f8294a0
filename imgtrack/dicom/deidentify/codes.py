"""Coded concepts: kept when a public scheme defines them, with their meaning in known words."""

from __future__ import annotations

import re
from types import MappingProxyType
from typing import TYPE_CHECKING

from pydicom.dataset import Dataset

from imgtrack.dicom.deidentify.values import UNKNOWN, read, texts
from imgtrack.dicom.deidentify.words import Text, Vocabulary

if TYPE_CHECKING:
    from collections.abc import Mapping

SCHEMES: Mapping[str, re.Pattern[str]] = MappingProxyType(
    {
        "DCM": re.compile(r"[0-9]{5,6}"),
        "SCT": re.compile(r"[0-9]{6,16}"),
        "SRT": re.compile(r"[A-Z]-[0-9A-F]{4,6}"),
        "SNM3": re.compile(r"[A-Z]-[0-9A-F]{4,6}"),
        "UCUM": re.compile(r"[A-Za-z0-9/.%\[\]{}^*-]{1,10}"),
        "RADLEX": re.compile(r"RID[0-9]{1,6}"),
        "FMA": re.compile(r"[0-9]{1,6}"),
    }
)
"""Coding schemes (PS3.16 section 8) with the form of their codes. Codes of a hospital's or a
maker's own scheme are left out: nobody outside knows what they may say."""

_VALUE, _SCHEME, _VERSION, _MEANING = 0x00080100, 0x00080102, 0x00080103, 0x00080104
_VERSION_FORM = re.compile(r"[0-9.]{1,10}")


def cleaned_code(item: Dataset, words: Vocabulary) -> Dataset | None:
    """Return a coded concept with nothing but its code; ``None`` when it may not stay.

    Parameters
    ----------
    item
        Item of a code sequence (PS3.3 section 8.8); not altered.
    words
        Words the meaning may hold.
    """
    value, scheme = _only(item, _VALUE), _only(item, _SCHEME)
    form = SCHEMES.get(scheme)
    if form is None or not form.fullmatch(value):
        return None
    new = Dataset()
    new.CodeValue, new.CodingSchemeDesignator = value, scheme
    version = _only(item, _VERSION)
    if version and _VERSION_FORM.fullmatch(version):
        new.CodingSchemeVersion = version
    new.CodeMeaning = words.rebuilt(_only(item, _MEANING), Text.MEANING)[:64].strip() or UNKNOWN
    return new


def _only(item: Dataset, tag: int) -> str:
    """Return the one value of an attribute; empty when there is none or there are several."""
    values = texts(read(item, tag))
    return values[0] if len(values) == 1 else ""
