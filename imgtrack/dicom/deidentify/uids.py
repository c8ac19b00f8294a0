"""Replacement of UIDs: the same for the same original everywhere, and not to be traced back."""

from __future__ import annotations

import hmac
from typing import Protocol
from uuid import UUID

ROOT = "2.25."
"""Root of UIDs made from UUIDs (PS3.5 section B.2)."""

_VERSION_8, _VARIANT = 0x8 << 76, 0b10 << 62
_FREE = ~(0xF << 76 | 0b11 << 62)


class UidMap(Protocol):
    """Gives the UID that stands for an original one."""

    def replacement(self, original: str) -> str:
        """Return the replacement; the same for the same original, and for no other."""
        ...


class KeyedUids:
    """Replacements derived from a secret, so that no table is needed to stay consistent.

    Parameters
    ----------
    secret
        Kept in the key file; without it the originals cannot be guessed and tried.
    """

    def __init__(self, secret: bytes) -> None:
        self._secret = secret

    def replacement(self, original: str) -> str:
        """Return ``2.25.`` and a UUID of version 8 (RFC 9562 section 5.8) made by HMAC-SHA256."""
        text = b"imgtrack uid\0" + original.encode(errors="surrogatepass")
        digest = hmac.digest(self._secret, text, "sha256")
        number = int.from_bytes(digest[:16], "big") & _FREE | _VERSION_8 | _VARIANT
        return f"{ROOT}{UUID(int=number).int}"


class RememberingUids:
    """Replacements of another map, remembered so that they can be put into the key file.

    Attributes
    ----------
    pairs
        Replacement by original, of all that was asked for since the last `take`.
    """

    def __init__(self, inner: UidMap) -> None:
        self._inner = inner
        self.pairs: dict[str, str] = {}

    def replacement(self, original: str) -> str:
        """Return the replacement and remember it."""
        return self.pairs.setdefault(original, self._inner.replacement(original))

    def take(self) -> dict[str, str]:
        """Return the remembered pairs and forget them."""
        taken, self.pairs = self.pairs, {}
        return taken
