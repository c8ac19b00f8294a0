"""Every kind of drawn answer, from clicks to the layout the form accepts.

Lengths and areas by hand: Pythagorean triples and rectangles on the invented images of
``tests/desk/reading_desk.py``.
"""

from __future__ import annotations

import numpy as np
import pytest
from reading_desk import desk_of

from imgtrack.desk.cases.booth import booth_of, open_booth
from imgtrack.desk.cases.loose import loose_form
from imgtrack.desk.cases.next_case import Opening
from imgtrack.desk.cases.screen import BlindCase, open_hatch
from imgtrack.domain.form import Form, Measured, Purpose, Question, Step, mr, review
from imgtrack.domain.form.questions import Implants
from imgtrack.domain.imaging import Modality
from imgtrack_napari.figures import Handle, Shape, figures_of, handle_near
from imgtrack_napari.measuring import Placed
from imgtrack_napari.session import Session

X, Y = 15.6, -11.2
SAGITTAL, CORONAL = "0.2.2", "0.1.3"
"""The sagittal image at x = 15.6 mm and the coronal one at y = -11.2 mm."""


def form():
    """Return the loose form with what it lacks: signal, implants, an angle."""
    more = (
        Question("signal ratio", "Signal", Step.TEAR, mr.SIGNAL, required=False),
        Question("implant positions", "Implants", Step.TEAR, Implants(mr.SEATS), required=False),
        Question(
            "critical shoulder angle",
            "Angle",
            Step.TEAR,
            Measured(("a", "b", "c"), (), quantity="degrees"),
            required=False,
        ),
    )
    return Form(Modality.MR, (*loose_form(Modality.MR).questions, *more), ())


@pytest.fixture
def session(study, shelf):
    """A session on one case of the invented images, kept nowhere."""
    booth = open_booth(desk_of(study, "R1"), shelf=shelf)
    first = booth.open_next()
    case = BlindCase(
        "K1",
        "s",
        Modality.MR,
        form(),
        first.series,
        {},
        {},
        False,
        "",
        None,
        _hatch=open_hatch(first.pixels, print),
    )
    found = Session(
        booth_of(
            "",
            {
                "open next": lambda: Opening(case, ()),
                "save": lambda case, answers, proposals: 1,
                "implied": lambda form, answers: (),
                "progress": lambda: (0, 1),
                "prepare": lambda after: None,
            },
            print,
        )
    )
    found.open_next()
    yield found
    found.close()
    first.close()
    booth.close()


def draw(session, name, points, part="", image=SAGITTAL):
    session.hand.start(name, part)
    for point in points:
        assert session.hand.click(Placed(tuple(map(float, point)), image)), session.message
    session.hand.end()
    assert session.hand.tool is None, session.message


def sound(session):
    """Whether the form takes everything that is answered."""
    return review(session.form, session.answers, purpose=Purpose.SIGNING).faults == ()


def rectangle(y, z, wide, high):
    return [(X, y, z), (X, y + wide, z), (X, y + wide, z + high), (X, y, z + high)]


def test_an_open_line_goes_along_all_its_points_until_enter(session):
    path = [(0, Y, 0), (3, Y, 4), (3, Y, 14), (8, Y, 26)]
    draw(session, "retraction along the head", path, image=CORONAL)
    assert session.value("retraction along the head")["mm"] == pytest.approx(5 + 10 + 13)
    assert sound(session)


def test_outlines_give_a_ratio_once_both_are_there(session):
    draw(session, "occupation ratio", rectangle(0, 0, 20, 10), "muscle")
    assert "value" not in session.value("occupation ratio")
    assert not sound(session)
    draw(session, "occupation ratio", rectangle(0, 0, 20, 16), "fossa")
    session.choose_word("occupation ratio", "fascia")
    answer = session.value("occupation ratio")
    assert answer["muscle"]["mm2"] == pytest.approx(200)
    assert answer["value"] == pytest.approx(200 / 320)
    assert sound(session)
    session.clear("occupation ratio", "muscle")
    assert "value" not in session.value("occupation ratio")


def test_the_tangent_line_tells_how_far_the_muscle_reaches_above(session):
    session.hand.start("tangent line")
    muscle = [(X, 5, 0), (X, 15, 0), (X, 15, 13), (X, 5, 13)]
    for point in [(X, 0, 10), (X, 20, 10), *muscle]:
        assert session.hand.click(Placed(tuple(map(float, point)), SAGITTAL))
    assert "Enter" in session.message
    assert session.hand.end()
    assert session.value("tangent line")["mm"]["height"] == pytest.approx(3.0)
    assert sound(session)


def test_coverage_is_a_share_of_the_footprint(session):
    draw(session, "footprint coverage", [(0, Y, 0), (3, Y, 4)], "covered", image=CORONAL)
    draw(session, "footprint coverage", [(0, Y, 0), (6, Y, 8)], "footprint", image=CORONAL)
    assert session.value("footprint coverage")["value"] == pytest.approx(0.5)
    assert sound(session)


def test_signal_is_the_mean_of_the_pixels_an_outline_holds(session):
    """Pixels of 0.5 mm: a rectangle of 4 by 2 mm around centres holds 8 x 4 of them."""
    series = session.images.series(SAGITTAL)
    values = session.images.pixels(series.alias).values
    assert np.unique(values).size == 1
    draw(session, "signal ratio", rectangle(0.25, 0.25, 4, 2), "tendon")
    draw(session, "signal ratio", rectangle(10.25, 0.25, 4, 2), "reference")
    session.choose_word("signal ratio", "deltoid")
    answer = session.value("signal ratio")
    assert answer["tendon"]["voxels"] == 32
    assert answer["tendon"]["mean"] == pytest.approx(float(values.flat[0]))
    assert answer["value"] == pytest.approx(1.0)
    assert sound(session)


def test_a_right_angle_is_90_degrees(session):
    draw(session, "critical shoulder angle", [(X, 0, 10), (X, 0, 0), (X, 10, 0)])
    assert session.value("critical shoulder angle")["degrees"] == pytest.approx(90)


def implants(session):
    return session.value("implant positions")["implants"]


def test_implants_are_numbered_and_taken_away_by_their_label(session):
    for y in (0, 5, 10):
        draw(session, "implant positions", [(X, y, 0)])
    assert [each["label"] for each in implants(session)] == list("123")
    session.clear("implant positions", "2")
    draw(session, "implant positions", [(X, 20, 0)])
    assert [each["label"] for each in implants(session)] == list("132")
    assert sound(session)
    session.hand.move(Handle("implant positions", "3", 0), Placed((X, 12.0, 1.0), SAGITTAL))
    assert implants(session)[1]["points"] == [[X, 12.0, 1.0]]


def test_head_and_tip_make_an_implant_and_both_move(session):
    """The second click is the tip and ends it; each end keeps its own slice."""
    neighbour, other = "0.2.3", X - 4.4
    session.hand.start("implant positions")
    assert session.hand.tool.asks == "click: head of the implant"
    session.hand.click(Placed((X, 0.0, 0.0), SAGITTAL))
    assert session.hand.tool.asks == "click: tip of the implant, or Enter to end it"
    session.hand.click(Placed((other, 6.0, -8.0), neighbour))
    assert session.hand.tool is None
    (implant,) = implants(session)
    assert implant["points"] == [[X, 0.0, 0.0], [other, 6.0, -8.0]]
    assert [each["uid"] for each in implant["images"]] == [SAGITTAL, neighbour]
    assert sound(session)
    (figure,) = figures_of(session.form, session.answers)
    assert (figure.shape, figure.words) == (Shape.LINE, "implant 1")
    session.hand.move(Handle("implant positions", "1", 1), Placed((other, 9.0, -12.0), neighbour))
    assert implants(session)[0]["points"] == [[X, 0.0, 0.0], [other, 9.0, -12.0]]
    session.hand.move(Handle("implant positions", "1", 0), Placed((other, 1.0, 0.0), neighbour))
    assert [each["uid"] for each in implants(session)[0]["images"]] == [neighbour]
    assert sound(session)


def test_an_implant_whose_head_is_marked_is_not_lost(session):
    """By the next implant, by another tool, by a seat; Esc alone drops it."""
    for name, expected in (("tear width", 1), ("implant positions", 2)):
        session.hand.start("implant positions")
        session.hand.click(Placed((X, 5.0 * expected, 0.0), SAGITTAL))
        session.hand.start(name)
        assert len(implants(session)) == expected
        assert session.hand.tool.question == name
    session.hand.click(Placed((X, 30.0, 0.0), SAGITTAL))
    session.hand.cancel()
    assert len(implants(session)) == 2


def test_a_tip_is_marked_later_and_again(session):
    draw(session, "implant positions", [(X, 0, 0)])
    draw(session, "implant positions", [(X, 10, 0)])
    for tip in ([X, 10.0, -9.0], [X, 10.0, -11.0]):
        session.hand.start("implant positions", "2")
        assert session.hand.tool.asks == "click: tip of the implant"
        session.hand.click(Placed(tuple(tip), SAGITTAL))
        first, second = implants(session)
        assert first["points"] == [[X, 0.0, 0.0]]
        assert second["points"] == [[X, 10.0, 0.0], tip]
    assert sound(session)


def test_landmarks_and_outlines_move_with_all_that_follows(session):
    draw(session, "occupation ratio", rectangle(0, 0, 20, 10), "muscle")
    draw(session, "occupation ratio", rectangle(0, 0, 20, 20), "fossa")
    for number, z in ((2, 20.0), (3, 20.0)):
        y = 20.0 if number == 2 else 0.0
        session.hand.move(Handle("occupation ratio", "muscle", number), Placed((X, y, z), SAGITTAL))
    assert session.value("occupation ratio")["value"] == pytest.approx(1.0)


def test_an_outline_that_crosses_itself_is_refused_in_words(session):
    session.hand.start("occupation ratio", "muscle")
    for y, z in ((0, 0), (10, 10), (10, 0), (0, 10)):
        session.hand.click(Placed((X, float(y), float(z)), SAGITTAL))
    session.hand.end()
    assert "occupation ratio" not in session.answers
    assert session.message


def test_what_is_drawn_can_be_found_again_on_its_image(session):
    draw(session, "any length", [(X, 0, 0), (X, 3, 4)])
    (figure,) = figures_of(session.form, session.answers)
    assert figure.shape is Shape.LINE
    assert figure.words == "5.0 mm"
    near = handle_near([figure], SAGITTAL, (X, 3.2, 4.1), within_mm=1.0)
    assert near == Handle("any length", "", 1)
    assert handle_near([figure], CORONAL, (X, 3.2, 4.1), within_mm=1.0) is None
    assert handle_near([figure], SAGITTAL, (X, 9.0, 9.0), within_mm=1.0) is None


def test_the_same_key_again_puts_the_tool_down(session):
    session.hand.start("any length")
    session.hand.start("any length")
    assert session.hand.tool is None
    assert "any length" not in session.answers
