"""Dates moved by one whole number of days per subject, so that intervals stay as they were.

Times of day are kept: whole days leave them right, across midnight too (PS3.15 section E.3.6).
"""

from __future__ import annotations

import hmac
import re
from datetime import date, timedelta

NEAREST_DAYS, FARTHEST_DAYS = 365, 3652
"""Dates go back by at least one year and at most ten; common practice, no source."""

EARLIEST = date(1900, 1, 1)
"""No image is as old; a date up to it is a placeholder of the writer and treated as none."""

_DATE = re.compile(r"(\d{4})\.?(\d{2})\.?(\d{2})", re.ASCII)
_MOMENT = re.compile(r"(\d{4})(\d{2})?(\d{2})?(\d{2}(?:\d{2}(?:\d{2}(?:\.\d{1,6})?)?)?)?", re.ASCII)
_ZONE = re.compile(r"[+-]\d{4}$", re.ASCII)
_TIME = re.compile(r"([01]\d|2[0-3])(:?[0-5]\d(:?([0-5]\d|60)(\.\d{1,6})?)?)?", re.ASCII)


def date_shift(secret: bytes, subject: str) -> int:
    """Return how many days the dates of a subject are moved by, a negative number.

    Parameters
    ----------
    secret
        Kept in the key file.
    subject
        Subject code.
    """
    digest = hmac.digest(secret, b"imgtrack days\0" + subject.encode(), "sha256")
    span = FARTHEST_DAYS - NEAREST_DAYS + 1
    return -(NEAREST_DAYS + int.from_bytes(digest[:16], "big") % span)


def shifted_date(text: str, days: int) -> str | None:
    """Return a date (VR DA, or its old form with dots) moved; ``None`` when it is no date."""
    found = _DATE.fullmatch(text)
    return _moved(*found.groups(), days=days) if found else None


def shifted_moment(text: str, days: int) -> str | None:
    """Return a date and time (VR DT) moved, as precise as it was; ``None`` when it is none.

    The offset from UTC is left out, because it tells where on earth the image was made.
    """
    found = _MOMENT.fullmatch(_ZONE.sub("", text))
    if found is None:
        return None
    year, month, day, time = found.groups()
    if time and not kept_time(time):
        return None
    moved = _moved(year, month or "01", day or "01", days=days)
    if moved is None:
        return None
    return moved[: len(year) + len(month or "") + len(day or "")] + (time or "")


def kept_time(text: str) -> str | None:
    """Return a time of day (VR TM, or its old form with colons) as it is; ``None`` if none."""
    return text if _TIME.fullmatch(text) else None


def _moved(year: str, month: str, day: str, *, days: int) -> str | None:
    try:
        found = date(int(year), int(month), int(day))
        moved = found + timedelta(days)
    except (ValueError, OverflowError):
        return None
    return f"{moved:%Y%m%d}" if found > EARLIEST and moved.year >= 1000 else None
