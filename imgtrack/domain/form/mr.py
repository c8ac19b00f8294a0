"""The form for MR: adequacy, tear, muscle, grade."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from types import MappingProxyType
from typing import TYPE_CHECKING

from imgtrack.domain.form import names
from imgtrack.domain.form.graded import (
    CONTINUOUS,
    DEFECT_KNOWN,
    MUSCLE_SEEN,
    OF_ANY_TEAR,
    OF_PARTIAL_TEARS,
    PARTLY_TORN,
    TORN,
    graded_questions,
)
from imgtrack.domain.form.questions import (
    Choice,
    Condition,
    FatFraction,
    GapSlices,
    Implants,
    Landmarks,
    Measured,
    Note,
    Part,
    PointSet,
    Question,
    Ratio,
    Result,
    Step,
)
from imgtrack.domain.protocol import Measure, Plane, ThicknessReference
from imgtrack.domain.scales import Unit, View

if TYPE_CHECKING:
    from imgtrack.domain.form.questions import Asks
    from imgtrack.domain.form.wanted import Wanted

CORONAL, SAGITTAL = (View.CORONAL_OBLIQUE,), (View.SAGITTAL_OBLIQUE,)
OBLIQUE = (*CORONAL, *SAGITTAL)
LENGTH_ALONG = ("lateral edge of the footprint", "tip of the tendon stump")

SEATS = ("in place", "proud of the bone", "out of the bone")
"""How an implant sits; our words, no published scale."""

WIDTH = Measured(("anterior edge of the tear", "posterior edge of the tear"), SAGITTAL)
RETRACTION = Measured(LENGTH_ALONG, CORONAL)
ALONG_HEAD = Measured(LENGTH_ALONG, CORONAL, open_ended=True)
THICKNESS = Measured(("articular surface", "bursal surface"), OBLIQUE)
LANDMARKS = Landmarks(
    (PointSet("footprint edge"), PointSet("apex"), PointSet("rim"), PointSet("stump")),
    (Result("stump"), Result("apex", 0.0), Result("rim", 0.0)),
    CORONAL,
)
TANGENT = Landmarks(
    (PointSet("spine"), PointSet("coracoid"), PointSet("muscle", 3)),
    (Result("height"),),
    SAGITTAL,
)
COVERAGE = Ratio(
    Part("covered", "mm", 2, may_be_zero=True), Part("footprint", "mm", 2), CORONAL, at_most=1.0
)
OCCUPATION = Ratio(
    Part("muscle", "mm2", 3),
    Part("fossa", "mm2", 3),
    SAGITTAL,
    word="fossa_roof",
    options=("fascia", "spine-coracoid line"),
)
SIGNAL = Ratio(
    Part("tendon", "mean", 3, may_be_zero=True),
    Part("reference", "mean", 3),
    OBLIQUE,
    word="reference_tissue",
    options=("deltoid", "subscapularis tendon", "other"),
)
FAT_FRACTION = FatFraction(names.SUPRASPINATUS, SAGITTAL)


def mr_questions(want: Wanted) -> list[Question]:
    """Return the questions of an MR form, those about adequacy first.

    An adequacy question is asked only where another question depends on it.
    """
    others = [
        *_tear(want),
        *_continuous_tendon(want),
        *_implants(want),
        *_muscle(want),
        *graded_questions(want, [Unit.REPAIR]),
        Question(names.NOTE, "Note", Step.GRADE, Note(), required=False),
    ]
    gates = {condition.question for question in others for condition in question.when}
    needed = [question for question in ADEQUACY if question.name in gates]
    return [*needed, *graded_questions(want, [Unit.SERIES]), *others]


def _adequacy(name: str, subject: str) -> Question:
    help_text = f"Can {subject} be judged on these images? If not, say why."
    return Question(
        name,
        f"Images serve for: {subject}",
        Step.ADEQUACY,
        Choice((names.ADEQUATE,)),
        help=help_text,
    )


ADEQUACY = (
    _adequacy(names.ADEQUACY_TENDON, "continuity of the tendon"),
    _adequacy(names.ADEQUACY_THICKNESS, "thickness of the tendon"),
    _adequacy(names.ADEQUACY_MUSCLE, "muscles at the Y view"),
    _adequacy(names.ADEQUACY_IMPLANTS, "implants"),
)
TENDON_SEEN = Condition(names.ADEQUACY_TENDON)
THICKNESS_SEEN = Condition(names.ADEQUACY_THICKNESS)
IMPLANTS_SEEN = Condition(names.ADEQUACY_IMPLANTS)
THICKNESS_KNOWN = Condition(Measure.THICKNESS.value)


def _tear(want: Wanted) -> list[Question]:
    has_partial = want.uses(*OF_PARTIAL_TEARS, *OF_ANY_TEAR)
    options = (
        (names.NO_DEFECT, names.PARTIAL_DEFECT, names.FULL_DEFECT)
        if has_partial
        else (names.NO_FULL_DEFECT, names.FULL_DEFECT)
    )
    found = [
        Question(
            names.DEFECT,
            "Defect of the tendon",
            Step.TEAR,
            Choice(options),
            when=(TENDON_SEEN,),
            help="Full thickness: fluid from the joint to the bursa, or no tendon to be seen.",
        ),
        *_measured(
            want, Measure.GAP_SLICES, GapSlices((Plane.CORONAL_OBLIQUE, Plane.SAGITTAL_OBLIQUE))
        ),
        *_measured(want, Measure.WIDTH, WIDTH),
        *_measured(want, Measure.RETRACTION, RETRACTION),
        *_measured(want, Measure.RETRACTION_ALONG_HEAD, ALONG_HEAD),
        *_measured(want, Measure.PATTE_LANDMARKS, LANDMARKS),
        *graded_questions(want, [Unit.TEAR]),
    ]
    if want.uses("ellman_depth"):
        found.append(
            Question(
                names.PARTIAL_DEPTH,
                "Depth of the partial tear",
                Step.TEAR,
                Measured(("surface of the tendon", "bottom of the tear"), OBLIQUE),
                when=(PARTLY_TORN,),
            )
        )
    return found


def _continuous_tendon(want: Wanted) -> list[Question]:
    thickness = (THICKNESS_SEEN, CONTINUOUS)
    found = _measured(want, Measure.THICKNESS, THICKNESS, when=thickness)
    is_on_scan = want.protocol.study.thickness_reference is ThicknessReference.ADJACENT_INTACT_CUFF
    if found and is_on_scan:
        found.append(
            Question(
                names.REFERENCE_THICKNESS,
                "Thickness of the adjacent intact cuff",
                Step.TEAR,
                THICKNESS,
                required=found[0].required,
                when=(*thickness, THICKNESS_KNOWN),
            )
        )
    if any("high_signal" in scale.derived_from for scale in want.scales):
        found.append(
            Question(
                names.BRIGHT_SIGNAL,
                "Any bright area within the tendon",
                Step.TEAR,
                Choice((names.YES, names.NO)),
                when=(CONTINUOUS,),
            )
        )
    found += _measured(want, Measure.FOOTPRINT_COVERAGE, COVERAGE, when=(DEFECT_KNOWN,))
    found += _measured(want, Measure.SIGNAL_RATIO, SIGNAL, when=(CONTINUOUS,))
    return found


def _implants(want: Wanted) -> list[Question]:
    asks = Implants(SEATS, want.of_unit(Unit.ANCHOR), want.protocol.reading.show_earlier_scans)
    return _measured(want, Measure.IMPLANTS, asks, when=(IMPLANTS_SEEN,))


def _muscle(want: Wanted) -> list[Question]:
    measured = [
        *_measured(want, Measure.TANGENT_LINE, TANGENT, when=(MUSCLE_SEEN,)),
        *_measured(want, Measure.OCCUPATION_RATIO, OCCUPATION, when=(MUSCLE_SEEN,)),
        *_measured(want, Measure.FAT_FRACTION, FAT_FRACTION, when=(MUSCLE_SEEN,)),
    ]
    graded = graded_questions(want, [Unit.MUSCLE])
    return [*graded, *(replace(question, step=Step.MUSCLE) for question in measured)]


TITLES = {
    Measure.GAP_SLICES: "Slices that show the gap",
    Measure.WIDTH: "Width of the tear, front to back",
    Measure.RETRACTION: "Retraction, straight",
    Measure.RETRACTION_ALONG_HEAD: "Retraction along the head",
    Measure.PATTE_LANDMARKS: "Landmarks of the retraction",
    Measure.THICKNESS: "Thickness of the repaired tendon",
    Measure.FOOTPRINT_COVERAGE: "Coverage of the footprint",
    Measure.SIGNAL_RATIO: "Signal of the tendon over a reference",
    Measure.TANGENT_LINE: "Supraspinatus and tangent line",
    Measure.OCCUPATION_RATIO: "Supraspinatus and its fossa",
    Measure.FAT_FRACTION: "Fat fraction of the supraspinatus",
    Measure.IMPLANTS: "Implants",
}

HELP: Mapping[str, str] = MappingProxyType(
    {Measure.FAT_FRACTION: "No cut-off is accepted: it is no grade. Noise lifts low values."}
)
"""What is to be known while measuring; short, as it stands below the form."""


def _measured(
    want: Wanted, measure: Measure, asks: Asks, *, when: tuple[Condition, ...] = (TORN,)
) -> list[Question]:
    """Return the question about a measurement, or nothing when the study does not want it."""
    if not want.has(measure):
        return []
    required = measure in want.required
    help_text = HELP.get(measure, "")
    return [Question(measure.value, TITLES[measure], Step.TEAR, asks, required, when, help_text)]
