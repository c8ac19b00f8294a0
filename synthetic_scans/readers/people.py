"""Simulated readers: people who err in known ways, reading scans whose truth is known.

A reader has a bias and a random error in millimetres, confuses grades by a stated matrix,
overlooks small gaps, drifts as the months pass and calls a scan not assessable when metal hides
it. The error model is one pure function of the truth and of given random numbers
(:func:`answer`); a single reading draws its numbers from the seed, the reader, the case and the
round alone (:func:`read`), so the order of reading changes nothing.

The sizes of the errors are this simulator's own. They are set so that two of the ready-made
readers agree on the dichotomy about as well as published readers of repaired cuffs did:
Saccomanno MF et al., Knee Surg Sports Traumatol Arthrosc 2015;23:423-42 (kappa 0.80 to 0.91).
"""

from __future__ import annotations

from dataclasses import asdict, dataclass, fields
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray
from scipy.special import expit

from synthetic_scans.seeds import generator

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

Role = Literal["reader", "adjudicator"]

LENGTHS = ("width_mm", "retraction_mm", "retraction_arc_mm", "thickness_mm")
"""Measured lengths, in the order of the columns of :attr:`Cases.lengths`."""

MUSCLES = ("supraspinatus", "infraspinatus", "subscapularis", "teres_minor")
"""Muscles graded for fat, in the order of the columns of :attr:`Cases.fatty`."""

SUGAYA_LEVELS = (1, 2, 3, 4, 5)
FULL_TEAR = 4
"""Lowest Sugaya type that is a full-thickness discontinuity."""

DAYS_PER_YEAR = 365.25
RATIO_PER_MM = 0.02
"""Error of an occupation ratio per millimetre of error of a drawn border, on a fossa whose
height is about 50 mm (this simulator's own figure)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Cases:
    """What is true of n scans.

    Attributes
    ----------
    sugaya
        Type 1 to 5, shape (n,).
    pattern
        Retear pattern of Cho: 1 no cuff left on the tuberosity, 2 remnant on the footprint,
        0 where there is no full-thickness defect; shape (n,).
    patte
        Retraction stage 1 to 3, 0 where there is no full-thickness defect; shape (n,).
    fatty
        Fatty infiltration 0 to 4 of each of `MUSCLES`, shape (n, 4).
    tangent
        Whether the tangent sign is positive, shape (n,).
    occupation_ratio
        Muscle area over fossa area, shape (n,).
    lengths
        Millimetres in the order of `LENGTHS`, NaN where undefined, shape (n, 4).
    gap_slices
        Slices showing a full-thickness gap, coronal then sagittal, shape (n, 2).
    metal
        How much of the tendon metal hides, 0 to 1, shape (n,).
    day
        Days since the reader began, shape (n,).
    """

    sugaya: Ints
    pattern: Ints
    patte: Ints
    fatty: Ints
    tangent: Bools
    occupation_ratio: Floats
    lengths: Floats
    gap_slices: Ints
    metal: Floats
    day: Floats

    def __len__(self) -> int:
        return len(self.sugaya)

    def take(self, rows: Ints) -> Cases:
        """Return the cases of these rows, in this order, repeats allowed."""
        return Cases(**{f.name: getattr(self, f.name)[rows] for f in fields(self)})


@dataclass(frozen=True, slots=True, kw_only=True)
class Answers:
    """What one reader answers on n scans; the columns of `Cases`, and whether it was readable.

    Where ``assessable`` is false grades are -1 and lengths NaN. Width, retraction, pattern and
    stage exist only where the reader's own grade is a full-thickness defect.
    """

    assessable: Bools
    sugaya: Ints
    pattern: Ints
    patte: Ints
    fatty: Ints
    tangent: Bools
    occupation_ratio: Floats
    lengths: Floats
    gap_slices: Ints


@dataclass(frozen=True, slots=True, kw_only=True)
class Reader:
    """How one reader errs.

    Attributes
    ----------
    code, role
        Who, and whether they give first readings or settle differences.
    bias_mm, error_sd_mm
        Mean and standard deviation of reading minus truth of a length, on the first day.
    thickness_share
        Both of these errors are this much of their size for the thickness of the tendon.
    sugaya_confusion
        Row t, column g: chance to call type g + 1 what is type t + 1; rows sum to 1. It holds
        for gaps that were seen, and for scans without a gap.
    adjacent_error
        Chance that any other grade (fat, stage, tangent sign, pattern) is one level off.
    gap_seen_half_mm, gap_seen_slope_mm
        A gap is seen with probability ``expit((gap - half) / slope)``, where the gap is the
        smaller of width and retraction; an overlooked one is called type 2 or 3.
    drift_mm_per_year, drift_grade_per_year
        Added to the bias, and chance to call one type worse (negative: better), per year.
    unreadable_rate, unreadable_rate_metal
        Chance of "not assessable" without metal and where metal hides all of the tendon;
        straight between the two.
    """

    code: str
    role: Role = "reader"
    bias_mm: float = 0.0
    error_sd_mm: float = 0.0
    thickness_share: float = 0.4
    sugaya_confusion: tuple[tuple[float, ...], ...] = tuple(
        tuple(float(row == column) for column in range(5)) for row in range(5)
    )
    adjacent_error: float = 0.0
    gap_seen_half_mm: float = -np.inf
    gap_seen_slope_mm: float = 1.0
    drift_mm_per_year: float = 0.0
    drift_grade_per_year: float = 0.0
    unreadable_rate: float = 0.0
    unreadable_rate_metal: float = 0.0

    def __post_init__(self) -> None:
        matrix = np.asarray(self.sugaya_confusion, dtype=float)
        if matrix.shape != (5, 5) or (matrix < 0).any() or not np.allclose(matrix.sum(axis=1), 1):
            raise ValueError(
                "sugaya_confusion: expected 5 rows of 5 chances that sum to 1, "
                f"found {self.sugaya_confusion}"
            )
        for name in ("adjacent_error", "unreadable_rate", "unreadable_rate_metal"):
            if not 0 <= getattr(self, name) <= 1:
                raise ValueError(f"{name}: expected 0 to 1, found {getattr(self, name)}")
        if self.error_sd_mm < 0 or self.gap_seen_slope_mm <= 0:
            raise ValueError(
                "expected error_sd_mm >= 0 and gap_seen_slope_mm > 0, "
                f"found {self.error_sd_mm} and {self.gap_seen_slope_mm}"
            )

    def to_json(self) -> dict[str, Any]:
        """Return the reader as JSON values; a reader who sees every gap has ``null`` there."""
        record = asdict(self)
        record["sugaya_confusion"] = [list(row) for row in self.sugaya_confusion]
        if not np.isfinite(self.gap_seen_half_mm):
            record["gap_seen_half_mm"] = None
        return record

    @classmethod
    def from_json(cls, record: dict[str, Any]) -> Reader:
        """Return the reader that :meth:`to_json` wrote."""
        values = dict(record)
        values["sugaya_confusion"] = tuple(tuple(row) for row in record["sugaya_confusion"])
        if values["gap_seen_half_mm"] is None:
            values["gap_seen_half_mm"] = -np.inf
        return cls(**values)


def perfect_reader(code: str, role: Role = "reader") -> Reader:
    """Return a reader who answers the truth on every scan."""
    return Reader(code=code, role=role)


def default_readers() -> tuple[Reader, Reader, Reader]:
    """Return two readers and an adjudicator of the demo study."""
    return (
        Reader(
            code="R1",
            bias_mm=0.3,
            error_sd_mm=1.4,
            sugaya_confusion=_neighbours(keep=(0.84, 0.80, 0.86, 0.93, 0.97), up=0.55),
            adjacent_error=0.14,
            gap_seen_half_mm=1.5,
            gap_seen_slope_mm=1.2,
            unreadable_rate=0.01,
            unreadable_rate_metal=0.35,
        ),
        Reader(
            code="R2",
            bias_mm=-0.8,
            error_sd_mm=1.9,
            sugaya_confusion=_neighbours(keep=(0.78, 0.72, 0.82, 0.91, 0.95), up=0.45),
            adjacent_error=0.22,
            gap_seen_half_mm=2.0,
            gap_seen_slope_mm=1.5,
            drift_mm_per_year=0.5,
            drift_grade_per_year=0.03,
            unreadable_rate=0.02,
            unreadable_rate_metal=0.50,
        ),
        Reader(
            code="A1",
            role="adjudicator",
            error_sd_mm=1.1,
            sugaya_confusion=_neighbours(keep=(0.92, 0.90, 0.93, 0.97, 0.99), up=0.5),
            adjacent_error=0.08,
            gap_seen_half_mm=1.0,
            gap_seen_slope_mm=0.8,
            unreadable_rate_metal=0.25,
        ),
    )


def _neighbours(*, keep: tuple[float, ...], up: float) -> tuple[tuple[float, ...], ...]:
    """Return a confusion matrix that errs to the next type only, ``up`` of it to the worse one."""
    matrix = np.diag(keep)
    for row, kept in enumerate(keep):
        worse = {0: 1.0, 4: 0.0}.get(row, up)
        if row < 4:
            matrix[row, row + 1] = (1 - kept) * worse
        if row > 0:
            matrix[row, row - 1] = (1 - kept) * (1 - worse)
    return tuple(tuple(float(value) for value in row) for row in matrix)


N_UNIFORMS = 11
N_NORMALS = len(LENGTHS) + 3


def read(reader: Reader, case: str, truth: Cases, *, seed: int, reading_round: str) -> Answers:
    """Return a reader's answers on one case.

    Parameters
    ----------
    reader
        Who reads.
    case
        Any name of the scan that is the same on every machine.
    truth
        What is true of it: `Cases` of length 1.
    seed, reading_round
        The study's seed, and which reading this is (``first``, ``repeat`` ...).

    Returns
    -------
    Answers
        Of length 1; the same whatever was read before.
    """
    if len(truth) != 1:
        raise ValueError(f"truth: expected one case, found {len(truth)}")
    rng = generator(seed, reader.code, case, reading_round)
    return answer(reader, truth, *_draws(rng, 1))


def read_all(reader: Reader, truth: Cases, rng: np.random.Generator) -> Answers:
    """Return a reader's answers on many cases at once, drawn from one generator."""
    return answer(reader, truth, *_draws(rng, len(truth)))


def _draws(rng: np.random.Generator, n: int) -> tuple[Floats, Floats]:
    return rng.random((N_UNIFORMS, n)), rng.standard_normal((N_NORMALS, n))


def answer(reader: Reader, truth: Cases, uniforms: Floats, normals: Floats) -> Answers:
    """Return the answers that given random numbers make of the truth.

    Parameters
    ----------
    reader, truth
        Who reads n scans, and what is true of them.
    uniforms, normals
        Independent draws, shapes (`N_UNIFORMS`, n) and (`N_NORMALS`, n).
    """
    draw = iter(uniforms)
    assessable = _assessable(reader, truth, next(draw))
    sugaya = _sugaya(reader, truth, next(draw), next(draw), next(draw))
    torn = sugaya >= FULL_TEAR
    lengths = _lengths(reader, truth, torn, normals[: len(LENGTHS)])
    pattern = np.where(next(draw) < reader.adjacent_error, 3, np.maximum(truth.pattern, 1))
    patte = _adjacent(np.maximum(truth.patte, 1), next(draw), reader.adjacent_error, (1, 3))
    fatty = np.stack(
        [
            _adjacent(truth.fatty[:, muscle], next(draw), reader.adjacent_error, (0, 4))
            for muscle in range(len(MUSCLES))
        ],
        axis=1,
    )
    tangent = truth.tangent ^ (next(draw) < reader.adjacent_error / 2)
    ratio = truth.occupation_ratio + RATIO_PER_MM * reader.error_sd_mm * normals[len(LENGTHS)]
    return Answers(
        assessable=assessable,
        sugaya=np.where(assessable, sugaya, -1),
        pattern=np.where(assessable, np.where(torn, pattern, 0), -1),
        patte=np.where(assessable, np.where(torn, patte, 0), -1),
        fatty=np.where(assessable[:, None], fatty, -1),
        tangent=tangent & assessable,
        occupation_ratio=np.where(assessable, np.clip(ratio, 0.0, 1.0), np.nan),
        lengths=np.where(assessable[:, None], lengths, np.nan),
        gap_slices=_gap_slices(reader, truth, torn, assessable, normals[len(LENGTHS) + 1 :]),
    )


def _assessable(reader: Reader, truth: Cases, uniform: Floats) -> Bools:
    clear, hidden = reader.unreadable_rate, reader.unreadable_rate_metal
    chance = clear + (max(hidden, clear) - clear) * truth.metal
    return np.asarray(uniform >= chance)


def gap_mm(truth: Cases) -> Floats:
    """Return the smaller of width and retraction of each gap in mm, 0 where there is none."""
    return np.nan_to_num(np.minimum(truth.lengths[:, 0], truth.lengths[:, 1]), nan=0.0)


def _sugaya(reader: Reader, truth: Cases, seen: Floats, choice: Floats, drift: Floats) -> Ints:
    """Grade by confusion; an overlooked gap is a thin (type 3) or bright (type 2) tendon."""
    rows = np.cumsum(np.asarray(reader.sugaya_confusion), axis=1)[truth.sugaya - 1]
    graded = 1 + np.minimum((choice[:, None] >= rows).sum(axis=1), 4)
    per_year = reader.drift_grade_per_year
    drifted = drift < abs(per_year) * truth.day / DAYS_PER_YEAR
    graded = np.clip(graded + drifted * int(np.sign(per_year)), 1, 5)
    chance = expit((gap_mm(truth) - reader.gap_seen_half_mm) / reader.gap_seen_slope_mm)
    overlooked = (truth.sugaya >= FULL_TEAR) & (seen >= chance)
    return np.where(overlooked, np.where(choice < 0.6, 3, 2), graded)


def _lengths(reader: Reader, truth: Cases, torn: Bools, normals: Floats) -> Floats:
    """Add bias, drift and error; a gap that is not there is drawn as short as error makes it.

    Lengths never go below zero. The straight and the along-the-head retraction come from one
    pair of clicks, so they share one error.
    """
    years = truth.day / DAYS_PER_YEAR
    shared = normals[[0, 1, 1, 3]].T * reader.error_sd_mm
    error = shared + (reader.bias_mm + reader.drift_mm_per_year * years)[:, None]
    error[:, 3] *= reader.thickness_share
    read_mm = np.maximum(np.nan_to_num(truth.lengths, nan=0.0) + error, 0.0)
    invented = torn & (truth.sugaya < FULL_TEAR)
    read_mm[invented, :3] = 1.0 + np.abs(error[invented, :3])
    read_mm[~torn, :3] = np.nan
    read_mm[:, 3] = np.where(np.isnan(truth.lengths[:, 3]), np.nan, read_mm[:, 3])
    return read_mm


def _gap_slices(
    reader: Reader, truth: Cases, torn: Bools, assessable: Bools, normals: Floats
) -> Ints:
    """Count slices with an error of about one slice per 4 mm of the reader's error in mm."""
    count = np.rint(truth.gap_slices + normals.T * reader.error_sd_mm / 4.0).astype(np.int64)
    count = np.where(torn[:, None], np.maximum(count, 1), 0)
    return np.where(assessable[:, None], count, -1)


def _adjacent(true_level: Ints, uniform: Floats, rate: float, limits: tuple[int, int]) -> Ints:
    """Move a level one up or down, each with half of the rate; beyond the ends it stays."""
    step = (uniform < rate / 2).astype(np.int64) - (uniform > 1 - rate / 2)
    moved: Ints = np.clip(true_level + step, *limits)
    return moved
