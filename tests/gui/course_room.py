"""A course window on a phantom that was moved in a known way between its scans."""

from __future__ import annotations

import sys
import time
from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parent.parent / "desk"))
sys.path.insert(0, str(Path(__file__).parent.parent / "measure"))

from course_desk import CODE, SCANS, PhantomCourseShelf, course_study
from reading_desk import Clock, desk_of
from register_scans import moved_scans

from imgtrack.desk.cases.images import shown
from imgtrack.desk.course.visits import Stack, open_course
from imgtrack.domain.errors import Fault, Refused
from imgtrack.domain.protocol import Weighting
from imgtrack.measure.registration.align import Registration

SEED = 3
"""A right shoulder."""

MEASURED = 7
"""The coronal slice, from 0, that lengths are drawn on."""

FAILED = "laying the scans on each other failed: the humeral heads do not meet"


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


def known(_pairs, _side, **_how) -> Registration:
    """Give the motion we made, in place of a search."""
    moved = shoulder()
    return Registration(moved.truth, 0.12, 0.2, 2, tuple(moved.centre.tolist()), 0.15)


class KnownOnce:
    """Gives the motion we made for the first scan it is asked for, and fails after that."""

    def __init__(self):
        self.asked = 0

    def __call__(self, *pairs, **how):
        self.asked += 1
        if self.asked > 1:
            raise Refused(Fault(FAILED))
        return known(*pairs, **how)


def opened_course(folder: Path):
    """Return study and course of the surgeon.

    A length is drawn on a coronal slice of each scan; the first and third have a sagittal T1
    series, the second has not.
    """
    study = course_study(folder, Clock())
    course = open_course(desk_of(study, "S1"), CODE, shelf=shelf())
    visits = [replace(each, verdict=_drawn_on(each)) for each in course.visits]
    for place in (0, 2):
        visits[place] = with_t1(visits[place])
    return study, replace(course, visits=tuple(visits))


def without_images(course, place: int):
    """Return the course with a visit whose images cannot be read."""
    visits = list(course.visits)
    trouble = "the images of this scan cannot be read; the log says why"
    visits[place] = replace(visits[place], stacks=(), trouble=trouble)
    return replace(course, visits=tuple(visits))


def with_t1(visit):
    """Return a visit with one more sagittal series, T1: its greys are those before, reversed."""
    sagittal = visit.stacks[1].shelved
    record = replace(
        sagittal.record,
        weighting=Weighting.T1,
        images=tuple(f"{uid}.77" for uid in sagittal.record.images),
    )

    def load():
        pixels = sagittal.load()
        return replace(pixels, values=pixels.values.max() - pixels.values)

    shelved = replace(sagittal, record=record, load=load)
    return replace(visit, stacks=(*visit.stacks, Stack(shown(0, 3, shelved), shelved)))


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


def until(app, done, seconds=30.0):
    """Let the window work until something is so."""
    end = time.monotonic() + seconds
    while not done():
        app.processEvents()
        assert time.monotonic() < end, "waited too long"
        time.sleep(0.01)
