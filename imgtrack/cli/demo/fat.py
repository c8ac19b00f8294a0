"""The fat fraction as a simulated reader outlines it on the Dixon images of a case."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from imgtrack.cli.demo.drawing import sheet_of
from imgtrack.desk.cases.dixon import FAT, fat_and_water_at, fat_answer
from imgtrack.domain.errors import InvalidInput
from imgtrack.domain.form import Origin, Reason
from imgtrack.domain.protocol import Plane
from imgtrack.measure.fat import fat_fraction

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from numpy.typing import NDArray

    from imgtrack.cli.demo.truths import ScanTruth
    from imgtrack.desk.cases.images import ShownPixels, ShownSeries
    from synthetic_scans.readers.people import Answers

BORDER = "supraspinatus_area"
"""The true measurement whose points go round the muscle on the Y view."""


def outlined_fat(
    series: Sequence[ShownSeries],
    pixels: Callable[[str], ShownPixels],
    truth: ScanTruth,
    given: Answers,
) -> dict[str, Any]:
    """Return the answer of a reader who outlines the true border as far off as the muscle's area.

    Parameters
    ----------
    series
        The images of the case.
    pixels
        Gives those of a series by its alias.
    truth, given
        Where the border lies, and how large the reader takes the muscle to be.
    """
    sheet = sheet_of(series, Plane.SAGITTAL_OBLIQUE, FAT)
    if sheet is None:
        return {"not_assessable": Reason.NOT_ACQUIRED.value}
    border = truth.points[BORDER]
    middle = border.mean(axis=0)
    number = sheet.slice_near(middle)
    plane, drawn_on = sheet.planes[number], sheet.images[number].alias
    if abs(float(plane.distance([middle])[0])) > sheet.pitch_mm:
        return {"not_assessable": Reason.COVERAGE.value}
    larger = float(np.sqrt(given.occupation_ratio[0] / truth.cases.occupation_ratio[0]))
    outline = plane.to_patient(plane.to_pixels(middle + larger * (border - middle)))

    def values(alias: str) -> NDArray[Any]:
        stack, _, place = alias.rpartition(".")
        found: NDArray[Any] = pixels(stack).values[int(place) - 1]
        return found

    try:
        both = fat_and_water_at(series, drawn_on)
        found = fat_fraction(outline, plane, fat=values(both.fat), water=values(both.water))
    except InvalidInput:  # too few pixels, or none with signal: the scan is too coarse for it
        return {"not_assessable": Reason.COVERAGE.value}
    return fat_answer(found, outline.tolist(), drawn_on=drawn_on, images=both, origin=Origin.DRAWN)
