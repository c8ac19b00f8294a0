"""What stored values of a map stand for: its Real World Value Mapping (PS3.3 C.7.6.16.2.11)."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from pydicom.dataset import Dataset

PERCENT = "%"
IN_PERCENT = {PERCENT: 1.0, "1": 100.0}
"""Units of a share, as UCUM codes them, in percent."""


def percent_scale(dataset: Dataset, number: int) -> tuple[float, float] | None:
    """Return slope and intercept that turn stored values of a map into percent.

    Parameters
    ----------
    dataset
        The object.
    number
        Frame, from 1.

    Returns
    -------
    tuple of float or None
        Of the first linear mapping to percent or to a fraction; ``None`` where the object states
        none. The rescaling of the Modality LUT says no unit and is never taken for one.
    """
    for mapping in _mappings(dataset, number):
        units = mapping.get("MeasurementUnitsCodeSequence") or []
        coded = [each for each in units if each.get("CodingSchemeDesignator") == "UCUM"]
        factor = IN_PERCENT.get(str(coded[0].get("CodeValue"))) if coded else None
        slope = mapping.get("RealWorldValueSlope")
        intercept = mapping.get("RealWorldValueIntercept")
        if factor is not None and slope is not None and intercept is not None:
            return factor * float(slope), factor * float(intercept)
    return None


def _mappings(dataset: Dataset, number: int) -> Iterator[Dataset]:
    """Yield the mappings of a frame, those of the frame itself before those of all."""
    frames = dataset.get("PerFrameFunctionalGroupsSequence") or []
    own = [frames[number - 1]] if len(frames) >= number else []
    shared = dataset.get("SharedFunctionalGroupsSequence") or []
    for holder in (*own, *shared, dataset):
        yield from holder.get("RealWorldValueMappingSequence") or []
