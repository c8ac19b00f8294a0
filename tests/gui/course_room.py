"""A course window on a phantom that was moved in a known way between its scans."""

from __future__ import annotations

import sys
from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parent.parent / "desk"))
sys.path.insert(0, str(Path(__file__).parent.parent / "measure"))

from course_desk import CODE, SCANS, PhantomCourseShelf, course_study
from reading_desk import Clock, desk_of
from register_scans import moved_scans

from imgtrack.desk.course.visits import open_course
from imgtrack.measure.registration.align import Registration

SEED = 3
"""A right shoulder."""

MEASURED = 7
"""The coronal slice, from 0, that lengths are drawn on."""


@cache
def shoulder():
    return moved_scans(SEED, size="quick", planes=("coronal_oblique", "sagittal_oblique"))


def shelf():
    """Return the images of three scans; the second and third are the moved shoulder."""
    moved = shoulder()
    first = [pair.first for pair in moved.pairs]
    follow = [pair.follow for pair in moved.pairs]
    return PhantomCourseShelf(
        dict(zip([uid for uid, *_ in SCANS], (first, follow, follow), strict=True))
    )


def known(_pairs, _side, **_near) -> Registration:
    """Give the motion we made, in place of a search."""
    moved = shoulder()
    return Registration(moved.truth, 0.12, 0.2, 2, tuple(moved.centre.tolist()))


def opened_course(folder: Path):
    """Return study and course of the surgeon; a length is drawn on a coronal slice of each scan."""
    study = course_study(folder, Clock())
    course = open_course(desk_of(study, "S1"), CODE, shelf=shelf())
    visits = tuple(replace(each, verdict=_drawn_on(each)) for each in course.visits)
    return study, replace(course, visits=visits)


def _drawn_on(visit):
    """Return the verdict with its length moved to the middle coronal slice of the phantom."""
    plane = visit.stacks[0].shelved.planes[MEASURED]
    points = plane.to_patient([(40, 40), (40, 55)]).tolist()
    image = {"uid": visit.stacks[0].shelved.record.images[MEASURED], "frame": 1}
    answers = dict(visit.verdict.answers)
    for name in ("straight retraction", "tendon thickness"):
        if name in answers:
            answers[name] = answers[name] | {"points": points, "images": [image]}
    return replace(visit.verdict, answers=answers)


def top_of_head() -> np.ndarray:
    """Return a place of the bone in the first scan, patient LPS mm."""
    return shoulder().centre + np.array([0.0, 0.0, 20.0])
