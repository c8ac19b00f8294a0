"""How far a name or a claim may be trusted; the word is of the domain."""

from __future__ import annotations

from imgtrack.domain.certainty import Certainty

__all__ = ["Certainty"]
