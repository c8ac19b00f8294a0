"""The cautions shown wherever results are shown."""

from __future__ import annotations

CAUTION = (
    "For research use only; not a medical device. Grades and measurements can be wrong: "
    "decisions about a patient follow local rules and a licensed clinician's judgement."
)
