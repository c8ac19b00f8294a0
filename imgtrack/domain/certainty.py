"""How far a name or a claim may be trusted."""

from __future__ import annotations

from enum import StrEnum


class Certainty(StrEnum):
    """How far a name or a claim may be trusted."""

    CERTAIN = "certain"
    LIKELY = "likely"
    UNSURE = "unsure"

    @property
    def is_trusted(self) -> bool:
        """Whether it counts against another claim."""
        return self is not Certainty.UNSURE

    def weaker(self, other: Certainty) -> Certainty:
        """Return the lesser of two certainties."""
        order = list(Certainty)
        return max(self, other, key=order.index)
