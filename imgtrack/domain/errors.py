"""One family of errors: each says what, where, expected, found and what to do next."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterable


@dataclass(frozen=True, slots=True)
class Fault:
    """One thing wrong with one input.

    Attributes
    ----------
    what
        The fault in plain words.
    where
        File, line, row, column or UID it was found at; empty when there is no place to name.
    expected, found
        What would have been right, and what was there; either may be empty.
    next_step
        What the person should do now.
    """

    what: str
    where: str = ""
    expected: str = ""
    found: str = ""
    next_step: str = ""

    def __str__(self) -> str:
        head = f"{self.where}: {self.what}" if self.where else self.what
        parts = [head]
        if self.expected:
            parts.append(f"expected {self.expected}")
        if self.found:
            parts.append(f"found {self.found}")
        if self.next_step:
            parts.append(f"next: {self.next_step}")
        return "; ".join(parts)


class ImgtrackError(Exception):
    """Base of every error a person can meet; carries all faults of one input.

    Parameters
    ----------
    faults
        One fault or several, in the order a person should mend them.
    """

    def __init__(self, faults: Fault | Iterable[Fault]) -> None:
        self.faults: tuple[Fault, ...] = (faults,) if isinstance(faults, Fault) else tuple(faults)
        super().__init__("\n".join(str(fault) for fault in self.faults))


class InvalidInput(ImgtrackError):  # noqa: N818 - reads as the sentence it is
    """What a person gave cannot be used as it stands; nothing was changed."""


class Refused(ImgtrackError):  # noqa: N818
    """The request is understood and not allowed: by role, by protocol or by an earlier record."""


class Unavailable(ImgtrackError):  # noqa: N818
    """Something outside is missing or busy: disk full, database locked, server away."""


class Broken(ImgtrackError):  # noqa: N818
    """A record is not what it was when it was written."""
