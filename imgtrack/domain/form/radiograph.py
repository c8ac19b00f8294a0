"""The form for radiographs: interval, angle, findings of the joint, implants, grade."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from imgtrack.domain.form import names
from imgtrack.domain.form.graded import graded_questions
from imgtrack.domain.form.mr import SEATS
from imgtrack.domain.form.questions import (
    Choice,
    Condition,
    Implants,
    Measured,
    Note,
    Question,
    Step,
)
from imgtrack.domain.protocol import Measure
from imgtrack.domain.scales import Unit, View

if TYPE_CHECKING:
    from imgtrack.domain.form.questions import Asks
    from imgtrack.domain.form.wanted import Wanted

FRONTAL = (View.TRUE_ANTEROPOSTERIOR,)
SEEN = (Condition(names.ADEQUACY_RADIOGRAPH),)

ADEQUACY = Question(
    names.ADEQUACY_RADIOGRAPH,
    "Image serves as a true anteroposterior radiograph",
    Step.ADEQUACY,
    Choice((names.ADEQUATE,)),
    help="Is the joint line seen without overlap, with the whole acromion? If not, say why.",
)
INTERVAL = Measured(("undersurface of the acromion", "humeral head"), FRONTAL)
ANGLE = Measured(
    ("superior pole of the glenoid", "inferior pole of the glenoid", "lateral acromion"),
    FRONTAL,
    quantity="degrees",
)
ASKED: dict[Measure, tuple[str, Asks]] = {
    Measure.ACROMIOHUMERAL_INTERVAL: ("Acromiohumeral interval", INTERVAL),
    Measure.CRITICAL_SHOULDER_ANGLE: ("Critical shoulder angle", ANGLE),
}
FINDINGS = {
    names.ACETABULISATION: "Acromion hollowed by the head",
    names.NARROWING: "Glenohumeral joint narrowed",
    names.COLLAPSE: "Humeral head collapsed",
}


def radiograph_questions(want: Wanted) -> list[Question]:
    """Return the questions of a radiograph form."""
    measured = {**ASKED, Measure.IMPLANTS: ("Implants", _implants(want))}
    found = [ADEQUACY, *graded_questions(want, [Unit.SERIES])]
    for measure, (title, asks) in measured.items():
        if want.has(measure):
            required = measure in want.required
            found.append(Question(measure.value, title, Step.JOINT, asks, required, SEEN))
    if want.uses("hamada"):
        found += [
            Question(name, title, Step.JOINT, Choice((names.YES, names.NO)), when=SEEN)
            for name, title in FINDINGS.items()
        ]
    found += [
        replace(each, step=Step.GRADE, when=(*SEEN, *each.when))
        for each in graded_questions(want, [Unit.REPAIR, Unit.TEAR, Unit.MUSCLE])
    ]
    return [*found, Question(names.NOTE, "Note", Step.GRADE, Note(), required=False)]


def _implants(want: Wanted) -> Implants:
    return Implants(SEATS, want.of_unit(Unit.ANCHOR), want.protocol.reading.show_earlier_scans)
