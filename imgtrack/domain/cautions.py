"""The cautions shown wherever results are shown."""

from __future__ import annotations

CAUTION = (
    "For research use only; not a medical device. Grades and measurements can be wrong: "
    "decisions about a patient follow local rules and a licensed clinician's judgement."
)

OF_FAT_FRACTIONS = (
    "A fat fraction is no grade: no cut-off is accepted. Noise lifts low values; values of "
    "different sequences must not be pooled."
)
