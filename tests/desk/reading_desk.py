"""An invented study at the point where reading begins: scans with series, and answers to sign.

Geometry by hand: coronal slices 4.4 mm apart with y from -20 mm, sagittal ones with x from 20 mm
down; 320 x 320 pixels of 0.5 mm. Lengths below are Pythagorean triples (9, 12, 15 and 5, 12, 13).
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import numpy as np
from argon2 import PasswordHasher

from imgtrack.desk import study as studies
from imgtrack.desk.cases.images import Shelved, ShownPixels
from imgtrack.desk.people.pass_phrases import set_pass_phrase
from imgtrack.domain.certainty import Certainty
from imgtrack.domain.errors import Fault, Unavailable
from imgtrack.domain.imaging import Modality, Scan
from imgtrack.domain.protocol import Plane, Weighting
from imgtrack.domain.series import Series
from imgtrack.domain.subjects import Repair, Side
from imgtrack.measure.plane import PlaneGeometry

QUICK = PasswordHasher(time_cost=1, memory_cost=8, parallelism=1)
"""The least Argon2 allows (RFC 9106, section 3.1), so that tests do not wait for it."""

PHRASE = "seven slow snails"
SLICES = 6
PITCH, THICKNESS = 4.4, 4.0

COMMON = {
    "adequacy tendon": {"value": "adequate"},
    "adequacy thickness": {"value": "adequate"},
    "adequacy muscle": {"value": "adequate"},
    "goutallier supraspinatus": {"value": "1"},
    "goutallier infraspinatus": {"value": "2"},
    "goutallier subscapularis": {"not_assessable": "coverage"},
}


class Clock:
    """Stands still until it is moved."""

    def __init__(self) -> None:
        self.at = datetime(2031, 9, 1, 12, 0, tzinfo=UTC)

    def __call__(self) -> datetime:
        return self.at

    def move(self, **by: float) -> None:
        self.at += timedelta(**by)


def image(alias: str) -> dict[str, object]:
    return {"uid": alias, "frame": 1}


def line(mm: float, points: list[list[float]], *aliases: str) -> dict[str, object]:
    images = [image(alias) for alias in aliases]
    return {"mm": mm, "points": points, "images": images, "origin": "drawn"}


def gap(extent: float, *aliases: str) -> dict[str, object]:
    return {
        "images": [image(alias) for alias in aliases],
        "count": len(aliases),
        "spacing_mm": PITCH,
        "thickness_mm": THICKNESS,
        "implied_mm": extent,
    }


def torn() -> dict[str, object]:
    """Answers to the starter's form: Sugaya IV in two coronal slices and one sagittal."""
    return COMMON | {
        "tendon defect": {"value": "full-thickness defect"},
        "gap slices": {
            "coronal oblique": gap(8.8, "0.1.3", "0.1.4"),
            "sagittal oblique": gap(4.4, "0.2.2"),
        },
        "tear width": line(15.0, [[15.6, 0, 40], [15.6, 9, 52]], "0.2.2"),
        "straight retraction": line(13.0, [[-30, -11.2, 40], [-18, -11.2, 45]], "0.1.3"),
        "patte landmarks": {
            "points": {
                "footprint edge": [[-30, -11.2, 40]],
                "apex": [[-15, -11.2, 55]],
                "rim": [[0, -11.2, 40]],
                "stump": [[-18, -11.2, 45]],
            },
            "mm": {"stump": 12.0, "apex": 15.0, "rim": 30.0},
            "images": [image("0.1.3")],
            "origin": "drawn",
        },
        "patte_stage": {"value": "1"},
        "sugaya": {"value": "IV"},
        "retear_pattern": {"value": "1"},
    }


def healed() -> dict[str, object]:
    """Answers to the starter's form: Sugaya II."""
    return COMMON | {
        "tendon defect": {"value": "no full-thickness defect"},
        "tendon thickness": line(5.0, [[-30, -11.2, 40], [-27, -11.2, 44]], "0.1.3"),
        "reference thickness": line(5.0, [[-20, -11.2, 40], [-17, -11.2, 44]], "0.1.3"),
        "bright signal": {"value": "yes"},
        "sugaya": {"value": "II"},
    }


def plane(series: Series, place: int) -> PlaneGeometry:
    if series.plane is Plane.CORONAL_OBLIQUE:
        origin, row = (-80.0, -20.0 + PITCH * place, 80.0), (1.0, 0.0, 0.0)
    else:
        origin, row = (20.0 - PITCH * place, -80.0, 80.0), (0.0, 1.0, 0.0)
    return PlaneGeometry(origin, row, (0.0, 0.0, -1.0), (0.5, 0.5), (320, 320), THICKNESS)


@dataclass
class InventedShelf:
    """Images that are computed, not read; some may be missing or unreadable."""

    missing: set[str] = field(default_factory=set)
    unreadable: set[str] = field(default_factory=set)
    loads: list[str] = field(default_factory=list)

    def series(self, scan, records):
        if scan.uid in self.missing:
            raise Unavailable(Fault("no such file", f"/archive/{scan.repair}/{scan.uid}.dcm"))
        return [self._shelved(each) for each in records]

    def _shelved(self, series):
        def load():
            self.loads.append(series.key)
            if series.key in self.unreadable:
                raise OSError(f"cannot read /archive/{series.scan}/{series.uid}.dcm")
            values = np.full((SLICES, 320, 320), len(series.uid), dtype=np.uint16)
            return ShownPixels(values)

        planes = tuple(plane(series, place) for place in range(len(series.images)))
        return Shelved(series, () if series.plane is None else planes, load)


def series_of(scan: Scan) -> list[Series]:
    if scan.modality is not Modality.MR:
        return [_series(scan, 1, None, None)]
    coronal = _series(scan, 1, Plane.CORONAL_OBLIQUE, Weighting.PD_FAT_SUPPRESSED)
    return [coronal, _series(scan, 2, Plane.SAGITTAL_OBLIQUE, Weighting.T1)]


def _series(scan, number, plane_, weighting):
    uid = f"{scan.uid.replace('-', '.')}.{number}"
    return Series(
        uid=uid,
        number=1,
        scan=scan.uid,
        plane=plane_,
        plane_certainty=Certainty.CERTAIN,
        weighting=weighting,
        weighting_certainty=Certainty.CERTAIN,
        side=None,
        side_claims=(),
        part="magnitude",
        rows=320,
        columns=320,
        slices=SLICES if plane_ else 1,
        spacing_mm=PITCH if plane_ else None,
        thickness_mm=THICKNESS if plane_ else None,
        row_spacing_mm=0.5,
        column_spacing_mm=0.5,
        field_tesla=3.0 if plane_ else None,
        images=tuple(f"{uid}.{place}" for place in range(1, (SLICES if plane_ else 1) + 1)),
    )


def prepare(folder: Path, *, url: str = "") -> Path:
    """Start a study with the starter's protocol and return its folder."""
    folder.mkdir(parents=True)
    study = folder / "study"
    studies.start(study, name="Test study", who="C1", now=Clock(), url=url).close()
    return study


def opened(study: Path, clock: Clock, *, readers: int = 2, **changes: str):
    """Open a study with other words in its protocol, as ``washout_days="7"``, and more people."""
    path = study / studies.PROTOCOL_FILE
    text = path.read_text("utf-8")
    for name, value in changes.items():
        (line,) = [each for each in text.splitlines() if each.startswith(f"{name} = ")]
        text = text.replace(line, f"{name} = {value}")
    more = {"L1": "analyst", "S1": "surgeon", "A2": "adjudicator"}
    more |= {f"R{number}": "reader" for number in range(3, readers + 1)}
    text += "".join(
        f'\n[[person]]\ncode = "{code}"\nrole = "{role}"\n' for code, role in more.items()
    )
    path.write_text(text, "utf-8")
    return studies.open_study(study, who="C1", now=clock)


def add_scans(study, numbers, *, timepoint="m06", modality=Modality.MR) -> list[Scan]:
    """Enrol one repair per number and take in a scan of each."""
    scans = []
    records: list[object] = []
    with study.store.change(who="C1", now=study.now) as change:
        for number in numbers:
            code = f"S{number:03}-R"
            if change.get(Repair, code) is None:
                operated = date(2031, 1, 10)
                records.append(Repair(code, f"S{number:03}", Side.RIGHT, operated, arm="DOUBLEROW"))
            uid = f"2.25.{number}{1 if timepoint == 'm06' else 0}"
            day = date(2031, 7, 10) if timepoint == "m06" else date(2031, 4, 10)
            scan = Scan(uid, code, timepoint, day, modality)
            scans.append(scan)
            records += [scan, *series_of(scan)]
        change.add(records)
    return scans


def desk_of(study, who: str):
    """Return the desk of somebody; shares the database of the study."""
    return studies.Study(
        study.folder, study.protocol, study.text, study.store, study.keys_path, who, study.now
    )


def with_phrase(study, who: str):
    """Return the desk of somebody who has the pass phrase."""
    desk = desk_of(study, who)
    set_pass_phrase(desk, PHRASE, hasher=QUICK)
    return desk


def log_of(study) -> list[tuple[str, str, str]]:
    with study.store.look() as look:
        return [(entry.who, entry.what, entry.record) for entry in look.log()]
