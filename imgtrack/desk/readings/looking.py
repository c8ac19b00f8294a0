"""Looking at signed readings: readers see their own, and results are for those who may."""

from __future__ import annotations

from typing import TYPE_CHECKING

from imgtrack.desk.refusal import refusal
from imgtrack.domain.errors import Fault, InvalidInput
from imgtrack.domain.protocol import Role
from imgtrack.domain.reading import Reading

if TYPE_CHECKING:
    from imgtrack.desk.study import Study
    from imgtrack.store.database import Look

SEE_ALL = (Role.COORDINATOR, Role.ANALYST)
"""Who may see everybody's readings. Adjudicators are shown those of their case without names."""


def latest(look: Look) -> list[Reading]:
    """Return every reading that no other amends, in the order they were signed."""
    readings = look.all(Reading)
    amended = {reading.amends for reading in readings}
    return [reading for reading in readings if reading.key not in amended]


def latest_of(look: Look, key: str) -> Reading:
    """Return a reading, or the last of its amendments.

    Raises
    ------
    InvalidInput
        When there is no such reading.
    """
    reading = look.get(Reading, key)
    if reading is None:
        raise InvalidInput(Fault("there is no such reading", key))
    while newer := look.where(Reading, amends=reading.key):
        reading = newer[-1]
    return reading


def all_readings(study: Study) -> list[Reading]:
    """Return everybody's latest readings.

    Raises
    ------
    Refused
        For anyone but coordinator and analyst; logged.
    """
    study.require(SEE_ALL, "see everybody's readings")
    with study.store.look() as look:
        return latest(look)


def reading_of(study: Study, key: str) -> Reading:
    """Return one signed reading with everything recorded of it.

    Raises
    ------
    Refused
        For anyone but coordinator and analyst, the reader who signed it included: it names the
        scan. Readers look at `imgtrack.desk.readings.amending.signed_answers`. Logged.
    InvalidInput
        When there is no such reading.
    """
    study.require(SEE_ALL, f"see reading {key}")
    with study.store.look() as look:
        reading = look.get(Reading, key)
    if reading is None:
        raise InvalidInput(Fault("there is no such reading", key))
    return reading


def own_reading(study: Study, key: str, act: str) -> Reading:
    """Return a reading of the person at the desk.

    Raises
    ------
    Refused
        When it is another's, or there is none: both are told in the same words, and logged.
    """
    with study.store.look() as look:
        reading = look.get(Reading, key)
    if reading is None or reading.reader != study.who:
        fault = Fault("this is no reading of yours", key, "a case you signed")
        raise refusal(study, act, fault)
    return reading
