"""Checks between sections of a protocol: windows, people, scales, scores and subgroups."""

from __future__ import annotations

from contextlib import suppress
from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING, Any, TypeVar

from pydantic import TypeAdapter, ValidationError

from imgtrack.domain import scales
from imgtrack.domain.errors import InvalidInput
from imgtrack.domain.protocol.model import (
    FormDesign,
    Outcome,
    Person,
    ReadingDesign,
    Role,
    ScaleUse,
    ScoreRule,
    SheetColumns,
    StudyPart,
    Subgroup,
    ThicknessReference,
    Timepoint,
)
from imgtrack.domain.sheet_columns import ALL_COLUMNS, grade_columns

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from imgtrack.domain.protocol.places import Place

T = TypeVar("T")
Numbered = tuple[tuple[int, T], ...]
"""The sound items of a list section, each with its index in the file."""

LISTS: dict[str, TypeAdapter[Any]] = {
    "timepoint": TypeAdapter(Timepoint),
    "person": TypeAdapter(Person),
    "scale": TypeAdapter(ScaleUse),
    "own_scale": TypeAdapter(dict[str, Any]),
    "score": TypeAdapter(ScoreRule),
    "subgroup": TypeAdapter(Subgroup),
}
TABLES: dict[str, TypeAdapter[Any]] = {
    "study": TypeAdapter(StudyPart),
    "reading": TypeAdapter(ReadingDesign),
    "form": TypeAdapter(FormDesign),
    "outcome": TypeAdapter(Outcome),
    "sheets": TypeAdapter(SheetColumns),
}


@dataclass(frozen=True, slots=True)
class Finding:
    """A fault between sections and its place; the reader of the text adds the line."""

    place: Place
    what: str
    expected: str = ""
    found: str = ""
    next_step: str = ""


def cross_faults(data: dict[str, Any]) -> Iterator[Finding]:
    """Yield every fault between sections, looking only at what is sound in itself."""
    sound: dict[str, Any] = {
        name: _sound_items(adapter, data.get(name, [])) for name, adapter in LISTS.items()
    }
    for name, adapter in TABLES.items():
        with suppress(ValidationError, KeyError):
            sound[name] = adapter.validate_python(data[name])
    for needs, check in CHECKS:
        if all(name in sound for name in needs):
            yield from check(*(sound[name] for name in needs))


def _sound_items(adapter: TypeAdapter[T], items: Any) -> Numbered[T]:
    kept = []
    for index, item in enumerate(items if isinstance(items, list) else []):
        with suppress(ValidationError):
            kept.append((index, adapter.validate_python(item)))
    return tuple(kept)


def _study(study: StudyPart) -> Iterator[Finding]:
    fixed = study.thickness_reference is ThicknessReference.FIXED
    if fixed != (study.fixed_thickness_mm is not None):
        yield Finding(
            ("study", "thickness_reference"),
            "the thickness reference and fixed_thickness_mm do not fit together",
            'fixed_thickness_mm with thickness_reference = "fixed", and only then',
            f"{study.thickness_reference.value!r} and {study.fixed_thickness_mm}",
        )


def _timepoints(points: Numbered[Timepoint]) -> Iterator[Finding]:
    yield from _twice("timepoint", "name", points)
    for index, point in points:
        first, last = point.window
        if not first <= point.target_day <= last:
            yield Finding(
                ("timepoint", index, "window"),
                f"the window of {point.name} does not hold its target day",
                f"first day <= {point.target_day} <= last day",
                f"[{first}, {last}]",
            )
        yield from _twice_scans(index, point)
    ordered = sorted(points, key=lambda pair: pair[1].window)
    for (_, before), (index, after) in pairwise(ordered):
        if after.window[0] <= before.window[1]:
            yield Finding(
                ("timepoint", index, "window"),
                f"the windows of {before.name} and {after.name} overlap",
                f"a first day after {before.window[1]}",
                f"[{after.window[0]}, {after.window[1]}]",
                "move one of the two so that every day belongs to one timepoint at most",
            )


def _twice_scans(index: int, point: Timepoint) -> Iterator[Finding]:
    modalities = [scan.modality.value for scan in point.scan]
    for which, modality in enumerate(modalities):
        if modality in modalities[:which]:
            yield Finding(
                ("timepoint", index, "scan", which),
                f"{modality} is expected twice at {point.name}",
                "one [[timepoint.scan]] per modality, listing all its series",
            )


def _people(
    people: Numbered[Person], reading: ReadingDesign, study: StudyPart
) -> Iterator[Finding]:
    yield from _twice("person", "code", people)
    roles = [person.role for _, person in people]
    if (have := roles.count(Role.READER)) < reading.readers_per_scan:
        yield Finding(
            ("reading", "readers_per_scan"),
            "there are fewer readers than each scan needs",
            f"at least {reading.readers_per_scan} people with role = 'reader'",
            str(have),
        )
    for role, needed in (
        (Role.COORDINATOR, True),
        (Role.ADJUDICATOR, reading.settle_by == "adjudicator" and reading.readers_per_scan > 1),
    ):
        if needed and role not in roles:
            yield Finding(("person",), f"nobody is {role.value}", f"one [[person]] as {role.value}")
    if reading.settle_by == "majority" and reading.readers_per_scan % 2 == 0:
        yield Finding(
            ("reading", "settle_by"),
            "an even number of readers has no sure majority",
            "'adjudicator', or an odd readers_per_scan",
            f"'majority' of {reading.readers_per_scan}",
        )
    for index, person in people:
        if person.site and person.site not in study.sites:
            yield Finding(
                ("person", index, "site"),
                f"the site of {person.code} is not a site of the study",
                ", ".join(study.sites) or "no site, as study.sites is empty",
                person.site,
            )


def _reading(reading: ReadingDesign) -> Iterator[Finding]:
    if reading.settle_choice == "pick one reading" and not reading.settle_shows_readings:
        yield Finding(
            ("reading", "settle_choice"),
            "an adjudicator who is shown no readings cannot pick one",
            "'own answer', or settle_shows_readings = true",
            "'pick one reading'",
        )


def _form(form: FormDesign) -> Iterator[Finding]:
    listed = (*(form.ask or ()), *form.optional)
    for measure in sorted({each for each in listed if listed.count(each) > 1}):
        yield Finding(
            ("form", "optional" if measure in form.optional else "ask"),
            f"'{measure.value}' is there twice",
            "each measurement once, in 'ask' or in 'optional'",
            measure.value,
        )


def _scales(
    uses: Numbered[ScaleUse], own: Numbered[dict[str, Any]], outcome: Outcome
) -> Iterator[Finding]:
    own_scales = []
    for index, mapping in own:
        try:
            own_scales.append(scales.from_mapping(mapping, where="own_scale"))
        except InvalidInput as error:
            yield from _passed_on(error, ("own_scale", index))
    yield from _twice("scale", "name", uses)
    used: dict[str, scales.Scale | None] = {}
    for index, use in uses:
        used[use.name] = None
        try:
            used[use.name] = scales.get(use.name, use.version, own=own_scales)
        except InvalidInput as error:
            yield from _passed_on(error, ("scale", index))
    yield from _rules(used, outcome)


def _rules(used: dict[str, scales.Scale | None], outcome: Outcome) -> Iterator[Finding]:
    for key in ("retear_rule", "sensitivity_rule"):
        name = getattr(outcome, key)
        try:
            rule = scales.retear_rule(name)
        except InvalidInput as error:
            yield from _passed_on(error, ("outcome", key))
            continue
        if rule.scale not in used:
            yield Finding(
                ("outcome", key),
                f"the rule {name} needs the scale {rule.scale}, which the study does not use",
                f"a [[scale]] with name = '{rule.scale}'",
                ", ".join(sorted(used)),
            )
        elif (scale := used[rule.scale]) and {*scale.codes} != {*rule.healed, *rule.retear}:
            yield Finding(
                ("outcome", key),
                f"the rule {name} does not fit the levels of {scale.name}",
                ", ".join((*rule.healed, *rule.retear)),
                ", ".join(scale.codes),
            )


def _passed_on(error: InvalidInput, place: Place) -> Iterator[Finding]:
    for fault in error.faults:
        yield Finding(place, fault.what, fault.expected, fault.found, fault.next_step)


def _scores(rules: Numbered[ScoreRule]) -> Iterator[Finding]:
    yield from _twice("score", "name", rules)
    for index, rule in rules:
        if rule.low >= rule.high:
            yield Finding(
                ("score", index, "low"),
                f"the range of {rule.name} is empty",
                "low below high",
                f"{rule.low:g} to {rule.high:g}",
            )
        total = sum(rule.parts.values())
        if rule.parts and abs(total - rule.high) > 1e-9 * abs(rule.high):
            yield Finding(
                ("score", index, "parts"),
                f"the parts of {rule.name} do not add up to its best value",
                f"{rule.high:g}",
                f"{total:g}",
            )


def _subgroups(groups: Numbered[Subgroup]) -> Iterator[Finding]:
    yield from _twice("subgroup", "name", groups)


def _sheets(sheets: SheetColumns, uses: Numbered[ScaleUse]) -> Iterator[Finding]:
    known = ALL_COLUMNS.union(*(grade_columns(use.name) for _, use in uses))
    for name in sheets.columns:
        if name not in known:
            yield Finding(
                ("sheets", "columns", name),
                f"'{name}' is not a column imgtrack knows",
                ", ".join(sorted(known)),
                name,
                "a further column needs no mapping: it is kept under its own name",
            )


def _twice(section: str, key: str, items: Numbered[Any]) -> Iterator[Finding]:
    values = [getattr(item, key) for _, item in items]
    for position, value in enumerate(values):
        if value in values[:position]:
            place = (section, items[position][0], key)
            yield Finding(place, f"'{value}' is there twice", "a new name", value)


CHECKS: tuple[tuple[tuple[str, ...], Callable[..., Iterator[Finding]]], ...] = (
    (("study",), _study),
    (("timepoint",), _timepoints),
    (("person", "reading", "study"), _people),
    (("reading",), _reading),
    (("form",), _form),
    (("scale", "own_scale", "outcome"), _scales),
    (("score",), _scores),
    (("subgroup",), _subgroups),
    (("sheets", "scale"), _sheets),
)
