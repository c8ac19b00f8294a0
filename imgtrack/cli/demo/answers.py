"""What a simulated reader fills in: its answers as points and grades of the reading form."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Any

import numpy as np

from imgtrack.cli.demo.drawing import Sheet, sheet_of
from imgtrack.cli.demo.fat import outlined_fat
from imgtrack.domain.form import Note, Origin, Reason, State, asking, names
from imgtrack.domain.protocol import Measure, Plane
from imgtrack.measure.patte import patte_positions
from synthetic_scans.readers.people import FULL_TEAR, LENGTHS, MUSCLES, SUGAYA_LEVELS

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from numpy.typing import NDArray

    from imgtrack.cli.demo.truths import ScanTruth
    from imgtrack.desk.cases.images import ShownPixels, ShownSeries
    from imgtrack.domain.form import Form, Question
    from synthetic_scans.readers.people import Answers

    Points = NDArray[np.float64]

SUGAYA = dict(zip(SUGAYA_LEVELS, ("I", "II", "III", "IV", "V"), strict=True))
THIN = 3
OVERLOOKED_SHARE = {True: 0.4, False: 0.8}
"""Thickness over the reference that is drawn where a gap was overlooked, thin or not."""
MEDIAL_MM = 8.0


def fill_in(
    form: Form,
    series: Sequence[ShownSeries],
    truth: ScanTruth,
    answers: Answers,
    *,
    pixels: Callable[[str], ShownPixels],
) -> dict[str, Any]:
    """Return the answers to a form.

    Parameters
    ----------
    form
        What is asked.
    series
        The images of the case.
    truth
        Where things lie in the shoulder.
    answers
        What the reader makes of it: one case.
    pixels
        Gives those of a series by its alias.

    Returns
    -------
    dict
        By question; lengths follow from their points, which lie on the images.
    """
    hand = _Hand(series, truth, answers, pixels)
    found: dict[str, Any] = {}
    for question in form.questions:
        is_asked = asking(form, found)[question.name].state is State.ASKED
        if is_asked and not isinstance(question.asks, Note):
            found[question.name] = hand.answer(question)
    return found


def _not_assessable(reason: Reason) -> dict[str, Any]:
    return {"not_assessable": reason.value}


@dataclass(frozen=True, eq=False)
class _Hand:
    """A reader's hand over one case."""

    series: Sequence[ShownSeries]
    truth: ScanTruth
    given: Answers
    pixels: Callable[[str], ShownPixels]

    def answer(self, question: Question) -> dict[str, Any]:
        """Return the answer to one question that is asked."""
        if question.is_adequacy:
            return self._adequacy()
        drawn: dict[str, Callable[[], dict[str, Any]]] = {
            names.DEFECT: lambda: self._defect(question),
            names.BRIGHT_SIGNAL: self._bright,
            names.REFERENCE_THICKNESS: self._reference,
            Measure.GAP_SLICES: self._gap_slices,
            Measure.WIDTH: self._width,
            Measure.RETRACTION: self._retraction,
            Measure.RETRACTION_ALONG_HEAD: self._along_head,
            Measure.PATTE_LANDMARKS: self._landmarks,
            Measure.THICKNESS: self._thickness,
            Measure.FAT_FRACTION: self._fat_fraction,
        }
        if question.name in drawn:
            return drawn[question.name]()
        grade = self._grades.get(question.name)
        if grade is None:
            return _not_assessable(Reason.OTHER) | {"note": "not simulated"}
        return {"value": grade}

    @cached_property
    def _grades(self) -> dict[str, str]:
        given = self.given
        fatty = zip(MUSCLES, given.fatty[0], strict=True)
        return {
            "sugaya": SUGAYA.get(int(given.sugaya[0]), ""),
            "retear_pattern": str(int(given.pattern[0])),
            "patte_stage": str(int(given.patte[0])),
            **{
                names.of_muscle("goutallier", muscle.replace("_", " ")): str(int(level))
                for muscle, level in fatty
            },
        }

    @property
    def _is_torn(self) -> bool:
        return bool(self.given.sugaya[0] >= FULL_TEAR)

    def _mm(self, name: str) -> float:
        return float(self.given.lengths[0, LENGTHS.index(name)])

    def _sheet(self, plane: Plane) -> Sheet | None:
        return sheet_of(self.series, plane)

    def _adequacy(self) -> dict[str, Any]:
        if self.given.assessable[0]:
            return {"value": names.ADEQUATE}
        return _not_assessable(Reason.METAL if self.truth.metal else Reason.MOTION)

    def _defect(self, question: Question) -> dict[str, Any]:
        return {"value": names.FULL_DEFECT if self._is_torn else question.options[0]}

    def _bright(self) -> dict[str, Any]:
        thin = int(self.given.sugaya[0]) == THIN
        is_bright = self.truth.bright if thin else int(self.given.sugaya[0]) == 2
        return {"value": names.YES if is_bright else names.NO}

    def _ends(self, name: str) -> tuple[Points, Points]:
        """Return the ends of a true measurement, or where a reader who invents it would draw."""
        if name in self.truth.points:
            points = self.truth.points[name]
            return points[0], points[-1]
        edge, head = self.truth.places["footprint_lateral_edge"], self.truth.places["head_apex"]
        if name == "defect_width":
            across = np.cross(head - edge, [0.0, 0.0, 1.0])
            return edge - across / 2, edge + across / 2
        return edge, head

    def _gap_slices(self) -> dict[str, Any]:
        planes = (Plane.CORONAL_OBLIQUE, Plane.SAGITTAL_OBLIQUE)
        return {
            plane.value: self._marks(plane, int(count))
            for plane, count in zip(planes, self.given.gap_slices[0], strict=True)
        }

    def _marks(self, plane: Plane, count: int) -> dict[str, Any]:
        sheet = self._sheet(plane)
        if sheet is None:
            return _not_assessable(Reason.NOT_ACQUIRED)
        seen = self.truth.shown.get(plane.value.replace(" ", "_"))
        if seen is None:
            seen = np.mean(self._ends("defect_retraction"), axis=0)[np.newaxis]
        return sheet.gap(seen, count)

    def _width(self) -> dict[str, Any]:
        sheet = self._sheet(Plane.SAGITTAL_OBLIQUE)
        if sheet is None:
            return _not_assessable(Reason.NOT_ACQUIRED)
        start, end = self._ends("defect_width")
        number = sheet.slice_near((start + end) / 2)
        return sheet.centred(number, start, end, self._mm("width_mm"))

    def _retraction(self) -> dict[str, Any]:
        sheet = self._sheet(Plane.CORONAL_OBLIQUE)
        if sheet is None:
            return _not_assessable(Reason.NOT_ACQUIRED)
        start, end = self._ends("defect_retraction")
        return sheet.line(self._cut(sheet), start, end, self._mm("retraction_mm"))

    def _along_head(self) -> dict[str, Any]:
        sheet = self._sheet(Plane.CORONAL_OBLIQUE)
        if sheet is None:
            return _not_assessable(Reason.NOT_ACQUIRED)
        start, end = self._ends("defect_retraction")
        lengths = self._mm("retraction_mm"), self._mm("retraction_arc_mm")
        return sheet.bent(self._cut(sheet), start, end, lengths)

    def _cut(self, sheet: Sheet) -> int:
        start, end = self._ends("defect_retraction")
        return sheet.slice_near((start + end) / 2)

    def _landmarks(self) -> dict[str, Any]:
        sheet = self._sheet(Plane.CORONAL_OBLIQUE)
        if sheet is None:
            return _not_assessable(Reason.NOT_ACQUIRED)
        number, places = self._cut(sheet), self.truth.places
        edge, stump = self._retraction()["points"]
        apex = sheet.onto(number, places["head_apex"])
        rim = sheet.onto(number, places["glenoid_superior_rim"])
        found = patte_positions(footprint_edge=edge, apex=apex, rim=rim, stump=stump)
        return {
            "points": {
                "footprint edge": [edge],
                "apex": [apex.tolist()],
                "rim": [rim.tolist()],
                "stump": [stump],
            },
            "mm": {"stump": found.stump_mm, "apex": found.apex_mm, "rim": found.rim_mm},
            "images": [sheet.image(number)],
            "origin": Origin.DRAWN.value,
        }

    def _fat_fraction(self) -> dict[str, Any]:
        return outlined_fat(self.series, self.pixels, self.truth, self.given)

    def _thickness(self) -> dict[str, Any]:
        mm = self._mm("thickness_mm")
        if np.isnan(mm):
            thin = int(self.given.sugaya[0]) == THIN
            mm = OVERLOOKED_SHARE[thin] * self.truth.reference_mm
        return self._across_tendon(mm, medial_mm=0.0)

    def _reference(self) -> dict[str, Any]:
        return self._across_tendon(self._reference_mm(), medial_mm=MEDIAL_MM)

    def _reference_mm(self) -> float:
        """Return the reference, half as far off as the repair was measured and the other way."""
        column = LENGTHS.index("thickness_mm")
        error = self._mm("thickness_mm") - float(self.truth.cases.lengths[0, column])
        return self.truth.reference_mm - float(np.nan_to_num(error)) / 2

    def _across_tendon(self, mm: float, *, medial_mm: float) -> dict[str, Any]:
        sheet = self._sheet(Plane.CORONAL_OBLIQUE)
        if sheet is None:
            return _not_assessable(Reason.NOT_ACQUIRED)
        places = self.truth.places
        start, end = self.truth.points.get("tendon_thickness", (None, None))
        if start is None or end is None:
            start, end = places["head_centre"], places["head_apex"]
            start, end = end, end + (end - start)
        number = sheet.slice_near((start + end) / 2)
        way = sheet.direction(number, places["footprint_lateral_edge"], places["head_apex"])
        return sheet.line(number, start + way * medial_mm, end + way * medial_mm, mm)
