"""The value of an answer, by the kind of its question."""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import StrEnum
from typing import TYPE_CHECKING, Any

from imgtrack.domain.form.fields import MOST_POINTS, Fields, shown
from imgtrack.domain.form.questions import (
    Choice,
    FatFraction,
    GapSlices,
    Graded,
    Implants,
    Landmarks,
    Measured,
    Origin,
    Ratio,
    Reason,
)

if TYPE_CHECKING:
    from imgtrack.domain.form.questions import Asks, Part
    from imgtrack.domain.protocol import Plane
    from imgtrack.domain.scales import Scale

MOST_SLICES = 500
MOST_IMPLANTS = 40
MOST_VOXELS = 10**6
LONGEST_LABEL = 32
LONGEST_NOTE = 2000
RATIO_TOLERANCE = 1e-6
"""A ratio that was given may be off by this share of itself: rounding, not another value."""


class Purpose(StrEnum):
    """What answers are checked for; what is wrong is a fault whatever the purpose.

    ``DRAFT``: anything may be missing. ``SIGNING``: nothing required may be. ``IMPORT``: anything
    may be missing, and lengths without points and "not assessable" without reason are taken.
    """

    DRAFT = "draft"
    SIGNING = "signing"
    IMPORT = "import"


@dataclass(frozen=True, slots=True)
class Reading:
    """How values are read: for what purpose, and with how many coordinates to a point."""

    purpose: Purpose
    dimensions: int

    @property
    def origins(self) -> tuple[Origin, ...]:
        """Origins that may be named."""
        known = tuple(Origin)
        return known if self.purpose is Purpose.IMPORT else known[:-1]

    @property
    def reasons(self) -> tuple[Reason, ...]:
        """Reasons that may be named."""
        known = tuple(Reason)
        return known if self.purpose is Purpose.IMPORT else known[:-1]


def read_value(asks: Asks, fields: Fields, how: Reading) -> dict[str, Any]:
    """Return the value of an answer in its one layout; faults go to ``fields``.

    Parameters
    ----------
    asks
        Kind of the question.
    fields
        The answer.
    how
        Purpose and number of coordinates.
    """
    match asks:
        case Graded(scale=scale):
            found = _grade(scale, fields)
        case Choice(options=options):
            found = {"value": fields.word("value", options)}
        case Measured():
            found = _measured(asks, fields, how)
        case GapSlices(planes=planes):
            found = _planes(planes, fields, how)
        case Landmarks():
            found = _landmarks(asks, fields, how)
        case Ratio():
            found = _ratio(asks, fields, how)
        case FatFraction():
            found = _fat_fraction(fields, how)
        case Implants():
            found = _implants(asks, fields, how)
        case _:
            found = {"text": fields.text("text", longest=asks.longest)}
    return found


def read_not_assessable(fields: Fields, how: Reading) -> dict[str, Any]:
    """Return why a question is not assessable; what falls with another needs no note."""
    reason = fields.word("not_assessable", how.reasons)
    answer: dict[str, Any] = {"not_assessable": reason}
    needs_note = reason == Reason.OTHER and not fields.has("because")
    if needs_note or fields.has("note"):
        answer["note"] = fields.text("note", longest=LONGEST_NOTE)
    return answer


def _grade(scale: Scale, fields: Fields) -> dict[str, Any]:
    if scale.value_range is None:
        return {"value": fields.word("value", scale.codes)}
    low, high = scale.value_range.low, scale.value_range.high
    value = fields.number("value", low=low)
    if value is not None and value > high:
        fields.fault("'value' cannot be used", f"{low:g} to {high:g}", shown(value))
    return {"value": value}


def _drawn(
    fields: Fields, how: Reading, *, fewest: int, most: int, most_images: int
) -> dict[str, Any]:
    """Return points, images and origin; an imported value has none of the first two."""
    origin = fields.word("origin", how.origins)
    if origin == Origin.IMPORTED:
        if not (fields.has("points") or fields.has("images")):
            return {"points": [], "images": [], "origin": origin}
        fewest = most = most_images = 0
    points = fields.points("points", fewest=fewest, most=most, dimensions=how.dimensions)
    images = fields.images("images", fewest=min(fewest, 1), most=most_images)
    return {"points": points, "images": images, "origin": origin}


def _measured(asks: Measured, fields: Fields, how: Reading) -> dict[str, Any]:
    fewest = len(asks.points)
    most = MOST_POINTS if asks.open_ended else fewest
    value = fields.number(asks.quantity, above=0)
    drawn = _drawn(fields, how, fewest=fewest, most=most, most_images=fewest)
    return {asks.quantity: value, **drawn}


def _planes(planes: tuple[Plane, ...], fields: Fields, how: Reading) -> dict[str, Any]:
    """Return the marks of each plane; until signing a plane may be missing."""
    return {
        plane.value: _plane(fields, plane.value, how)
        for plane in planes
        if how.purpose is Purpose.SIGNING or fields.has(plane.value)
    }


def _plane(fields: Fields, plane: str, how: Reading) -> dict[str, Any]:
    marks = fields.inner(plane, "marked slices, or why the plane is not assessable")
    if marks is None:
        return {}
    found = read_not_assessable(marks, how) if marks.has("not_assessable") else _slices(marks, how)
    marks.close()
    return found


def _slices(marks: Fields, how: Reading) -> dict[str, Any]:
    if how.purpose is Purpose.IMPORT and not marks.has("images"):
        return {"count": marks.whole("count", low=0, high=MOST_SLICES)}
    images = marks.images("images", fewest=0, most=MOST_SLICES)
    count = marks.whole("count", low=0, high=MOST_SLICES)
    spacing = marks.number("spacing_mm", above=0)
    thickness = marks.number("thickness_mm", above=0)
    implied = marks.number("implied_mm", low=0)
    if images is not None and count is not None and count != len(images):
        marks.fault("count and images do not fit", str(len(images)), str(count))
    elif count is not None and spacing is not None and implied is not None:
        slack = 1 + RATIO_TOLERANCE
        low, high = (spacing / slack if count else 0.0), count * spacing * slack
        if not low <= implied <= high:
            expected = "the longest run of neighbouring slices times their spacing"
            marks.fault("'implied_mm' does not fit the slices", expected, shown(implied))
    return {
        "images": images,
        "count": count,
        "spacing_mm": spacing,
        "thickness_mm": thickness,
        "implied_mm": implied,
    }


def _landmarks(asks: Landmarks, fields: Fields, how: Reading) -> dict[str, Any]:
    points: dict[str, Any] = {}
    if (given := fields.inner("points", "points by name")) is not None:
        for each in asks.sets:
            most = MOST_POINTS if each.is_outline else 1
            points[each.name] = given.points(
                each.name, fewest=each.fewest, most=most, dimensions=how.dimensions
            )
        given.close()
    results: dict[str, Any] = {}
    if (numbers := fields.inner("mm", "positions in mm by name")) is not None:
        results = {each.name: numbers.number(each.name, low=each.low) for each in asks.results}
        numbers.close()
    return {
        "points": points,
        "mm": results,
        "images": fields.images("images", fewest=1, most=1),
        "origin": fields.word("origin", how.origins[:3]),
    }


def _ratio(asks: Ratio, fields: Fields, how: Reading) -> dict[str, Any]:
    if how.purpose is Purpose.IMPORT and not fields.has(asks.top.name):
        return {"value": fields.number("value", **_bound(asks.top))}
    top, bottom = _part(asks.top, fields, how), _part(asks.bottom, fields, how)
    answer: dict[str, Any] = {asks.top.name: top, asks.bottom.name: bottom}
    if asks.word:
        answer[asks.word] = fields.word(asks.word, asks.options)
    given = fields.number("value", low=0) if fields.has("value") else None
    over, under = top.get(asks.top.quantity), bottom.get(asks.bottom.quantity)
    if over is None or under is None:
        return answer
    value = over / under
    is_number = math.isfinite(value) and (value > 0 or over == 0)
    if not is_number or (asks.at_most is not None and value > asks.at_most):
        limit = "a finite ratio" if asks.at_most is None else f"at most {asks.at_most:g}"
        fields.fault("the two parts do not fit together", limit, f"{over:g} over {under:g}")
    elif given is not None and not math.isclose(given, value, rel_tol=RATIO_TOLERANCE):
        fields.fault("'value' is not the ratio of its parts", f"{value:g}", shown(given))
    return {"value": value, **answer}


def _bound(part: Part) -> dict[str, float]:
    return {"low": 0.0} if part.may_be_zero else {"above": 0.0}


def _part(part: Part, fields: Fields, how: Reading) -> dict[str, Any]:
    inner = fields.inner(part.name, "a measurement")
    if inner is None:
        return {}
    value = inner.number(part.quantity, **_bound(part))
    is_outline = part.fewest > 2
    fewest = 0 if value == 0 and not is_outline else part.fewest
    most, most_images = (MOST_POINTS, 1) if is_outline else (part.fewest, part.fewest)
    found: dict[str, Any] = {part.quantity: value}
    if part.quantity == "mean":
        found["sd"] = inner.number("sd", low=0)
        found["voxels"] = inner.whole("voxels", low=2, high=MOST_VOXELS)
    found |= _drawn(inner, how, fewest=fewest, most=most, most_images=most_images)
    inner.close()
    return found


def _fat_fraction(fields: Fields, how: Reading) -> dict[str, Any]:
    """Return a fat fraction; from a map without signals; an imported one is the number alone."""
    percent = fields.number("percent", low=0)
    if percent is not None and percent > 100:
        fields.fault("'percent' cannot be used", "0 to 100", shown(percent))
    if how.purpose is Purpose.IMPORT and not fields.has("points"):
        return {"percent": percent}
    parts = ("fat", "water") if fields.has("fat") or fields.has("water") else ()
    return {
        "percent": percent,
        "sd_percent": fields.number("sd_percent", low=0),
        "voxels": fields.whole("voxels", low=2, high=MOST_VOXELS),
        "mm2": fields.number("mm2", above=0),
        **_drawn(fields, how, fewest=3, most=MOST_POINTS, most_images=1),
        **{part: _mean_signal(fields, part) for part in parts},
    }


def _mean_signal(fields: Fields, part: str) -> dict[str, Any]:
    inner = fields.inner(part, f"the mean signal of the {part} image, and the image")
    if inner is None:
        return {}
    found = {
        "mean": inner.number("mean", low=0),
        "images": inner.images("images", fewest=1, most=1),
    }
    inner.close()
    return found


def _implants(asks: Implants, fields: Fields, how: Reading) -> dict[str, Any]:
    items = fields.items("implants", fewest=0, most=MOST_IMPLANTS) or []
    found = []
    for number, item in enumerate(items, start=1):
        one = Fields(item, f"{fields.where}, implant {number}", fields.faults)
        found.append(_implant(asks, one, how))
        one.close()
    labels = [each["label"] for each in found if each["label"] is not None]
    twice = sorted({label for label in labels if labels.count(label) > 1})
    if twice:
        fields.fault("labels of implants must differ", found=", ".join(twice))
    return {"implants": found}


def _implant(asks: Implants, one: Fields, how: Reading) -> dict[str, Any]:
    answer: dict[str, Any] = {
        "label": one.text("label", longest=LONGEST_LABEL),
        "seat": one.word("seat", asks.seats),
        **_drawn(one, how, fewest=1, most=2, most_images=2),
    }
    if asks.scales:
        answer["grades"] = _grades(asks.scales, one, how)
    if asks.migration:
        answer["migration"] = _migration(one, how)
    return answer


def _grades(scales: tuple[Scale, ...], one: Fields, how: Reading) -> dict[str, Any]:
    grades = one.inner("grades", "a grade on " + ", ".join(scale.id for scale in scales))
    found: dict[str, Any] = {}
    if grades is None:
        return found
    for scale in scales:
        if (grade := grades.inner(scale.id, "a grade")) is not None:
            is_given = not grade.has("not_assessable")
            found[scale.id] = _grade(scale, grade) if is_given else read_not_assessable(grade, how)
            grade.close()
    grades.close()
    return found


def _migration(one: Fields, how: Reading) -> dict[str, Any]:
    moved = one.inner("migration", "mm since the first scan after surgery, or not assessable")
    if moved is None:
        return {}
    if moved.has("not_assessable"):
        found = read_not_assessable(moved, how)
    else:
        found = {
            "mm": moved.number("mm", low=0),
            "residual_mm": moved.number("residual_mm", low=0),
        }
        if moved.has("origin"):
            found["origin"] = moved.word("origin", (Origin.ACCEPTED,))
    moved.close()
    return found
