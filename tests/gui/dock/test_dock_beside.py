"""First readings in words on the cards of the person who settles them."""

from __future__ import annotations

import pytest

pytest.importorskip("PySide6", reason="needs the reading extra")

from imgtrack.desk.readings.settle import AnswerSet
from imgtrack.domain.form import Choice, Form, Implants, Note, Question, Step, mr
from imgtrack.domain.imaging import Modality
from imgtrack_napari.dock.beside import answer_words, beside_words
from imgtrack_napari.figures import figures_of

GAP = {"count": 2, "implied_mm": 8.8}
UNSEEN = {"not_assessable": "metal"}


def question(asks, name="asked"):
    return Question(name, "Asked", Step.TEAR, asks)


@pytest.mark.parametrize(
    ("asks", "answer", "words"),
    [
        (Choice(("yes", "no")), {"value": "yes"}, "yes"),
        (mr.WIDTH, {"mm": 12.345}, "12.3 mm"),
        (mr.WIDTH, UNSEEN, "not assessable, metal"),
        (mr.WIDTH, {"not_asked": "no defect"}, ""),
        (mr.WIDTH, None, ""),
        (mr.LANDMARKS, {"mm": {"stump": 12.0, "apex": 15.0, "rim": 30.0}}, None),
        (mr.COVERAGE, {"value": 0.625}, "0.62"),
        (mr.OCCUPATION, {"value": 0.5, "fossa_roof": "fascia"}, "0.50, fascia"),
        (mr.OCCUPATION, {"fossa_roof": "fascia"}, ""),
        (Implants(("in place",), (), migration=False), {"implants": [{}]}, "1 implant"),
        (Implants(("in place",), (), migration=False), {"implants": []}, "0 implants"),
        (Note(), {"text": "small effusion"}, "small effusion"),
    ],
)
def test_an_answer_in_a_few_words(asks, answer, words):
    expected = "stump 12.0 · apex 15.0 · rim 30.0" if words is None else words
    assert answer_words(question(asks), answer) == expected


def test_gap_slices_plane_by_plane():
    asks = mr.GapSlices((mr.Plane.CORONAL_OBLIQUE, mr.Plane.SAGITTAL_OBLIQUE))
    answer = {"coronal oblique": GAP, "sagittal oblique": UNSEEN}
    words = "coronal oblique 2 slices · 8.8 mm; sagittal oblique not assessable, metal"
    assert answer_words(question(asks), answer) == words


def test_an_imported_reading_has_numbers_and_draws_nothing():
    """As `imgtrack import-readings` keeps them: no points, no images, no millimetres of slices."""
    bare = {"points": [], "images": [], "origin": "imported"}
    questions = {
        "width": (mr.WIDTH, {"mm": 12.0, **bare}, "12.0 mm"),
        "fat": (mr.FAT_FRACTION, {"percent": 6.0}, "6.0 %"),
        "ratio": (mr.COVERAGE, {"value": 0.5}, "0.50"),
        "gap": (
            mr.GapSlices((mr.Plane.CORONAL_OBLIQUE,)),
            {"coronal oblique": {"count": 1}},
            "coronal oblique 1 slice",
        ),
    }
    asked = tuple(question(asks, name) for name, (asks, _, _) in questions.items())
    answers = {name: answer for name, (_, answer, _) in questions.items()}
    form = Form(Modality.MR, asked, ())
    assert not [each for each in figures_of(form, answers) if each.points]
    for each in asked:
        assert answer_words(each, answers[each.name]) == questions[each.name][2]


def sets(*answers):
    named = zip("AB", answers, strict=False)
    return [AnswerSet(label, {"asked": answer} if answer else {}) for label, answer in named]


def test_readings_that_differ_are_marked_and_long_words_take_a_line_each():
    asked = question(mr.WIDTH)
    assert beside_words(asked, []) == ""
    assert beside_words(asked, sets({"mm": 10.0}, {"mm": 10.04})) == "A: 10.0 mm   B: 10.0 mm"
    assert beside_words(asked, sets({"mm": 10.0}, None)) == "≠ A: 10.0 mm   B: not answered"
    assert beside_words(asked, sets(None, {"not_asked": "no defect"})) == ""
    long = beside_words(question(Note()), sets({"text": "short"}, {"text": "w" * 60}))
    assert long == f"≠ A: short\nB: {'w' * 60}"
