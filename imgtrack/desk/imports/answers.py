"""Cells of a sheet of readings as answers to the reading form."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from imgtrack.desk.registry.sheets import plain
from imgtrack.domain.errors import Fault
from imgtrack.domain.form import (
    Choice,
    FatFraction,
    GapSlices,
    Graded,
    Measured,
    Note,
    Origin,
    Purpose,
    Ratio,
    Reason,
    is_torn,
    names,
    review,
)
from imgtrack.domain.form.graded import full_thickness_levels
from imgtrack.domain.protocol import Measure
from imgtrack.domain.sheet_columns import READINGS

if TYPE_CHECKING:
    from imgtrack.desk.registry.sheets import Row
    from imgtrack.domain.form import Form, Question
    from imgtrack.domain.scales import Scale

NOT_ASSESSABLE = "not assessable"
"""What a cell says in place of a value, alone or before a colon and the reason."""


@dataclass(frozen=True, slots=True)
class Column:
    """A column that answers a question, or one plane of it."""

    question: Question
    plane: str = ""


@dataclass(frozen=True, slots=True)
class Read:
    """The findings of one row.

    Attributes
    ----------
    answers
        Checked, completed by what follows from them.
    faults
        What cannot be used, each with row and column.
    left_out
        Filled columns that the form of this scan does not ask.
    """

    answers: Mapping[str, Any]
    faults: tuple[Fault, ...]
    left_out: tuple[str, ...]


def columns_of(form: Form) -> dict[str, Column]:
    """Return the columns of a sheet that a form can take, by their name.

    Landmarks and implants have no place in a sheet: they are nothing without their points.
    """
    found: dict[str, Column] = {}
    for question in form.questions:
        match question.asks:
            case GapSlices(planes):
                for plane in planes:
                    found[plain(f"{question.name} {plane.value}")] = Column(question, plane.value)
            case Graded() | Choice() | Measured() | Ratio() | FatFraction() | Note():
                found[plain(question.name)] = Column(question)
    return found


def read_findings(row: Row, form: Form, *, assessable: bool, scales: Mapping[str, Scale]) -> Read:
    """Return the answers that the cells of a row give.

    Parameters
    ----------
    row
        Its filled cells that are no column of `READINGS` are findings.
    form
        What a reading of the scan asks.
    assessable
        ``False`` where the row says that nothing could be read, with the column ``reason``.
    scales
        The study's scales by the name of their column. A grade that the form of this scan does
        not ask, as Sugaya's before surgery, still says whether there is a full-thickness defect.
    """
    known = columns_of(form)
    cells = {c: text for c, text in row.cells.items() if c and text and c not in READINGS}
    answers: dict[str, Any] = {} if assessable else _nothing_seen(form, row)
    for column, text in cells.items():
        if column in known:
            _put(answers, known[column], text)
    left_out = tuple(column for column in cells if column not in known)
    if form.question(names.DEFECT) and names.DEFECT not in answers:
        answers |= _defect_of(left_out, cells, form, scales)
    looked = review(form, answers, purpose=Purpose.IMPORT)
    if is_torn(looked.answers) is False and _counts_no_slice(answers):
        kept = {name: answer for name, answer in answers.items() if name != Measure.GAP_SLICES}
        looked = review(form, kept, purpose=Purpose.IMPORT)
    faults = tuple(
        _placed(fault, row, name, known)
        for name, found in looked.faults_of.items()
        for fault in found
    )
    if not answers:
        faults = (row.fault("", "this row holds no finding", "a grade or a measurement"),)
    return Read(looked.answers, faults, left_out)


def _counts_no_slice(answers: Mapping[str, Any]) -> bool:
    """Whether a row counts no slice with a gap, which says no more than that there is none."""
    planes = answers.get(Measure.GAP_SLICES, {}).values()
    return all(each.get("count") == 0 for each in planes)


def _put(answers: dict[str, Any], column: Column, text: str) -> None:
    name, value = column.question.name, _answer(column.question, text)
    if column.plane:
        answers.setdefault(name, {})[column.plane] = value
    else:
        answers[name] = value


def _answer(question: Question, text: str) -> dict[str, Any]:
    """Return the answer a cell gives; one that is of no use is left for the form to refuse."""
    if text.lower().startswith(NOT_ASSESSABLE):
        return _reason(text[len(NOT_ASSESSABLE) :].strip(" :"))
    options = {each.lower(): each for each in question.options}
    match question.asks:
        case Measured(quantity=quantity):
            answer = {quantity: _number(text), "origin": Origin.IMPORTED.value}
        case GapSlices():
            answer = {"count": _number(text)}
        case Note():
            answer = {"text": text}
        case FatFraction():
            answer = {"percent": _percent(text)}
        case _:
            answer = {"value": options.get(text.lower(), text) if options else _number(text)}
    return answer


def _number(text: str) -> float | int | str:
    try:
        value = float(text.replace(",", "."))
    except ValueError:
        return text
    return int(value) if value.is_integer() else value


def _percent(text: str) -> float | int | str:
    """Return a share in percent; without the sign it may be a fraction, and is left to refuse."""
    number, sign, rest = text.partition("%")
    return _number(number.strip()) if sign and not rest.strip() else f"{text} without the sign %"


def _reason(text: str) -> dict[str, Any]:
    if not text:
        return {"not_assessable": Reason.NOT_STATED.value}
    if text.lower() in set(Reason):
        return {"not_assessable": text.lower()}
    return {"not_assessable": Reason.OTHER.value, "note": text}


def _nothing_seen(form: Form, row: Row) -> dict[str, Any]:
    reason = _reason(row.cells.get("reason", ""))
    return {question.name: reason for question in form.questions if question.is_adequacy}


def _defect_of(
    left_out: tuple[str, ...], cells: Mapping[str, str], form: Form, scales: Mapping[str, Scale]
) -> dict[str, Any]:
    """Return the defect that a grade states which the form does not ask."""
    question = form.question(names.DEFECT)
    options = question.options if question else ()
    for column, full in _stating(left_out, scales):
        scale, text = scales[column], cells[column]
        code = next((each for each in scale.codes if each.lower() == text.lower()), None)
        if code in full:
            return {names.DEFECT: {"value": names.FULL_DEFECT}}
        if code is not None and names.NO_FULL_DEFECT in options:
            return {names.DEFECT: {"value": names.NO_FULL_DEFECT}}
    return {}


def _stating(
    columns: tuple[str, ...], scales: Mapping[str, Scale]
) -> Iterator[tuple[str, frozenset[str]]]:
    for column in columns:
        full = full_thickness_levels(scales[column]) if column in scales else None
        if full is not None:
            yield column, full


def _placed(fault: Fault, row: Row, name: str, known: Mapping[str, Column]) -> Fault:
    """Return a fault of an answer as one of the cell it came from."""
    columns = [column for column, each in known.items() if each.question.name == name]
    filled = [column for column in columns if row.cells.get(column)]
    place = row.fault(", ".join(filled) or "assessable", fault.what)
    return Fault(
        fault.what, place.where, fault.expected, fault.found or place.found, fault.next_step
    )
