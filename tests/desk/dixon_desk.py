"""An invented study whose scans hold a Dixon acquisition, and a fat fraction known by hand.

To the series of reading_desk.py come water, fat and in-phase images in the places of the sagittal
series. The outline goes along pixel borders round 20 by 20 pixels of 0.5 mm: 100 square mm. Half
of them hold fat 20 and water 180, half 50 and 50; by hand the mean of 10 and 50 percent is 30,
the sample standard deviation 20 times the root of 400/399, and the mean signals are 35 and 115.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from reading_desk import SLICES, InventedShelf, add_scans, image, plane, series_of

from imgtrack.desk.cases.images import Shelved, ShownPixels
from imgtrack.domain.protocol import Weighting

ASKED = '["retraction along the head", "fat fraction"]'
PARTS = ("water", "fat", "in phase")
MAP = "fat fraction"
PLACE = 2
"""The slice that is outlined, from 1: x = 15.6 mm."""
OUTLINE = [[15.6, -0.25, -0.25], [15.6, 9.75, -0.25], [15.6, 9.75, 9.75], [15.6, -0.25, 9.75]]
SD = 20 * float(np.sqrt(400 / 399))
FIRST_FATTY = 170
"""The column at y = 5 mm: 10 of the 20 columns lie before it."""


def dixon_of(scan, parts=PARTS):
    """Return the records of the parts."""
    sagittal = series_of(scan)[1]
    for number, part in enumerate(parts, 3):
        uid = f"{sagittal.uid[:-1]}{number}"
        names = tuple(f"{uid}.{place}" for place in range(1, SLICES + 1))
        yield replace(sagittal, uid=uid, weighting=Weighting.DIXON, part=part, images=names)


def add_dixon_scans(study, numbers, parts=PARTS):
    scans = add_scans(study, numbers)
    with study.store.change(who="C1", now=study.now) as change:
        change.add([series for scan in scans for series in dixon_of(scan, parts)])
    return scans


def add_mapped_scans(study, numbers):
    """Add scans with nothing but a map of fat fractions."""
    return add_dixon_scans(study, numbers, parts=(MAP,))


def pixels_of(part: str):
    if part == MAP:
        values = np.full((SLICES, 320, 320), 10.0, dtype=np.float32)
        values[:, :, FIRST_FATTY:] = 50.0
        return values
    values = np.full((SLICES, 320, 320), 20 if part == "fat" else 180, dtype=np.uint16)
    values[:, :, FIRST_FATTY:] = 50
    return values


@dataclass
class DixonShelf(InventedShelf):
    """Images of which fat and water are known, and a map that says its unit or does not."""

    unit: str = "%"

    def _shelved(self, series):
        if series.part not in {*PARTS, MAP}:
            return super()._shelved(series)

        def load():
            self.loads.append(series.key)
            if series.key in self.unreadable:
                raise OSError(f"cannot read /archive/{series.uid}.dcm")
            unit = self.unit if series.part == MAP else ""
            return ShownPixels(pixels_of(series.part), unit=unit)

        return Shelved(series, tuple(plane(series, at) for at in range(SLICES)), load)


def alias(case, part: str, place: int = PLACE) -> str:
    """Return the alias of an image by its part."""
    return next(f"{each.alias}.{place}" for each in case.series if each.part == part)


def mapped_answer(case, **changes):
    """Return the answer by hand, drawn on the map: it has no signals of fat and water."""
    answer = fat_answer(case, on=MAP, both=MAP) | changes
    return {key: each for key, each in answer.items() if key not in {"fat", "water"}}


def fat_answer(case, *, on: str = "in phase", both: str = "", **changes):
    """Return the answer by hand, drawn on one of the parts."""
    return {
        "percent": 30.0,
        "sd_percent": SD,
        "voxels": 400,
        "mm2": 100.0,
        "points": OUTLINE,
        "images": [image(alias(case, on))],
        "origin": "drawn",
        "fat": {"mean": 35.0, "images": [image(alias(case, both or "fat"))]},
        "water": {"mean": 115.0, "images": [image(alias(case, both or "water"))]},
    } | changes
