"""Who a subject is, how that is kept, and when two spellings are told to be one person."""

from __future__ import annotations

import re
import unicodedata
from dataclasses import dataclass, field
from datetime import date
from typing import Any

from imgtrack.domain.errors import Fault, InvalidInput
from imgtrack.store import forms

NAME_SIGNS = re.compile(r"[\s,;^=]+")
"""What stands between the parts of a name, in lists (comma) and in DICOM (``^`` and ``=``)."""

BIRTH_DATE = forms.or_none(forms.DAY)


@dataclass(frozen=True)
class Identity:
    """Who a subject is; only the subject code shows when it is printed.

    Attributes
    ----------
    subject
        Subject code, the key.
    name, hospital_number
        As the hospital writes them; empty when not known.
    birth_date
        ``None`` when not known.
    """

    subject: str
    name: str = field(default="", repr=False)
    hospital_number: str = field(default="", repr=False)
    birth_date: date | None = field(default=None, repr=False)


def identity_row(identity: Identity) -> dict[str, Any]:
    """Return the columns of an identity, checked, with what people are found by.

    Raises
    ------
    InvalidInput
        When a value cannot be kept; names the subject only.
    """
    try:
        row = {
            "subject": forms.text(identity.subject),
            "name": forms.text(identity.name),
            "hospital_number": forms.text(identity.hospital_number),
            "birth_date": BIRTH_DATE.store(BIRTH_DATE.plain(identity.birth_date)),
        }
    except forms.UnfitError as error:
        raise _unfit(identity, str(error)) from None
    if not identity.subject.strip():
        raise _unfit(identity, "a subject code")
    findable = {
        "folded_name": folded_name(identity.name),
        "folded_number": folded(identity.hospital_number),
    }
    return row | findable


def _unfit(identity: Identity, expected: str) -> InvalidInput:
    return InvalidInput(
        Fault(
            "this identity cannot be kept",
            where=f"subject {identity.subject!r}",
            expected=expected,
            next_step="correct it",
        )
    )


def folded(value: str) -> str:
    """Return a text without what two spellings of it may differ in: case, outer spaces."""
    return unicodedata.normalize("NFKC", value).casefold().strip()


def folded_name(name: str) -> str:
    """Return a name folded, with one space between its parts whatever stood there."""
    return " ".join(NAME_SIGNS.split(folded(name))).strip()
