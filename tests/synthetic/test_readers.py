"""Simulated readers: their errors are the stated ones and depend on nothing else."""

from __future__ import annotations

import json
from dataclasses import fields, replace

import numpy as np
import pytest

from synthetic_scans.readers.people import (
    Answers,
    Cases,
    Reader,
    default_readers,
    gap_mm,
    perfect_reader,
    read,
    read_all,
)
from synthetic_scans.readers.population import typical_cases


def cases(n: int, *, sugaya: int = 5, gap: float = 20.0, metal: float = 0.0, day: float = 0.0):
    """n scans alike."""
    torn = sugaya >= 4
    lengths = np.array([gap, gap, gap * 1.05, np.nan] if torn else [np.nan] * 3 + [5.0])
    return Cases(
        sugaya=np.full(n, sugaya),
        pattern=np.full(n, int(torn)),
        patte=np.full(n, 2 * int(torn)),
        fatty=np.tile([2, 2, 2, 2], (n, 1)),
        tangent=np.zeros(n, dtype=bool),
        occupation_ratio=np.full(n, 0.6),
        lengths=np.tile(lengths, (n, 1)),
        gap_slices=np.full((n, 2), 6 * int(torn)),
        metal=np.full(n, metal),
        day=np.full(n, day),
    )


def same(a: Answers, b: Answers) -> bool:
    return all(
        np.array_equal(getattr(a, f.name), getattr(b, f.name), equal_nan=f.name != "assessable")
        for f in fields(Answers)
    )


def test_a_perfect_reader_answers_the_truth():
    truth = typical_cases(3000, np.random.default_rng(5))
    found = read_all(perfect_reader("P"), truth, np.random.default_rng(6))
    assert found.assessable.all()
    for name in ("sugaya", "patte", "pattern", "fatty", "tangent", "gap_slices"):
        np.testing.assert_array_equal(getattr(found, name), getattr(truth, name))
    np.testing.assert_array_equal(found.lengths, truth.lengths)
    np.testing.assert_array_equal(found.occupation_ratio, truth.occupation_ratio)


def test_a_reading_depends_on_reader_case_and_round_only():
    truth = typical_cases(40, np.random.default_rng(1))
    reader = default_readers()[1]

    def one(place: int, reading_round: str = "first", seed: int = 3) -> Answers:
        row = truth.take(np.array([place]))
        return read(reader, f"case-{place}", row, seed=seed, reading_round=reading_round)

    forwards = [one(place) for place in range(40)]
    backwards = [one(place) for place in reversed(range(40))][::-1]
    assert all(same(a, b) for a, b in zip(forwards, backwards, strict=True))
    assert not all(same(one(place), one(place, "repeat")) for place in range(40))
    assert not all(same(one(place), one(place, seed=4)) for place in range(40))


def test_bias_error_and_drift_of_lengths_are_the_stated_ones():
    reader = Reader(code="R", bias_mm=1.0, error_sd_mm=2.0, drift_mm_per_year=0.5)
    n = 40_000
    for day, mean in ((0.0, 21.0), (730.5, 22.0)):
        found = read_all(reader, cases(n, day=day), np.random.default_rng(2))
        width, retraction, arc = found.lengths[:, 0], found.lengths[:, 1], found.lengths[:, 2]
        assert width.mean() == pytest.approx(mean, abs=4 * 2.0 / np.sqrt(n))
        assert width.std() == pytest.approx(2.0, rel=0.03)
        np.testing.assert_allclose(arc - retraction, 1.0)
        assert abs(np.corrcoef(width, retraction)[0, 1]) < 0.03


def test_thickness_errs_by_its_share_and_only_where_there_is_a_tendon():
    reader = Reader(code="R", error_sd_mm=2.0, thickness_share=0.25)
    healed = read_all(reader, cases(20_000, sugaya=1), np.random.default_rng(2))
    assert healed.lengths[:, 3].std() == pytest.approx(0.5, rel=0.03)
    assert np.isnan(healed.lengths[:, :3]).all()
    torn = read_all(reader, cases(10), np.random.default_rng(2))
    assert np.isnan(torn.lengths[:, 3]).all()


def test_grades_are_confused_by_the_matrix():
    reader = default_readers()[0]
    n = 50_000
    for level in (1, 2, 3, 5):
        found = read_all(reader, cases(n, sugaya=level, gap=30.0), np.random.default_rng(level))
        shares = (
            np.bincount(found.sugaya[found.assessable], minlength=6)[1:] / found.assessable.sum()
        )
        np.testing.assert_allclose(
            shares, reader.sugaya_confusion[level - 1], atol=4 * np.sqrt(0.25 / n)
        )


@pytest.mark.parametrize("gap", [1.0, 2.0, 4.0])
def test_small_gaps_are_overlooked_by_the_logistic_chance(gap):
    reader = Reader(code="R", gap_seen_half_mm=2.0, gap_seen_slope_mm=1.0)
    found = read_all(reader, cases(40_000, sugaya=4, gap=gap), np.random.default_rng(3))
    seen = 1 / (1 + np.exp(-(gap - 2.0)))
    assert np.mean(found.sugaya == 4) == pytest.approx(seen, abs=0.01)
    assert set(np.unique(found.sugaya)) == {2, 3, 4}
    overlooked = found.sugaya < 4
    assert np.isnan(found.lengths[overlooked, 0]).all()
    assert (found.gap_slices[overlooked] == 0).all()
    assert (found.patte[overlooked] == 0).all()


def test_drift_calls_one_type_worse_as_the_years_pass():
    reader = Reader(code="R", drift_grade_per_year=0.2)
    late = read_all(reader, cases(40_000, sugaya=2, day=365.25), np.random.default_rng(4))
    assert np.mean(late.sugaya == 3) == pytest.approx(0.2, abs=0.01)
    kinder = replace(reader, drift_grade_per_year=-0.2)
    late = read_all(kinder, cases(40_000, sugaya=2, day=365.25), np.random.default_rng(4))
    assert np.mean(late.sugaya == 1) == pytest.approx(0.2, abs=0.01)


@pytest.mark.parametrize(("metal", "rate"), [(0.0, 0.1), (0.5, 0.3), (1.0, 0.5)])
def test_metal_makes_scans_not_assessable(metal, rate):
    reader = Reader(code="R", unreadable_rate=0.1, unreadable_rate_metal=0.5)
    found = read_all(reader, cases(40_000, metal=metal), np.random.default_rng(4))
    assert np.mean(~found.assessable) == pytest.approx(rate, abs=0.01)
    lost = ~found.assessable
    assert (found.sugaya[lost] == -1).all()
    assert np.isnan(found.lengths[lost]).all()
    assert np.isnan(found.occupation_ratio[lost]).all()
    assert (found.gap_slices[lost] == -1).all()
    assert not found.tangent[lost].any()


def test_other_grades_are_one_level_off_at_the_stated_rate():
    reader = Reader(code="R", adjacent_error=0.3)
    found = read_all(reader, cases(40_000), np.random.default_rng(4))
    off = found.fatty - 2
    assert np.abs(off).max() == 1
    np.testing.assert_allclose(np.mean(off == 1, axis=0), 0.15, atol=0.01)
    np.testing.assert_allclose(np.mean(off == -1, axis=0), 0.15, atol=0.01)
    assert np.mean(found.pattern == 3) == pytest.approx(0.3, abs=0.01)
    assert np.mean(found.patte != 2) == pytest.approx(0.3, abs=0.01)


def test_an_invented_gap_is_measured_as_a_short_one():
    certain = Reader(code="R", sugaya_confusion=((0, 0, 0, 1, 0),) * 5, error_sd_mm=1.0)
    found = read_all(certain, cases(1000, sugaya=2), np.random.default_rng(4))
    assert (found.sugaya == 4).all()
    assert (found.lengths[:, :3] >= 1.0).all()
    assert np.median(found.lengths[:, 0]) < 3.0
    assert (found.gap_slices >= 1).all()


def test_lengths_are_never_negative():
    reader = Reader(code="R", bias_mm=-30.0)
    assert (read_all(reader, cases(5), np.random.default_rng(1)).lengths[:, :3] == 0.0).all()


def test_the_gap_is_the_smaller_of_width_and_retraction():
    truth = replace(cases(1), lengths=np.array([[9.0, 6.0, 7.0, np.nan]]))
    assert gap_mm(truth) == [6.0]
    assert gap_mm(cases(1, sugaya=1)) == [0.0]


@pytest.mark.parametrize("reader", [*default_readers(), perfect_reader("P", "adjudicator")])
def test_readers_survive_json(reader):
    assert Reader.from_json(json.loads(json.dumps(reader.to_json(), allow_nan=False))) == reader


@pytest.mark.parametrize(
    ("wrong", "said"),
    [
        ({"sugaya_confusion": ((1.0,),)}, "5 rows of 5"),
        ({"sugaya_confusion": ((0.5, 0, 0, 0, 0),) * 5}, "sum to 1"),
        ({"adjacent_error": 1.5}, "adjacent_error: expected 0 to 1, found 1.5"),
        ({"unreadable_rate": -0.1}, "unreadable_rate: expected 0 to 1"),
        ({"error_sd_mm": -1.0}, "error_sd_mm >= 0"),
        ({"gap_seen_slope_mm": 0.0}, "gap_seen_slope_mm > 0"),
    ],
)
def test_impossible_readers_are_refused(wrong, said):
    with pytest.raises(ValueError, match=said):
        Reader(code="R", **wrong)


def test_reading_many_cases_as_one_is_refused():
    with pytest.raises(ValueError, match="expected one case, found 2"):
        read(perfect_reader("P"), "x", cases(2), seed=1, reading_round="first")


def test_the_default_readers_are_two_readers_and_an_adjudicator():
    assert [reader.role for reader in default_readers()] == ["reader", "reader", "adjudicator"]
    assert len({reader.code for reader in default_readers()}) == 3
