"""A repair with scans before and after surgery, read to verdicts: healed, then torn, then healed.

Pixels are a phantom's; the follow-ups were scanned with the patient moved in a known way.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from types import MappingProxyType

from reading_desk import line, opened, prepare, series_of, torn

from imgtrack.desk.cases.images import Shelved, ShownPixels
from imgtrack.domain.imaging import Modality, Scan, Stage
from imgtrack.domain.protocol import Weighting
from imgtrack.domain.reading import Verdict
from imgtrack.domain.subjects import Repair, Score, Side

CODE = "S001-R"
OPERATED = date(2031, 1, 10)
SCANS = (
    ("2.25.11", "m03", date(2031, 4, 10), "II"),
    ("2.25.12", "m06", date(2031, 7, 10), "IV"),
    ("2.25.13", "m12", date(2032, 1, 10), "III"),
)
"""UID, timepoint, day, and Sugaya type of the verdict: days 90, 181 and 365 by the calendar."""

DAYS = tuple((day - OPERATED).days for _, _, day, _ in SCANS)
MOVED_ALONG_MM = 3.0


def implant(*points):
    return {
        "label": "1",
        "points": [list(point) for point in points],
        "images": [{"uid": "x", "frame": 1}],
        "origin": "drawn",
        "seat": "in place",
    }


def answers_of(grade: str, uid: str, *, far: bool) -> dict:
    """Return answers as a verdict keeps them: with UIDs in place of aliases."""
    if grade == "IV":
        found = torn() | {
            "straight retraction": _on(uid, 13.0, [[-30, -11.2, 40], [-18, -11.2, 45]])
        }
    else:
        found = {
            "tendon defect": {"value": "no full-thickness defect"},
            "tear width": {"not_asked": "no full-thickness defect"},
            "tangent line": {"not_assessable": "coverage"},
            "tendon thickness": _on(uid, 5.0, [[-30, -11.2, 40], [-27, -11.2, 44]]),
        }
    tip, head = (-20.0, -11.2, 30.0), (-20.0, -11.2, 40.0)
    shift = MOVED_ALONG_MM if far else 0.0
    marked = implant((head[0], head[1], head[2] + shift), (tip[0], tip[1], tip[2] + shift))
    return found | {
        "sugaya": {"value": grade},
        "implant positions": {"implants": [marked]},
    }


def _on(uid: str, mm: float, points) -> dict:
    return line(mm, points, "0.1.3") | {"images": [{"uid": f"{uid}.1.3", "frame": 1}]}


def course_study(folder, clock, *, grades=True, **changes):
    """Return a study with one repair, three scans with verdicts and two scores."""
    study = opened(prepare(folder), clock, **changes)
    records: list[object] = [Repair(CODE, "S001", Side.RIGHT, OPERATED)]
    for number, (uid, timepoint, day, grade) in enumerate(SCANS):
        stage = Stage.FINAL if grades else Stage.SCAN_IN
        scan = Scan(uid, CODE, timepoint, day, Modality.MR, stage)
        records += [scan, *series_of(scan)]
        if grades:
            answers = answers_of(grade, uid, far=number == 2)
            records.append(
                Verdict(f"V{number}", uid, "agreed", answers, ("a", "b"), "rule", clock())
            )
    score = study.protocol.score[0].name
    for day, total in ((date(2031, 4, 12), 40.0), (date(2031, 7, 12), 70.0)):
        timepoint = "m03" if day.month == 4 else "m06"
        records.append(Score(CODE, score, timepoint, day, total, MappingProxyType({})))
    with study.store.change(who="C1", now=study.now) as change:
        change.add(records)
    return study


class PhantomCourseShelf:
    """A shelf on which every scan shows volumes of its own, by UID: coronal, sagittal."""

    def __init__(self, volumes):
        self.volumes = volumes

    def series(self, scan, records):
        return [
            Shelved(
                fitted(record, volume),
                volume.stack.planes,
                lambda volume=volume: ShownPixels(volume.pixels),
            )
            for record, volume in zip(records, self.volumes[scan.uid], strict=True)
        ]


def fitted(record, volume):
    """Return the record of a series as an intake would have made it of a volume."""
    count, rows, columns = volume.pixels.shape
    return replace(
        record,
        weighting=Weighting.PD_FAT_SUPPRESSED,
        rows=rows,
        columns=columns,
        slices=count,
        spacing_mm=volume.stack.pitch_mm,
        images=tuple(f"{record.uid}.{place}" for place in range(1, count + 1)),
    )
