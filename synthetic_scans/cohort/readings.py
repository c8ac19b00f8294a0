"""What the simulated readers of the demo study answer, as rows of a spreadsheet.

Truth comes from the truth files; a reader's answers depend on the seed, the reader, the scan and
the round alone. Of every scan there are two first readings, of one in ten a repeat by each, and
where the first two differ a reading by the adjudicator.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

import numpy as np

from synthetic_scans.readers.people import FULL_TEAR, LENGTHS, MUSCLES, Answers, Cases, Reader, read
from synthetic_scans.seeds import generator

READING_DAYS = 240.0
"""Days over which the readers of the demo study work through its scans."""

REPEAT_SHARE = 0.10
WASHOUT_DAYS = 42.0
DIFFERENCE_MM = 5.0

SUGAYA_NAMES = ("I", "II", "III", "IV", "V")

MEASUREMENTS = {
    "width_mm": "defect_width",
    "retraction_mm": "defect_retraction",
    "retraction_arc_mm": "defect_retraction_arc",
    "thickness_mm": "tendon_thickness",
}
"""Measurement of the truth that each read length is a reading of."""

READING_COLUMNS = (
    "subject",
    "side",
    "timepoint",
    "scanned_on",
    "reader",
    "round",
    "assessable",
    "reason",
    "sugaya",
    "retear_pattern",
    "patte",
    "gap_slices_coronal",
    "gap_slices_sagittal",
    *LENGTHS,
    "occupation_ratio",
    "tangent_sign",
    *(f"fatty_{muscle}" for muscle in MUSCLES),
)


def case_of(record: Mapping[str, Any], *, day: float = 0.0) -> Cases:
    """Return what is true of one scan, for a reader to read.

    Parameters
    ----------
    record
        The scan's truth file.
    day
        Days since the reader began, for the reader's drift.

    Returns
    -------
    Cases
        Of length 1. A gap that the criteria leave ungraded, because one of the two oblique
        series does not show it, has the type its slices in the other imply.
    """
    truth = record["truth"]
    values = {entry["name"]: entry["value"] for entry in truth["measurements"]}
    grades = {entry["scale"]: entry["value"] for entry in truth["grades"]}
    slices = _gap_slices(truth["stacks"])
    lengths = [values.get(name, np.nan) for name in MEASUREMENTS.values()]
    return Cases(
        sugaya=np.array([_sugaya(grades["sugaya_2007"], slices)]),
        pattern=np.array([grades.get("cho_pattern") or 0]),
        patte=np.array([grades.get("patte") or 0]),
        fatty=np.array([[grades[f"goutallier_{muscle}"] for muscle in MUSCLES]]),
        tangent=np.array([bool(grades["tangent_sign_positive"])]),
        occupation_ratio=np.array([values["occupation_ratio"]]),
        lengths=np.array([lengths], dtype=np.float64),
        gap_slices=np.array([slices]),
        metal=np.array([float(record["metal"])]),
        day=np.array([day]),
    )


def _gap_slices(stacks: Sequence[Mapping[str, Any]]) -> list[int]:
    """Return how many slices of the first coronal and sagittal oblique stack show the gap."""
    counts = {stack["plane"]: len(stack["shown"]) for stack in reversed(stacks)}
    return [counts.get("coronal_oblique", 0), counts.get("sagittal_oblique", 0)]


def _sugaya(grade: str | None, slices: Sequence[int]) -> int:
    if grade is not None:
        return 1 + SUGAYA_NAMES.index(grade)
    return FULL_TEAR if max(slices) <= 2 else FULL_TEAR + 1


def join_cases(cases: Sequence[Cases]) -> Cases:
    """Return several cases as one set, in their order."""
    names = Cases.__slots__
    return Cases(**{name: np.concatenate([getattr(c, name) for c in cases]) for name in names})


def reading_rows(
    scans: Sequence[tuple[Mapping[str, object], Mapping[str, Any]]],
    readers: Sequence[Reader],
    seed: int,
) -> Iterator[dict[str, object]]:
    """Yield the readings of a study.

    Parameters
    ----------
    scans
        For every scan what its rows begin with (``subject``, ``side``, ``timepoint``,
        ``scanned_on``) and its truth file.
    readers
        Two readers and an adjudicator, told by their roles.
    seed
        Of the study.
    """
    first, second, adjudicator = _by_role(readers)
    for about, record in scans:
        scan = str(record["scan"])
        rng = generator(seed, "reading day", scan)
        day, repeated = float(rng.uniform(0.0, READING_DAYS)), rng.random() < REPEAT_SHARE
        truth = case_of(record, day=day)
        answers = [
            read(reader, scan, truth, seed=seed, reading_round="first")
            for reader in (first, second)
        ]
        for reader, answer in zip((first, second), answers, strict=True):
            yield _row(about, record, reader, "first", answer)
        if repeated:
            again = case_of(record, day=day + WASHOUT_DAYS)
            for reader in (first, second):
                answer = read(reader, scan, again, seed=seed, reading_round="repeat")
                yield _row(about, record, reader, "repeat", answer)
        if differ(*answers):
            answer = read(adjudicator, scan, truth, seed=seed, reading_round="settling")
            yield _row(about, record, adjudicator, "settling", answer)


def _by_role(readers: Sequence[Reader]) -> tuple[Reader, Reader, Reader]:
    first = [reader for reader in readers if reader.role == "reader"]
    settling = [reader for reader in readers if reader.role == "adjudicator"]
    if (len(first), len(settling)) != (2, 1):
        raise ValueError(
            f"readers: expected two readers and an adjudicator, found {len(first)} and "
            f"{len(settling)}"
        )
    return first[0], first[1], settling[0]


def differ(one: Answers, other: Answers) -> bool:
    """Return whether two readings of one scan need settling.

    They do when only one is assessable, when one says torn and the other not, when the types
    are two apart, or when a length differs by more than 5 mm.
    """
    if not (one.assessable[0] and other.assessable[0]):
        return bool(one.assessable[0] != other.assessable[0])
    types = int(one.sugaya[0]), int(other.sugaya[0])
    torn = [grade >= FULL_TEAR for grade in types]
    apart = np.abs(one.lengths[0] - other.lengths[0])
    far = bool(np.any(np.nan_to_num(apart) > DIFFERENCE_MM))
    return torn[0] != torn[1] or abs(types[0] - types[1]) >= 2 or far


def _row(
    about: Mapping[str, object],
    record: Mapping[str, Any],
    reader: Reader,
    reading_round: str,
    answer: Answers,
) -> dict[str, object]:
    head = {**about, "reader": reader.code, "round": reading_round}
    if not answer.assessable[0]:
        reason = "metal" if record["metal"] else "image quality"
        return head | {"assessable": "no", "reason": reason}
    row = head | {"assessable": "yes", "sugaya": SUGAYA_NAMES[int(answer.sugaya[0]) - 1]}
    row |= {"occupation_ratio": f"{answer.occupation_ratio[0]:.2f}"}
    row |= {"tangent_sign": "positive" if answer.tangent[0] else "negative"}
    row |= {f"fatty_{m}": int(g) for m, g in zip(MUSCLES, answer.fatty[0], strict=True)}
    lengths = zip(LENGTHS, answer.lengths[0], strict=True)
    row |= {name: f"{value:.1f}" for name, value in lengths if not np.isnan(value)}
    row["gap_slices_coronal"], row["gap_slices_sagittal"] = map(int, answer.gap_slices[0])
    if answer.sugaya[0] >= FULL_TEAR:
        row["patte"] = int(answer.patte[0])
        if about["timepoint"] != "preop":
            row["retear_pattern"] = int(answer.pattern[0])
    return row
