"""Names of the questions that are not scales.

A question about a scale is named by the scale's id, one about a muscle by id and muscle. Every
name here holds a space, which no id of a scale may, so that a study's own scale never takes the
name of another question. Measurements are named by :class:`imgtrack.domain.protocol.Measure`.
"""

from __future__ import annotations

ADEQUACY_TENDON = "adequacy tendon"
ADEQUACY_THICKNESS = "adequacy thickness"
ADEQUACY_MUSCLE = "adequacy muscle"
ADEQUACY_IMPLANTS = "adequacy implants"
ADEQUACY_RADIOGRAPH = "adequacy radiograph"
ADEQUATE = "adequate"

DEFECT = "tendon defect"
NO_FULL_DEFECT = "no full-thickness defect"
NO_DEFECT = "no defect"
PARTIAL_DEFECT = "partial-thickness defect"
FULL_DEFECT = "full-thickness defect"
"""The answers to :data:`DEFECT`; without scales of partial tears only the first and the last."""

PARTIAL_DEPTH = "partial tear depth"
REFERENCE_THICKNESS = "reference thickness"
BRIGHT_SIGNAL = "bright signal"
ACETABULISATION = "acromion hollowed"
NARROWING = "glenohumeral narrowing"
COLLAPSE = "head collapse"
NOTE = "free note"
PICKED_READING = "picked reading"
"""The one answer of an adjudicator who picks a reading: its key; see `imgtrack.domain.verdicts`."""

YES, NO = "yes", "no"

SUPRASPINATUS, INFRASPINATUS = "supraspinatus", "infraspinatus"
SUBSCAPULARIS, TERES_MINOR = "subscapularis", "teres minor"
MUSCLES = (SUPRASPINATUS, INFRASPINATUS, SUBSCAPULARIS, TERES_MINOR)


def of_muscle(scale: str, muscle: str) -> str:
    """Return the name of the question about one muscle, as ``goutallier supraspinatus``."""
    return f"{scale} {muscle}"
