"""A case whose muscles alone can be judged: outlines, tangent line and grades, by mouse and keys.

The shoulder is a phantom of known truth (synthetic_scans, which shares no code with the tool).
Areas are held against the shoelace formula over the clicked places in millimetres, as DICOM lays
them out (PS3.3 C.7.6.2.1.1), and against the phantom's own.
"""

from __future__ import annotations

import os

import numpy as np
import pytest

pytest.importorskip("napari", reason="needs the reading extra")

from gui.hands import Hands
from gui.window_desk import PHRASE, Plane, begin_again, phantom_study, scanned, window_on

from imgtrack.domain.reading import Reading

pytestmark = [
    pytest.mark.gui,
    pytest.mark.filterwarnings("ignore::DeprecationWarning"),
    pytest.mark.skipif(not os.environ.get("DISPLAY"), reason="needs a display"),
]

SAG = Plane.SAGITTAL_OBLIQUE
ASK = ("tangent line", "occupation ratio")
CORNERS = 20
"""Clicks round an outline, about what a reader makes."""


@pytest.fixture(scope="module")
def study(tmp_path_factory):
    made = phantom_study(tmp_path_factory.mktemp("muscle") / "desk", repairs=2, ask=ASK)
    yield made
    made.close()


@pytest.fixture(scope="module")
def window(study):
    made = window_on(study)
    yield made
    made.close()


@pytest.fixture
def hands(window):
    """A reader at the muscle step of a case, zoomed in at the slice nearest to the Y view."""
    window.activateWindow()
    found = Hands(window)
    found.key("N", "1", "1")  # the tendon: motion; muscles can be judged
    found.slice(SAG, y_slice())
    found.key("Space", "Z")
    middle = np.mean(true("fossa_area").points, axis=0)
    found.zoom(SAG, middle, 4)
    yield found
    begin_again(window.session)


def true(name):
    return next(each for each in scanned().truth.measurements if each.name == name)


def y_slice() -> int:
    stack = scanned().stacks[1]
    point = np.asarray(true("fossa_area").points[0])
    normal = np.cross(stack.row, stack.column)
    return int(np.argmin([abs((point - place) @ normal) for place in stack.positions]))


def corners(name) -> list:
    """Return places round a true outline."""
    points = true(name).points
    return [points[number] for number in range(0, len(points), len(points) // CORNERS)]


def shoelace(points) -> float:
    """Return the area of a polygon of patient points, in mm2, in the plane of the sagittal scan."""
    stack = scanned().stacks[1]
    x, y = np.asarray(points) @ stack.row, np.asarray(points) @ stack.column
    return 0.5 * abs(float(x @ np.roll(y, -1) - y @ np.roll(x, -1)))


def slack(points, zoom: float) -> float:
    """Return by how much an area may be off when each corner is a whole screen pixel, in mm2."""
    closed = np.asarray([*points, points[0]])
    round_it = float(np.linalg.norm(np.diff(closed, axis=0), axis=1).sum())
    return round_it * 0.5 * 2**0.5 / zoom


def test_muscles_are_judged_drawn_and_signed(hands, window, study):
    """Grades, tangent line and occupation ratio: 51 clicks and 10 keys, and signing."""
    assert window.dock.current.name == "goutallier supraspinatus"
    hands.clicks = hands.keys = 0
    hands.key("2", "1", "0")
    assert window.dock.current.name == "tangent line"
    hands.key("D")
    hands.click(SAG, scanned().truth.landmarks["y_view_spine_top"])
    hands.click(SAG, scanned().truth.landmarks["y_view_coracoid_top"])
    top = true("tangent_height").points[-1]
    for point in ordered([*corners("supraspinatus_area")[::3], top]):
        hands.click(SAG, point)
    hands.key("Enter", "Enter")
    assert window.dock.current.name == "occupation ratio"
    zoom = window.panes[SAG].canvas.zoom
    hands.key("D")
    *most, last = corners("supraspinatus_area")
    for point in most:
        hands.click(SAG, point)
    hands.double(SAG, last)
    hands.key("D")
    for point in corners("fossa_area"):
        hands.click(SAG, point)
    hands.key("Enter", "1")
    assert not hands.session.standing.missing
    assert (hands.clicks, hands.keys) == (51, 10)
    hands.sign(PHRASE)
    assert hands.session.signed is not None, hands.session.message

    with study.store.look() as look:
        answers = look.get(Reading, hands.session.case.code).answers
    assert answers["tangent line"]["mm"]["height"] == pytest.approx(
        true("tangent_height").value, abs=1.5 / zoom
    )
    ratio = answers["occupation ratio"]
    for part, name in (("muscle", "supraspinatus_area"), ("fossa", "fossa_area")):
        clicked = corners(name)
        assert len(ratio[part]["points"]) == len(clicked)
        assert ratio[part]["mm2"] == pytest.approx(shoelace(clicked), abs=slack(clicked, zoom))
        assert ratio[part]["mm2"] == pytest.approx(true(name).value, rel=0.03)
    assert ratio["value"] == pytest.approx(true("occupation_ratio").value, rel=0.03)
    assert ratio["fossa_roof"] == "fascia"
    grades = [answers[f"goutallier {name}"] for name in ("supraspinatus", "infraspinatus")]
    assert grades == [{"value": "2"}, {"value": "1"}]
    assert answers["tendon defect"]["not_assessable"] == "motion"


def ordered(points):
    """Return points in the order they stand round their middle."""
    stack = scanned().stacks[1]
    away = np.asarray(points) - np.mean(points, axis=0)
    turn = np.arctan2(away @ stack.column, away @ stack.row)
    return [points[number] for number in np.argsort(turn)]


def test_a_corner_is_dragged_and_every_number_follows(hands, window):
    hands.press("occupation ratio:muscle:draw")
    assert window.dock.current.name == "occupation ratio"  # pressing on a question frames it
    square = [grid(*place) for place in ((0, 0), (0, 8), (8, 8), (8, 0))]
    for point in square:
        hands.click(SAG, point)
    hands.key("Return")
    hands.press("occupation ratio:fossa:draw")
    for point in (grid(-6, -6), grid(-6, 14), grid(14, 14), grid(14, -6)):
        hands.click(SAG, point)
    hands.key("Return")
    zoom = window.panes[SAG].canvas.zoom
    before = hands.session.answers["occupation ratio"]
    assert before["value"] == pytest.approx(64 / 400, abs=0.01)
    hands.drag(SAG, square[2], grid(12, 12))
    after = hands.session.answers["occupation ratio"]
    moved = [*square[:2], grid(12, 12), square[3]]
    assert after["muscle"]["mm2"] == pytest.approx(shoelace(moved), abs=slack(moved, zoom))
    assert after["value"] == pytest.approx(after["muscle"]["mm2"] / after["fossa"]["mm2"])
    hands.key("Ctrl+Z")
    assert hands.session.answers["occupation ratio"] == before
    hands.press("occupation ratio:muscle:delete")
    assert set(hands.session.answers["occupation ratio"]) == {"fossa"}


def test_an_outline_that_crosses_itself_keeps_its_points_until_it_is_mended(hands, window):
    """What was clicked is not lost: two points are taken back and set elsewhere."""
    hands.press("occupation ratio:muscle:draw")
    for place in ((0, 0), (0, 10), (8, 2), (6, 10)):
        hands.click(SAG, grid(*place))
    hands.key("Return")
    assert window.dock.foot.message.text().startswith("Not kept: the outline crosses itself.")
    assert len(hands.session.hand.tool.points) == 4
    assert "occupation ratio" not in hands.session.answers
    hands.key("Ctrl+Z", "Ctrl+Z")
    assert "click: outline of the muscle" in window.dock.foot.message.text()
    for place in ((8, 10), (8, 0)):
        hands.click(SAG, grid(*place))
    hands.key("Return")
    assert hands.session.answers["occupation ratio"]["muscle"]["mm2"] == pytest.approx(80, abs=2)


def test_an_outline_stays_on_its_slice(hands, window):
    hands.press("occupation ratio:muscle:draw")
    hands.click(SAG, grid(0, 0))
    hands.wheel(SAG, -1)
    hands.click(SAG, grid(0, 8))
    assert len(hands.session.hand.tool.points) == 1
    assert "begun on another slice" in window.dock.foot.message.text()
    hands.key("V")  # back to the slice it is drawn on
    assert window.session.viewing.panes[SAG].place == y_slice()
    for place in ((0, 8), (8, 8)):
        hands.click(SAG, grid(*place))
    hands.key("Return")
    images = hands.session.answers["occupation ratio"]["muscle"]["images"]
    assert len(images) == 1


def grid(down: float, along: float):
    """Return a place near the muscle, in mm down the rows and along them."""
    stack = scanned().stacks[1]
    begin = np.mean(true("supraspinatus_area").points, axis=0)
    return begin + down * np.asarray(stack.column) + along * np.asarray(stack.row)
