"""Correction for known or validated accuracy: identities, limits, degenerate data, coverage."""

from __future__ import annotations

import numpy as np
import pytest

from imgtrack.domain.errors import InvalidInput
from imgtrack.stats.latent import rogan_gladen
from imgtrack.stats.proportions import proportion


@pytest.mark.parametrize(
    "method", ["wilson", "clopper-pearson", "agresti-coull", "jeffreys", "midp"]
)
def test_perfect_readings_leave_the_proportion(method):
    found = rogan_gladen(15, 86, sensitivity=1, specificity=1, method=method)
    plain = proportion(15, 86, method=method)
    assert (found.estimate, found.low, found.high) == pytest.approx(
        (plain.estimate, plain.low, plain.high)
    )
    assert found.se == pytest.approx(plain.se)
    assert found.raw_rate == plain.estimate


def test_the_correction_undoes_the_error():
    """A rate of 0.2 read with sensitivity 0.9 and specificity 0.95 shows as 0.22."""
    found = rogan_gladen(220, 1000, sensitivity=0.9, specificity=0.95)
    assert found.estimate == pytest.approx(0.2)
    assert found.se == pytest.approx(np.sqrt(0.22 * 0.78 / 1000) / 0.85)
    assert found.method == "Rogan-Gladen, wilson limits"


@pytest.mark.parametrize(
    ("sensitivity", "specificity"), [(0.9, 0.8), ((45, 50), (68, 80)), (0.9, (68, 80))]
)
def test_positive_and_negative_mirror_each_other(sensitivity, specificity):
    found = rogan_gladen(40, 120, sensitivity=sensitivity, specificity=specificity)
    other = rogan_gladen(80, 120, sensitivity=specificity, specificity=sensitivity)
    assert found.estimate + other.estimate == pytest.approx(1)
    assert found.low + other.high == pytest.approx(1)
    assert found.se == pytest.approx(other.se)


def test_validation_adds_uncertainty_that_vanishes_with_its_size():
    known = rogan_gladen(40, 120, sensitivity=0.9, specificity=0.85, method="agresti-coull")
    small = rogan_gladen(40, 120, sensitivity=(45, 50), specificity=(85, 100))
    large = rogan_gladen(
        40, 120, sensitivity=(900_000, 1_000_000), specificity=(850_000, 1_000_000)
    )
    assert small.method == "Rogan-Gladen, Lang-Reiczigel limits"
    assert small.high - small.low > 1.15 * (known.high - known.low)
    assert small.se > known.se
    assert (large.low, large.high) == pytest.approx((known.low, known.high), abs=1e-4)
    assert large.estimate == pytest.approx(known.estimate)


def test_an_impossible_raw_rate_is_cut_and_shown():
    """Fewer positives than the false-positive rate alone would give."""
    found = rogan_gladen(2, 100, sensitivity=0.9, specificity=0.9)
    assert found.estimate == found.low == 0
    assert found.uncut == pytest.approx(-0.1)
    assert found.high == 0
    most = rogan_gladen(99, 100, sensitivity=0.9, specificity=0.9)
    assert most.estimate == most.high == 1
    assert most.uncut > 1


@pytest.mark.parametrize(
    ("arguments", "reason"),
    [
        ({"positive": 0, "n": 0}, "no unit observed"),
        ({"sensitivity": 0.5, "specificity": 0.5}, "no better than chance"),
        ({"sensitivity": (0, 0)}, "no validated subject"),
        ({"specificity": (0, 0)}, "no validated subject"),
        ({"sensitivity": (1, 10), "specificity": (5, 10)}, "no better than chance"),
    ],
)
def test_undefined_corrections_give_a_reason(arguments, reason):
    usual = {"positive": 3, "n": 10, "sensitivity": 0.9, "specificity": 0.9}
    found = rogan_gladen(**{**usual, **arguments})
    assert not found.defined
    assert reason in found.why_undefined
    assert np.isnan([found.estimate, found.low, found.high, found.uncut]).all()


@pytest.mark.parametrize(
    ("arguments", "wheres"),
    [
        ({"positive": 11, "level": 0}, ["positive", "level"]),
        ({"sensitivity": 1.1, "specificity": -0.1}, ["sensitivity", "specificity"]),
        ({"sensitivity": (11, 10)}, ["sensitivity[0]"]),
        ({"sensitivity": (1, 2, 3)}, ["sensitivity"]),
        ({"method": "wald"}, ["method"]),
    ],
)
def test_impossible_arguments_are_refused(arguments, wheres):
    usual = {"positive": 3, "n": 10, "sensitivity": 0.9, "specificity": 0.9}
    with pytest.raises(InvalidInput) as caught:
        rogan_gladen(**{**usual, **arguments})
    assert [fault.where for fault in caught.value.faults] == wheres


@pytest.mark.parametrize("validated", [0, 60])
def test_coverage_is_nominal(validated):
    """3000 samples: 95 % plus or minus four standard errors and the discreteness of counts."""
    rng = np.random.default_rng(validated)
    truth, sensitivity, specificity, hits = 0.25, 0.85, 0.93, 0
    for _ in range(3000):
        seen = int(rng.binomial(120, truth * sensitivity + (1 - truth) * (1 - specificity)))
        accuracy = {"sensitivity": sensitivity, "specificity": specificity}
        if validated:
            accuracy = {
                name: (int(rng.binomial(validated, share)), validated)
                for name, share in accuracy.items()
            }
        found = rogan_gladen(seen, 120, **accuracy)
        hits += found.low <= truth <= found.high
    assert 0.93 <= hits / 3000 <= 0.97
