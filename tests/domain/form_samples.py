"""Protocols, and answers to their forms: fixed ones, and a strategy for every sound set."""

from __future__ import annotations

from dataclasses import replace
from importlib import resources

from hypothesis import strategies as st

from imgtrack.domain.form import (
    Choice,
    FatFraction,
    GapSlices,
    Graded,
    Implants,
    Landmarks,
    Measured,
    Note,
    Purpose,
    Ratio,
    Reason,
    State,
    asking,
    form_for,
    names,
    review,
)
from imgtrack.domain.form.graded import full_thickness_levels
from imgtrack.domain.imaging import Modality
from imgtrack.domain.protocol import Measure, read_protocol

STARTER = (
    resources.files("imgtrack.desk")
    .joinpath("starter.toml")
    .read_text("utf-8")
    .format(name="Test study", who="C1")
)
SCALES = '[[scale]]\nname = "{}"\n'
MORE_SCALES = (
    "hayashida",
    "davidson_burkhart",
    "deorio_cofield",
    "ellman_depth",
    "ellman_side",
    "patte_extent",
    "tangent_sign",
    "occupation_ratio",
    "fuchs",
    "gfdi",
    "peri_implant_fluid",
    "image_quality",
    "hamada",
)


def protocol_with(*scales: str, form: str = "", text: str = STARTER):
    """Return the starter's protocol with further scales, and another [form] section if given."""
    if form:
        before, _, after = text.partition("[form]\n")
        _, _, rest = after.partition("[outcome]")
        text = f"{before}[form]\n{form}\n\n[outcome]{rest}"
    return read_protocol(text + "".join(SCALES.format(name) for name in scales))


PLAIN = protocol_with()
EVERYTHING = protocol_with(
    *MORE_SCALES,
    form=f"ask = {[each.value for each in Measure]}",
    text=STARTER.replace("show_earlier_scans = false", "show_earlier_scans = true"),
)
MR = form_for(PLAIN, Modality.MR)
FULL_MR = form_for(EVERYTHING, Modality.MR)
FULL_DX = form_for(EVERYTHING, Modality.DIGITAL_RADIOGRAPHY)

IMAGE = {"uid": "2.25.1", "frame": 1}


def drawn(*points, **value):
    """Return a drawn measurement on one image."""
    places = [list(point) for point in points] or [[0.0, 0.0, 0.0], [3.0, 4.0, 0.0]]
    return {**value, "points": places, "images": [IMAGE], "origin": "drawn"}


def slices(count, spacing=4.0, run=None):
    """Return marked slices of one plane, in one run unless told otherwise."""
    return {
        "images": [{"uid": f"2.25.{n}", "frame": 1} for n in range(10, 10 + count)],
        "count": count,
        "spacing_mm": spacing,
        "thickness_mm": 3.5,
        "implied_mm": spacing * (count if run is None else run),
    }


def gap(coronal, sagittal):
    return {"coronal oblique": slices(coronal), "sagittal oblique": slices(sagittal)}


ADEQUATE = {
    name: {"value": names.ADEQUATE}
    for name in (names.ADEQUACY_TENDON, names.ADEQUACY_THICKNESS, names.ADEQUACY_MUSCLE)
}
MUSCLES = {
    names.of_muscle("goutallier", muscle): {"value": grade}
    for muscle, grade in zip(names.MUSCLES[:3], "210", strict=True)
}


def intact(sugaya="II", *, thickness=5.0, reference=6.0, bright="yes"):
    """Return a complete set of answers to the starter's MR form: no full-thickness defect."""
    return {
        **ADEQUATE,
        **MUSCLES,
        "tendon defect": {"value": "no full-thickness defect"},
        "tendon thickness": drawn(mm=thickness),
        "reference thickness": drawn(mm=reference),
        "bright signal": {"value": bright},
        "sugaya": {"value": sugaya},
    }


def torn(sugaya="IV", *, coronal=2, sagittal=2, width=8.0, retraction=8.0, stump=12.0, patte="1"):
    """Return a complete set of answers to the starter's MR form: a full-thickness defect."""
    points = {
        "footprint edge": [[0.0, 0.0, 0.0]],
        "apex": [[20.0, 0.0, 0.0]],
        "rim": [[45.0, 0.0, 0.0]],
        "stump": [[stump, 0.0, 0.0]],
    }
    return {
        **ADEQUATE,
        **MUSCLES,
        "tendon defect": {"value": "full-thickness defect"},
        "gap slices": gap(coronal, sagittal),
        "tear width": drawn(mm=width),
        "straight retraction": drawn(mm=retraction),
        "patte landmarks": {
            "points": points,
            "mm": {"stump": stump, "apex": 20.0, "rim": 45.0},
            "images": [IMAGE],
            "origin": "suggestion moved",
        },
        "patte_stage": {"value": patte},
        "sugaya": {"value": sugaya},
        "retear_pattern": {"value": "2"},
    }


def unreadable(reason="metal"):
    """Return a complete set of answers to the starter's MR form: the tendon cannot be judged."""
    lost = {"not_assessable": reason}
    tendon = {names.ADEQUACY_TENDON: lost, names.ADEQUACY_THICKNESS: lost}
    return {**ADEQUATE, **MUSCLES, **tendon}


def without(answers, *questions):
    return {name: answer for name, answer in answers.items() if name not in questions}


# ---------------------------------------------------------------- every sound set of answers

millimetres = st.floats(0.1, 90.0)
coordinate = st.floats(-300, 300)
images = st.just([IMAGE])
origins = st.sampled_from(["drawn", "suggestion accepted", "suggestion moved"])
lost = st.sampled_from([each.value for each in list(Reason)[:-1]]).map(
    lambda reason: {"not_assessable": reason} | ({"note": "why"} if reason == "other" else {})
)


def points(dimensions, count):
    return st.lists(
        st.lists(coordinate, min_size=dimensions, max_size=dimensions),
        min_size=count,
        max_size=count,
    )


def part(piece, dimensions):
    extra = (
        {"sd": st.floats(0, 50), "voxels": st.integers(2, 500)} if piece.quantity == "mean" else {}
    )
    return st.fixed_dictionaries(
        {
            piece.quantity: millimetres,
            "points": points(dimensions, piece.fewest),
            "images": images,
            "origin": origins,
            **extra,
        }
    )


def implant(asks, dimensions):
    fields = {
        "label": st.just("1"),
        "seat": st.sampled_from(asks.seats),
        "points": points(dimensions, 1),
        "images": images,
        "origin": origins,
    }
    if asks.scales:
        grades = {scale.id: code(scale) | lost for scale in asks.scales}
        fields["grades"] = st.fixed_dictionaries(grades)
    if asks.migration:
        moved = {"mm": millimetres, "residual_mm": st.floats(0, 2)}
        proposed = {"origin": st.just("suggestion accepted")}
        fields["migration"] = st.fixed_dictionaries(moved, optional=proposed) | lost
    return st.fixed_dictionaries(fields)


def code(scale):
    return st.fixed_dictionaries({"value": st.sampled_from(scale.codes)})


def measured(asks, dimensions):
    return st.fixed_dictionaries(
        {
            asks.quantity: millimetres,
            "points": points(dimensions, len(asks.points)),
            "images": images,
            "origin": origins,
        }
    )


def gaps(asks, dimensions):
    marks = st.integers(1, 6).map(slices) | lost
    return st.fixed_dictionaries({plane.value: marks for plane in asks.planes})


def landmarks(asks, dimensions):
    places = {each.name: points(dimensions, each.fewest) for each in asks.sets}
    return st.fixed_dictionaries(
        {
            "points": st.fixed_dictionaries(places),
            "mm": st.fixed_dictionaries({each.name: millimetres for each in asks.results}),
            "images": images,
            "origin": origins,
        }
    )


def ratio(asks, dimensions):
    fields = {each.name: part(each, dimensions) for each in (asks.top, asks.bottom)}
    if asks.word:
        fields[asks.word] = st.sampled_from(asks.options)
    found = st.fixed_dictionaries(fields)
    return found if asks.at_most is None else found.map(lambda each: _swapped(asks, each))


def fat_fraction(_asks, dimensions):
    signal = st.fixed_dictionaries({"mean": st.floats(0, 4000), "images": images})
    return st.fixed_dictionaries(
        {
            "percent": st.floats(0, 100),
            "sd_percent": st.floats(0, 50),
            "voxels": st.integers(2, 5000),
            "mm2": millimetres,
            "points": points(dimensions, 3),
            "images": images,
            "origin": origins,
            "fat": signal,
            "water": signal,
        }
    )


VALUES = {
    Graded: lambda asks, _: code(asks.scale),
    Choice: lambda asks, _: st.fixed_dictionaries({"value": st.sampled_from(asks.options)}),
    Measured: measured,
    GapSlices: gaps,
    Landmarks: landmarks,
    Ratio: ratio,
    FatFraction: fat_fraction,
    Implants: lambda asks, dimensions: st.fixed_dictionaries(
        {"implants": st.lists(implant(asks, dimensions), max_size=1)}
    ),
    Note: lambda *_: st.fixed_dictionaries({"text": st.text("abc ").map(lambda text: text + ".")}),
}
"""The strategy for the values of each kind of question."""


def _swapped(asks, answer):
    """Put the larger part below."""
    top, bottom = answer[asks.top.name], answer[asks.bottom.name]
    if top[asks.top.quantity] > bottom[asks.bottom.quantity]:
        return {**answer, asks.top.name: bottom, asks.bottom.name: top}
    return answer


@st.composite
def answer_sets(draw, form):
    """Draw a complete and sound set of answers, question by question as a reader gives them."""
    answers = {}
    for question in form.questions:
        if asking(form, answers)[question.name].state is not State.ASKED:
            continue
        if not question.required and draw(st.booleans()):
            continue
        asks = question.asks
        full = full_thickness_levels(asks.scale) if isinstance(asks, Graded) else None
        if full is not None:
            is_torn = answers["tendon defect"]["value"] == names.FULL_DEFECT
            levels = tuple(x for x in asks.scale.levels if (x.code in full) == is_torn)
            asks = Graded(replace(asks.scale, levels=levels))
        may_be_lost = not isinstance(asks, Note) and draw(st.integers(0, 5)) == 0
        answers[question.name] = draw(
            lost if may_be_lost else VALUES[type(asks)](asks, form.dimensions)
        )
    return answers


def faults_of(answers, form=MR, purpose=Purpose.SIGNING):
    return [str(fault) for fault in review(form, answers, purpose=purpose).faults]


def only_fault(answers, form=MR, purpose=Purpose.SIGNING):
    (fault,) = faults_of(answers, form, purpose)
    return fault
