"""Numbers against their points, for the kinds of question the starter's protocol does not ask.

Geometry by hand, as in reading_desk.py: coronal slice 3 at y = -11.2 mm, sagittal slice 2 at
x = 15.6 mm.
"""

from __future__ import annotations

from importlib import resources

import numpy as np
import pytest
from reading_desk import PITCH, image, line, plane, series_of, torn

from imgtrack.desk.cases.images import Shelved, image_map, shown
from imgtrack.desk.readings.recompute import recompute
from imgtrack.domain.form import form_for, read_answers
from imgtrack.domain.imaging import Modality, Scan
from imgtrack.domain.protocol import read_protocol

SCAN = Scan("2.25.1", "S1-R", "m06", None, Modality.MR)
ASKED = (
    '["tangent line", "occupation ratio", "footprint coverage", "signal ratio",'
    ' "implant positions"]'
)


def starter() -> str:
    text = resources.files("imgtrack.desk").joinpath("starter.toml").read_text("utf-8")
    return text.format(name="x", who="C1")


@pytest.fixture(scope="module")
def form():
    text = starter().replace('optional = ["retraction along the head"]', f"ask = {ASKED}")
    for scale in ("patte_stage", "retear_pattern", "goutallier"):
        text = text.replace(f'[[scale]]\nname = "{scale}"\n', "")
    return form_for(read_protocol(text), Modality.MR)


@pytest.fixture(scope="module")
def images():
    found = {}
    for number, record in enumerate(series_of(SCAN), 1):
        planes = tuple(plane(record, place) for place in range(len(record.images)))
        shelved = Shelved(record, planes, lambda: None)
        found |= image_map(shown(0, number, shelved), shelved)
    return found


def outline(points, **values):
    return {"points": points, "images": [image("0.2.2")], "origin": "drawn", **values}


def square(side, low=0.0):
    """An outline on sagittal slice 2."""
    high = low + side
    return [[15.6, low, low], [15.6, high, low], [15.6, high, high], [15.6, low, high]]


def good():
    """By hand: squares of 10 and 20 mm, a muscle 4 mm above the line at z = 6, 6 of 12 mm."""
    return {
        "adequacy tendon": {"value": "adequate"},
        "adequacy muscle": {"value": "adequate"},
        "adequacy implants": {"value": "adequate"},
        "tendon defect": {"value": "no full-thickness defect"},
        "sugaya": {"value": "II"},
        "bright signal": {"value": "yes"},
        "occupation ratio": {
            "muscle": outline(square(10), mm2=100.0),
            "fossa": outline(square(20), mm2=400.0),
            "fossa_roof": "fascia",
        },
        "tangent line": {
            "points": {
                "spine": [[15.6, -5, 6]],
                "coracoid": [[15.6, 25, 6]],
                "muscle": square(10),
            },
            "mm": {"height": 4.0},
            "images": [image("0.2.2")],
            "origin": "suggestion moved",
        },
        "footprint coverage": {
            "covered": line(6.0, [[-30, -11.2, 40], [-24, -11.2, 40]], "0.1.3"),
            "footprint": line(12.0, [[-30, -11.2, 40], [-18, -11.2, 40]], "0.1.3"),
        },
        "signal ratio": {
            "tendon": outline(square(3), mean=50.0, sd=4.0, voxels=30),
            "reference": outline(square(3, 20.0), mean=100.0, sd=4.0, voxels=30),
            "reference_tissue": "deltoid",
        },
        "implant positions": {
            "implants": [
                {
                    "label": "1",
                    "seat": "in place",
                    "points": [[-25, -11.2, 30]],
                    "images": [image("0.1.3")],
                    "origin": "drawn",
                }
            ]
        },
    }


def never(_image):
    pytest.fail("no number of these follows from pixels")


def told(form, images, answers):
    checked = read_answers(form, answers)
    faults = recompute(form, checked.answers, images, never)
    return [f"{fault.where}: {fault.what}" for fault in faults]


def test_what_follows_from_its_points_is_accepted(form, images):
    assert told(form, images, good()) == []


def test_coverage_of_nothing_has_no_points(form, images):
    answers = good()
    none = {"mm": 0.0, "points": [], "images": [], "origin": "drawn"}
    answers["footprint coverage"] = answers["footprint coverage"] | {"covered": none}
    assert told(form, images, answers) == []


def test_what_is_not_assessable_is_not_measured(form, images):
    answers = good() | {"occupation ratio": {"not_assessable": "coverage"}}
    assert told(form, images, answers) == []


@pytest.mark.parametrize(
    ("change", "expected"),
    [
        (("occupation ratio", "muscle", "mm2", 101.0), "Supraspinatus and its fossa, muscle"),
        (("footprint coverage", "footprint", "mm", 11.0), "Coverage of the footprint, footprint"),
        (("tangent line", "mm", "height", 5.0), "Supraspinatus and tangent line, height"),
    ],
)
def test_a_part_that_does_not_follow_is_named(form, images, change, expected):
    question, part, name, value = change
    answers = good()
    answers[question] = answers[question] | {part: answers[question][part] | {name: value}}
    assert told(form, images, answers) == [
        f"{expected}: this number does not follow from its points"
    ]


def test_an_outline_that_crosses_itself_is_told_and_not_raised(form, images):
    answers = good()
    a, b, c, _ = square(10)
    crossed = outline([a, c, b, [15.6, 0, 5]], mm2=100.0)
    answers["occupation ratio"] = answers["occupation ratio"] | {"muscle": crossed}
    (words,) = told(form, images, answers)
    assert words == "Supraspinatus and its fossa: the outline crosses itself"


def test_an_implant_beside_its_image_is_told(form, images):
    answers = good()
    (implant,) = answers["implant positions"]["implants"]
    off = implant | {"points": [[-25, -11.2 + PITCH / 2, 30]]}
    answers["implant positions"] = {"implants": [off]}
    assert told(form, images, answers) == [
        "Implants, implant 1, point 1: this point does not lie on the image it names"
    ]


def test_a_gap_is_counted_in_the_planes_that_can_be_judged(images):
    torn_form = form_for(read_protocol(starter()), Modality.MR)
    answers = torn()
    coronal = answers["gap slices"]["coronal oblique"]
    answers["gap slices"] = {
        "coronal oblique": coronal,
        "sagittal oblique": {"not_assessable": "motion"},
    }
    assert told(torn_form, images, answers) == []
    wrong = {"coronal oblique": coronal | {"implied_mm": 8.4}}
    answers["gap slices"] = answers["gap slices"] | wrong
    assert told(torn_form, images, answers) == [
        "Slices that show the gap, coronal oblique: this number does not follow from its points"
    ]


def test_slices_are_counted_in_their_order_though_a_draft_sorts_them_as_text(images):
    """Twelve slices: as text, slice 10 comes before slice 2."""
    torn_form = form_for(read_protocol(starter()), Modality.MR)
    many = {
        f"{series}.{place + 1}": images[f"{series}.1"] | {"plane": moved(images, series, place)}
        for series in ("0.1", "0.2")
        for place in range(12)
    }
    assert list(dict(sorted(many.items())))[:3] == ["0.1.1", "0.1.10", "0.1.11"]
    assert told(torn_form, dict(sorted(many.items())), torn()) == []


def moved(images, series, place):
    """The plane of a slice, so many steps after the first one of its series."""
    first, second = (np.array(images[f"{series}.{n}"]["plane"]["origin"]) for n in (1, 2))
    origin = first + place * (second - first)
    return images[f"{series}.1"]["plane"] | {"origin": origin.tolist()}


def test_a_thickness_that_no_image_states_is_the_readers(images):
    torn_form = form_for(read_protocol(starter()), Modality.MR)
    unstated = {
        alias: {**each, "plane": {**each["plane"], "thickness": None}}
        for alias, each in images.items()
    }
    answers = torn()
    for name, marks in answers["gap slices"].items():
        answers["gap slices"][name] = marks | {"thickness_mm": 3.5}
    assert told(torn_form, unstated, answers) == []
    assert len(told(torn_form, images, answers)) == 2


def test_an_image_without_a_pixel_size_holds_no_millimetres(form, images):
    flat = {alias: {**each, "plane": None, "spacing": None} for alias, each in images.items()}
    assert len(told(form, flat, good())) > 10
