"""Some acts need a reason for the log."""

from __future__ import annotations

from imgtrack.domain.errors import Fault

AMENDMENT_REASON = "an amendment needs a reason"


def reason_faults(reason: str, where: str = "", *, what: str = "no reason is given") -> list[Fault]:
    """Return the fault of a reason without words, to stand with the other faults of an input."""
    return [] if reason.strip() else [Fault(what, where, "some words", "nothing", "say why")]
