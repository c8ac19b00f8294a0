"""Taking an answer apart: each key once, with a fault for everything that is not as it must be."""

from __future__ import annotations

import math
import re
from collections.abc import Collection, Iterable, Mapping
from typing import Any

from imgtrack.domain.errors import Fault

IMAGE_UID = re.compile(r"[0-9A-Za-z.-]{1,64}")
MOST_SHOWN = 80
MOST_POINTS = 2000


def shown(value: Any) -> str:
    """Return a value as it is shown in a fault."""
    try:
        text = repr(value)
    except (ValueError, RecursionError):  # numbers and nesting beyond what Python writes out
        return "a value far too large"
    return text if len(text) <= MOST_SHOWN else text[:MOST_SHOWN] + "..."


def finite(value: Any) -> float | None:
    """Return a JSON number as a float, or ``None`` for anything else."""
    if isinstance(value, bool) or not isinstance(value, int | float):
        return None
    try:
        number = float(value)
    except OverflowError:
        return None
    return number if math.isfinite(number) else None


def is_text(value: Any) -> bool:
    """Whether a value is a text that every database holds."""
    if not isinstance(value, str) or "\0" in value:
        return False
    try:
        value.encode()
    except UnicodeEncodeError:
        return False
    return True


class Fields:
    """One JSON object being read.

    Parameters
    ----------
    value
        What should be an object.
    where
        How to name it in a fault.
    faults
        Where faults are gathered; shared by all objects of one set of answers.
    """

    def __init__(self, value: Any, where: str, faults: list[Fault]) -> None:
        self.where = where
        self.faults = faults
        self._asked: list[str] = []
        self._left: dict[str, Any] = {}
        if not isinstance(value, Mapping):
            self.fault("this is no answer", "an object", shown(value))
            return
        for key, inner in value.items():
            if isinstance(key, str):
                self._left[key] = inner
            else:
                self.fault("a key is no text", found=shown(key))

    def fault(self, what: str, expected: str = "", found: str = "", next_step: str = "") -> None:
        """Note a fault of this object."""
        self.faults.append(Fault(what, self.where, expected, found, next_step))

    def has(self, key: str) -> bool:
        """Whether a key is there and not taken yet."""
        return key in self._left

    def take(self, key: str, expected: str) -> Any:
        """Return the value of a key; a missing one is a fault and gives ``None``."""
        self._asked.append(key)
        if key not in self._left:
            self.fault(f"'{key}' is missing", expected)
            return None
        value = self._left.pop(key)
        if value is None:
            self.fault(f"'{key}' is empty", expected)
        return value

    def inner(self, key: str, expected: str) -> Fields | None:
        """Return the object under a key."""
        value = self.take(key, expected)
        return None if value is None else Fields(value, f"{self.where}, {key}", self.faults)

    def number(
        self, key: str, *, low: float | None = None, above: float | None = None
    ) -> float | None:
        """Return a finite number that is not below ``low`` and lies above ``above``."""
        bound = "" if low is None else f", {low:g} or more"
        bound = bound if above is None else f", above {above:g}"
        given = self.take(key, f"a number{bound}")
        if given is None:
            return None
        value = finite(given)
        outside = value is not None and (
            (low is not None and value < low) or (above is not None and value <= above)
        )
        if value is None or outside:
            self.fault(f"'{key}' cannot be used", f"a finite number{bound}", shown(given))
            return None
        return value

    def whole(self, key: str, *, low: int, high: int) -> int | None:
        """Return a whole number from ``low`` to ``high``."""
        expected = f"a whole number from {low} to {high}"
        given = self.take(key, expected)
        if given is None:
            return None
        value = finite(given)
        if value is None or not value.is_integer() or not low <= value <= high:
            self.fault(f"'{key}' cannot be used", expected, shown(given))
            return None
        return int(value)

    def word(self, key: str, allowed: Collection[str]) -> str | None:
        """Return one of the allowed words."""
        expected = "one of " + ", ".join(allowed)
        value = self.take(key, expected)
        if value is None:
            return None
        if not isinstance(value, str) or value not in allowed:
            self.fault(f"'{key}' cannot be used", expected, shown(value))
            return None
        return value

    def text(self, key: str, *, longest: int) -> str | None:
        """Return a text that is not blank."""
        expected = f"a text of at most {longest} characters"
        value = self.take(key, expected)
        if value is None:
            return None
        if not is_text(value) or not value.strip() or len(value) > longest:
            self.fault(f"'{key}' cannot be used", expected, shown(value))
            return None
        return str(value)

    def items(self, key: str, *, fewest: int, most: int) -> list[Any] | None:
        """Return a list of so many items."""
        expected = f"a list of {fewest}" + (f" to {most}" if most > fewest else "")
        value = self.take(key, expected)
        if value is None:
            return None
        if not isinstance(value, list | tuple) or not fewest <= len(value) <= most:
            self.fault(f"'{key}' cannot be used", expected, shown(value))
            return None
        return list(value)

    def points(
        self, key: str, *, fewest: int, most: int, dimensions: int
    ) -> list[list[float]] | None:
        """Return points in mm, each with so many finite coordinates."""
        items = self.items(key, fewest=fewest, most=most)
        if items is None:
            return None
        points = [_point(item, dimensions) for item in items]
        if None in points:
            wrong = items[points.index(None)]
            self.fault(f"'{key}' cannot be used", f"{dimensions} finite numbers", shown(wrong))
            return None
        return [point for point in points if point is not None]

    def images(self, key: str, *, fewest: int, most: int) -> list[dict[str, Any]] | None:
        """Return references to images, none of them twice."""
        items = self.items(key, fewest=fewest, most=most)
        if items is None:
            return None
        images = [_image(item) for item in items]
        if None in images:
            expected = "an object with 'uid' (SOP Instance UID) and 'frame' (1 or more)"
            self.fault(f"'{key}' cannot be used", expected, shown(items[images.index(None)]))
            return None
        found = [image for image in images if image is not None]
        if len({(image["uid"], image["frame"]) for image in found}) < len(found):
            self.fault(f"'{key}' holds an image twice", "each image once")
            return None
        return found

    def close(self) -> None:
        """Note the keys nobody asked for."""
        for key in self._left:
            self.fault("a key is not known", "only " + _listed(self._asked), shown(key))


def _listed(words: Iterable[str]) -> str:
    return ", ".join(dict.fromkeys(words)) or "an object without keys"


def _point(value: Any, dimensions: int) -> list[float] | None:
    if not isinstance(value, list | tuple) or len(value) != dimensions:
        return None
    numbers = [finite(each) for each in value]
    return None if None in numbers else [each for each in numbers if each is not None]


def _image(value: Any) -> dict[str, Any] | None:
    if not isinstance(value, Mapping) or set(value) != {"uid", "frame"}:
        return None
    uid, frame = value["uid"], value["frame"]
    if not isinstance(uid, str) or not IMAGE_UID.fullmatch(uid):
        return None
    if isinstance(frame, bool) or not isinstance(frame, int) or not 1 <= frame < 2**31:
        return None
    return {"uid": uid, "frame": frame}
