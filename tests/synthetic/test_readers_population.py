"""Long-run agreement: against published tables, closed forms and maintained libraries."""

from __future__ import annotations

from functools import partial

import numpy as np
import pytest
from sklearn.metrics import cohen_kappa_score

from synthetic_scans.readers import population
from synthetic_scans.readers.people import Cases, Reader, default_readers, perfect_reader, read_all
from synthetic_scans.readers.population import population_agreement, typical_cases

# Gwet KL, Handbook of Inter-Rater Reliability, 4th ed. 2014: 223 diagnoses of two readers
# (numbers of the table from memory, through the data sets of its companion program).
DIAGNOSES = np.array([[40, 6, 4, 15], [4, 25, 1, 5], [4, 2, 21, 9], [17, 13, 12, 45.0]])


@pytest.mark.parametrize(
    ("table", "kappa"),
    [
        # Feinstein AR, Cicchetti DV, J Clin Epidemiol 1990;43:543-549.
        ([[40, 9], [6, 45]], 0.70),
        ([[45, 15], [25, 15]], 0.13),  # this one from memory
    ],
)
def test_kappa_of_published_tables(table, kappa):
    assert round(population.kappa(np.array(table, dtype=float)), 2) == kappa


@pytest.mark.parametrize(("power", "weights"), [(0, None), (1, "linear"), (2, "quadratic")])
def test_kappa_equals_scikit_learn(power, weights):
    first, second = np.nonzero(np.ones((4, 4)))
    expected = cohen_kappa_score(
        first, second, weights=weights, sample_weight=DIAGNOSES.astype(int).ravel()
    )
    assert population.kappa(DIAGNOSES, power=power) == pytest.approx(expected, abs=1e-12)


def test_ac1_equals_an_independent_program():
    """Gwet 2014, two abstractors, three levels; values computed by irrCAC 0.4.4."""
    table = np.array([[13, 0, 0], [0, 20, 7], [0, 4, 56.0]])
    assert population.ac1(table) == pytest.approx(0.849330548, abs=1e-5)
    assert population.kappa(table) == pytest.approx(0.796409402, abs=1e-5)
    assert population.agreement(table) == pytest.approx(0.89)


def test_ac1_stays_high_where_one_level_rules():
    """118, 5, 2 and 0 of 125: kappa near 0, AC1 0.94 (Gwet 2002; from memory)."""
    table = np.array([[118, 5], [2, 0.0]])
    assert round(population.ac1(table), 2) == 0.94
    assert abs(population.kappa(table)) < 0.03


def test_icc_of_the_published_example():
    """Shrout PE, Fleiss JL, Psychol Bull 1979;86:420-428, table 4: ICC(2,1) .29, ICC(3,1) .71."""
    judged = np.array(
        [[9, 2, 5, 8], [6, 1, 3, 2], [8, 4, 6, 8], [7, 1, 2, 6], [10, 5, 6, 9], [6, 2, 4, 7.0]]
    )
    assert round(population.icc_agreement(judged), 2) == 0.29
    assert round(population.icc_consistency(judged), 2) == 0.71


def test_coefficients_without_variation_are_not_numbers():
    assert np.isnan(population.kappa(np.diag([5.0, 0.0])))
    assert np.isnan(population.icc_agreement(np.ones((1, 2))))


def test_perfect_readers_agree_perfectly():
    found = population_agreement(
        perfect_reader("A"), perfect_reader("B"), typical_cases, seed=1, n=20_000
    )
    for value in (found.kappa, found.ac1, found.retear_kappa, found.both_assessable):
        assert value.value == pytest.approx(1.0)
        assert value.se == pytest.approx(0.0, abs=1e-12)
    assert found.icc_agreement["width_mm"].value == pytest.approx(1.0)


def alike(shares: tuple[float, ...], n: int, rng: np.random.Generator) -> Cases:
    """Scans of given shares of types without metal, whose every gap is far too big to overlook."""
    drawn = typical_cases(n, rng)
    sugaya = 1 + rng.choice(5, size=n, p=shares)
    lengths = np.full((n, 4), np.nan)
    lengths[:, :3] = np.where(sugaya >= 4, 500.0, np.nan)[:, None]
    lengths[:, 3] = rng.normal(50.0, 3.0, n)
    columns = {name: getattr(drawn, name) for name in Cases.__slots__}
    columns |= {"sugaya": sugaya, "lengths": lengths, "metal": np.zeros(n), "day": np.zeros(n)}
    return Cases(**columns)


def test_long_run_values_meet_their_closed_forms():
    """Given the truth the readers err independently, so the joint table is sum_t p_t A_t' B_t."""
    shares = (0.3, 0.3, 0.1, 0.1, 0.2)
    first, second, _ = default_readers()
    found = population_agreement(first, second, partial(alike, shares), seed=11, n=200_000)
    joint = np.einsum(
        "t,ti,tj->ij", shares, np.array(first.sugaya_confusion), np.array(second.sugaya_confusion)
    )
    torn = [slice(0, 3), slice(3, 5)]
    halves = np.array([[joint[a, b].sum() for b in torn] for a in torn])
    for value, expected in (
        (found.agreement, population.agreement(joint)),
        (found.kappa, population.kappa(joint)),
        (found.kappa_linear, population.kappa(joint, power=1)),
        (found.kappa_quadratic, population.kappa(joint, power=2)),
        (found.ac1, population.ac1(joint)),
        (found.retear_kappa, population.kappa(halves)),
        (found.retear_ac1, population.ac1(halves)),
    ):
        assert 0 < value.se < 0.005
        assert abs(value.value - expected) < 4 * value.se
    assert found.both_assessable.value == pytest.approx(0.99 * 0.98, abs=0.002)


def test_long_run_icc_meets_its_closed_form():
    """ICC(A,1) tends to v / (v + s_b^2 + s_e^2) for subjects' variance v, two biases, errors."""
    first = Reader(code="A", bias_mm=1.0, error_sd_mm=1.5, thickness_share=1.0)
    second = Reader(code="B", bias_mm=-0.5, error_sd_mm=2.5, thickness_share=1.0)
    shares = (0.5, 0.5, 0.0, 0.0, 0.0)
    found = population_agreement(first, second, partial(alike, shares), seed=12, n=200_000)
    subject, error = 3.0**2, (1.5**2 + 2.5**2) / 2
    between = 1.5**2 / 2
    agreement, consistency = (
        found.icc_agreement["thickness_mm"],
        found.icc_consistency["thickness_mm"],
    )
    assert abs(agreement.value - subject / (subject + between + error)) < 4 * agreement.se
    assert abs(consistency.value - subject / (subject + error)) < 4 * consistency.se
    assert np.isnan(found.icc_agreement["width_mm"].value)


def test_default_readers_agree_about_as_published_readers_do():
    """Saccomanno MF et al., 2015: kappa of the dichotomised Sugaya scale 0.80 to 0.91."""
    first, second, _ = default_readers()
    found = population_agreement(first, second, typical_cases, seed=13, n=80_000)
    assert 0.78 < found.retear_kappa.value < 0.91
    assert found.kappa.value < found.retear_kappa.value


def test_an_interval_of_many_small_studies_covers_the_long_run_value():
    """A 95 % interval of the exactly known share of agreement covers 95 % of studies of 60."""
    first, second, _ = default_readers()
    whole = population_agreement(first, second, typical_cases, seed=14, n=80_000)
    rng = np.random.default_rng(15)
    covered = []
    for _ in range(400):
        cases = typical_cases(60, rng)
        a, b = read_all(first, cases, rng).sugaya, read_all(second, cases, rng).sugaya
        both = (a > 0) & (b > 0)
        share, n = np.mean(a[both] == b[both]), both.sum()
        centre = (share * n + 1.92) / (n + 3.84)  # Wilson EB, JASA 1927;22:209-212
        half = 1.96 * np.sqrt(share * (1 - share) * n + 0.96) / (n + 3.84)
        covered.append(abs(whole.agreement.value - centre) <= half)
    assert 0.92 <= np.mean(covered) <= 0.98


def test_too_small_a_simulation_is_refused():
    with pytest.raises(ValueError, match="expected at least 2000, found 100"):
        population_agreement(*default_readers()[:2], typical_cases, seed=1, n=100)
