"""The tendon, torn and healed: every measurement of it by mouse and keys, and every slip mended.

The shoulder is a phantom of known truth (synthetic_scans, which shares no code with the tool);
what a length or a signal should be is worked out here from its geometry and pixels.
"""

from __future__ import annotations

import os

import numpy as np
import pytest

pytest.importorskip("napari", reason="needs the reading extra")

from gui.hands import LEFT, NONE, Hands
from gui.window_desk import Plane, begin_again, middle_of_gap, phantom_study, scanned, window_on

from imgtrack.desk.readings.drafts import draft_of

pytestmark = [
    pytest.mark.gui,
    pytest.mark.filterwarnings("ignore::DeprecationWarning"),
    pytest.mark.skipif(not os.environ.get("DISPLAY"), reason="needs a display"),
]

COR, SAG = Plane.CORONAL_OBLIQUE, Plane.SAGITTAL_OBLIQUE
ASK = (
    "gap slices",
    "tear width",
    "straight retraction",
    "patte landmarks",
    "tendon thickness",
    "footprint coverage",
    "signal ratio",
)
"""Beside these the starter's protocol has the retraction along the head as optional."""

STACKS = {COR: 0, SAG: 1}
LANDMARKS = ("footprint_lateral_edge", "head_apex", "glenoid_superior_rim", "medial_stump")


@pytest.fixture(scope="module")
def study(tmp_path_factory):
    made = phantom_study(tmp_path_factory.mktemp("tear") / "desk", repairs=1, ask=ASK)
    yield made
    made.close()


@pytest.fixture(scope="module")
def window(study):
    made = window_on(study)
    yield made
    made.close()


@pytest.fixture
def hands(window):
    """A reader at a case whose images serve."""
    window.activateWindow()
    found = Hands(window)
    found.key("Z", "1", "1", "1")
    yield found
    begin_again(window.session)


@pytest.fixture
def torn(hands):
    """A reader at a torn case, at the coronal slice where the retraction is longest."""
    hands.key("2")
    hands.slice(COR, middle_of_gap()[0].index)
    return hands


def pixel(plane, number, row, column):
    """Return the place of a pixel, as DICOM lays them out (PS3.3 C.7.6.2.1.1)."""
    stack = scanned().stacks[STACKS[plane]]
    down, along = stack.pixel_spacing
    return (
        np.asarray(stack.positions[number])
        + column * along * np.asarray(stack.row)
        + row * down * np.asarray(stack.column)
    )


def to_question(hands, name):
    """Go to a question of the step by Tab."""
    for _ in hands.session.form.names:
        if hands.window.dock.current.name == name:
            return
        hands.key("Tab")
    raise AssertionError(name)


def apart(first, last) -> float:
    return float(np.linalg.norm(np.subtract(last, first)))


# -------------------------------------------------------------------- a torn tendon


def test_landmarks_give_the_stage_the_phantom_has(torn):
    truth = scanned().truth
    to_question(torn, "patte landmarks")
    torn.key("D")
    for name in LANDMARKS:
        torn.click(COR, truth.landmarks[name])
    edge, apex, rim, stump = (np.asarray(truth.landmarks[name]) for name in LANDMARKS)
    axis = (rim - edge) / np.linalg.norm(rim - edge)
    found = torn.session.answers["patte landmarks"]["mm"]
    for name, place in (("stump", stump), ("apex", apex), ("rim", rim)):
        assert found[name] == pytest.approx((place - edge) @ axis, abs=0.5)
    implied = torn.session.standing.implied["patte_stage"]
    assert implied.endswith(f"implies {truth.grade('patte')}")
    goal = rim + 6 * axis  # medial to the rim, which is stage 3
    torn.drag(COR, stump, goal)
    moved = torn.session.answers["patte landmarks"]["mm"]
    assert moved["stump"] == pytest.approx((goal - edge) @ axis, abs=0.5)
    assert moved["rim"] == found["rim"]
    assert torn.session.standing.implied["patte_stage"].endswith("implies 3")


def test_a_plane_of_the_gap_is_marked_empty_or_cannot_be_judged(torn):
    torn.key("G", "Right", "0")
    marks = torn.session.answers["gap slices"]
    counts = [marks[plane.value]["count"] for plane in (COR, SAG)]
    assert counts == [1, 0]
    torn.key("N", "N", "2")  # twice: of the plane of this pane alone
    marks = torn.session.answers["gap slices"]
    assert marks["sagittal oblique"] == {"not_assessable": "metal"}
    assert marks["coronal oblique"]["count"] == 1
    torn.wheel(COR, -3)
    torn.key("V")  # back to the marked slice
    assert torn.session.viewing.panes[COR].place == middle_of_gap()[0].index
    torn.key("Del")
    assert "gap slices" not in torn.session.answers


def test_retraction_along_the_head_follows_the_arc(torn):
    """Nine clicks on the true arc; a chord is shorter than its arc, here by under 0.2 mm."""
    arc = next(m for m in scanned().truth.measurements if m.name == "defect_retraction_arc")
    to_question(torn, "retraction along the head")
    torn.key("D")
    torn.click(COR, arc.points[0])
    torn.click(COR, arc.points[64])
    torn.key("Backspace")  # one point back
    for point in arc.points[16:-1:16]:
        torn.click(COR, point)
    torn.double(COR, arc.points[-1])
    answer = torn.session.answers["retraction along the head"]
    assert len(answer["points"]) == 9
    assert answer["mm"] == pytest.approx(arc.value, abs=0.5)


def test_covered_footprint_over_footprint_and_none_of_it(torn):
    number = middle_of_gap()[0].index
    begin, covered, end = (pixel(COR, number, 110, column) for column in (60, 70, 85))
    to_question(torn, "footprint coverage")
    torn.key("D")
    for point in (begin, covered):
        torn.click(COR, point)
    torn.key("D")
    for point in (begin, end):
        torn.click(COR, point)
    drawn = torn.session.answers["footprint coverage"]
    assert drawn["value"] == pytest.approx(apart(begin, covered) / apart(begin, end), abs=0.03)
    torn.key("0")
    none = torn.session.answers["footprint coverage"]
    assert (none["value"], none["covered"]["mm"]) == (0.0, 0.0)
    assert none["footprint"] == drawn["footprint"]
    torn.key("Ctrl+Z")
    assert torn.session.answers["footprint coverage"] == drawn


def test_edges_of_the_fluid_are_proposed_accepted_and_moved(torn):
    """Drawn a millimetre short at both ends; the true ends are found within another."""
    longest, _ = middle_of_gap()
    start, end = map(np.asarray, longest.retraction_points)
    along = (end - start) / np.linalg.norm(end - start)
    to_question(torn, "straight retraction")
    torn.key("D")
    for point in (start + along, end - along):
        torn.click(COR, point)
    drawn = torn.session.answers["straight retraction"]
    torn.key("E")
    assert torn.window.dock.foot.message.text().endswith("accept, move or reject.")
    assert torn.session.answers["straight retraction"] == drawn
    torn.press("accept")
    found = torn.session.answers["straight retraction"]
    assert found["origin"] == "suggestion accepted"
    assert found["mm"] == pytest.approx(longest.retraction_mm, abs=1.0)
    torn.key("E")
    begin = torn.session.hand.proposal.answers["straight retraction"]["points"][0]
    torn.drag(COR, begin, start + 5 * along)
    torn.key("A")
    moved = torn.session.answers["straight retraction"]
    assert moved["origin"] == "suggestion moved"
    assert moved["points"][0] == pytest.approx(list(start + 5 * along), abs=0.3)


# -------------------------------------------------------------------- a healed tendon


def test_thickness_signal_and_the_words_beside_them(hands, study):
    """The mean within an outline is that of the phantom's own pixels, to the last digit."""
    number = 8
    hands.key("1")
    hands.slice(COR, number)
    to_question(hands, "tendon thickness")
    for first, last, name in (
        ((100, 80), (112, 80), "tendon thickness"),
        ((100, 130), (109, 130), "reference thickness"),
    ):
        assert hands.window.dock.current.name == name
        ends = pixel(COR, number, *first), pixel(COR, number, *last)
        hands.key("D")
        for point in ends:
            hands.click(COR, point)
        assert hands.session.answers[name]["mm"] == pytest.approx(apart(*ends), abs=0.3)
        hands.key("Tab")
    assert hands.window.dock.current.name == "bright signal"
    hands.key("2")
    to_question(hands, "signal ratio")
    boxes = ((100, 70), (110, 82)), ((140, 60), (150, 75))
    for (top, left), (bottom, right) in boxes:
        hands.key("D")
        for row, column in ((top, left), (top, right), (bottom, right), (bottom, left)):
            hands.click(COR, pixel(COR, number, row - 0.5, column - 0.5))
        hands.key("Return")
    hands.key("1")  # the deltoid is the reference
    answer = hands.session.answers["signal ratio"]
    pixels = scanned().stacks[0].pixels[number].astype(float)
    means = []
    for part, ((top, left), (bottom, right)) in zip(("tendon", "reference"), boxes, strict=True):
        held = pixels[top:bottom, left:right]
        assert answer[part]["voxels"] == held.size
        assert answer[part]["mean"] == pytest.approx(held.mean())
        means.append(held.mean())
    assert answer["value"] == pytest.approx(means[0] / means[1])
    assert answer["reference_tissue"] == "deltoid"
    with study.store.look() as look:
        draft = draft_of(look, hands.session.case.code)
    assert draft.answers["signal ratio"]["value"] == answer["value"]


# -------------------------------------------------------------------- slips


def test_a_click_in_the_wrong_pane_is_refused_in_words_and_the_tool_stays(torn):
    to_question(torn, "straight retraction")
    torn.key("D")
    torn.click(SAG, pixel(SAG, torn.session.viewing.panes[SAG].place, 100, 100))
    foot = torn.window.dock.foot
    assert foot.message.text() == "Not placed: this is measured on: coronal oblique."
    assert torn.session.hand.tool.points == []
    longest, _ = middle_of_gap()
    torn.click(COR, longest.retraction_points[0])
    assert "tip of the tendon stump" in foot.message.text()
    torn.click(COR, longest.retraction_points[1])
    answer = torn.session.answers["straight retraction"]
    assert answer["mm"] == pytest.approx(longest.retraction_mm, abs=0.3)


def test_a_double_click_sets_one_point_of_a_line(torn):
    longest, _ = middle_of_gap()
    to_question(torn, "straight retraction")
    torn.key("D")
    torn.double(COR, longest.retraction_points[0])
    assert len(torn.session.hand.tool.points) == 1
    torn.click(COR, longest.retraction_points[1])
    answer = torn.session.answers["straight retraction"]
    assert answer["mm"] == pytest.approx(longest.retraction_mm, abs=0.3)


def test_a_click_on_a_point_moves_nothing_and_a_drag_across_slices_neither(torn):
    from qtpy.QtTest import QTest

    longest, _ = middle_of_gap()
    to_question(torn, "straight retraction")
    torn.key("D")
    for point in longest.retraction_points:
        torn.click(COR, point)
    drawn = torn.session.answers["straight retraction"]
    end = longest.retraction_points[1]
    beside = torn.at(COR, end)
    beside.setX(beside.x() + 6)  # within reach of the point, as a reader looking at its place
    torn.click_at(beside)
    assert torn.session.answers["straight retraction"] == drawn
    assert apart(torn.session.viewing.cursor, end) < 6
    handle, begin = torn.window.windowHandle(), torn.at(COR, end)
    QTest.mousePress(handle, LEFT, NONE, begin)
    torn.wheel(COR, 1)  # held fast while a point is dragged
    assert torn.session.viewing.panes[COR].place == longest.index
    torn.key("Down")
    begin.setX(begin.x() + 40)
    QTest.mouseMove(handle, begin)
    QTest.mouseRelease(handle, LEFT, NONE, begin)
    assert torn.session.answers["straight retraction"] == drawn
    assert "The point stays" in torn.session.message


def test_undo_goes_back_across_questions_and_redo_comes_again(torn):
    longest, _ = middle_of_gap()
    torn.key("G")
    to_question(torn, "straight retraction")
    torn.key("D")
    for point in longest.retraction_points:
        torn.click(COR, point)
    torn.drag(COR, longest.retraction_points[1], longest.gap_points[0])
    whole = dict(torn.session.answers)
    steps = ("straight retraction", "straight retraction", "gap slices", "tendon defect")
    for name in steps:
        before = dict(torn.session.answers)
        torn.key("Ctrl+Z")
        changed = {each for each in before if before[each] != torn.session.answers.get(each)}
        assert changed == {name}
        title = torn.session.question(name).title
        assert torn.window.dock.foot.message.text() == f"Taken back: {title}."
    torn.key("Ctrl+Y", "Ctrl+Shift+Z", "Ctrl+Y", "Ctrl+Y")
    assert torn.session.answers == whole
    to_question(torn, "straight retraction")
    torn.press("straight retraction:delete")
    assert "straight retraction" not in torn.session.answers
    torn.press("gap slices:coronal oblique:mark")  # the mark of this slice, taken away
    assert torn.session.answers["gap slices"]["coronal oblique"]["count"] == 0


def test_an_answer_that_takes_the_question_away_takes_the_tool_as_well(torn):
    longest, _ = middle_of_gap()
    torn.press("straight retraction:draw")
    torn.click(COR, longest.retraction_points[0])
    torn.press("tendon defect:no full-thickness defect")
    assert torn.session.hand.tool is None
    torn.click(COR, longest.retraction_points[1])
    assert "straight retraction" not in torn.session.answers
