"""Simulated coverage of the 95 % limits for survival at a time, and of the corrected retear rate.

Run ``python tests/bench/coverage_intervals.py [samples]``; the default 1000 take hours. Every cell
is a share of samples whose limits contain the truth; with 1000 samples its Monte Carlo standard
error is 0.7 points at 95 %.
Times to retear: a share never tears, the rest tear exponentially, as the figures of one large
series suggest (most retears within six months). Visits at 6 weeks, 3, 6 and 12 months, each
attended with probability 0.85, on the day itself ("fixed") or anywhere in its window ("windows").
"""

from __future__ import annotations

import sys
from itertools import product

import numpy as np

from imgtrack.stats.intervals import confidence_band
from imgtrack.stats.latent import latent_truth, rogan_gladen

VISITS = np.array([42.0, 91.0, 182.0, 365.0])
WINDOWS = np.array([7.0, 14.0, 28.0, 56.0])
MEAN_DAYS = 100.0
TIMES = np.array([91.0, 182.0, 365.0])


def survival(times: np.ndarray, torn: float) -> np.ndarray:
    """P(T > t) in the simulated population."""
    return 1 - torn * (1 - np.exp(-times / MEAN_DAYS))


def sample(rng: np.random.Generator, n: int, torn: float, days: str) -> tuple[np.ndarray, ...]:
    """(left, right] of n repairs."""
    event = np.where(rng.random(n) < torn, rng.exponential(MEAN_DAYS, n), np.inf)
    spread = WINDOWS if days == "windows" else 0.0
    visits = VISITS + spread * rng.uniform(-1, 1, (n, VISITS.size))
    visits = np.where(rng.random(visits.shape) < 0.85, visits, np.nan)
    before, after = visits < event[:, None], visits >= event[:, None]
    left = np.max(np.where(before, visits, 0.0), axis=1)
    return left, np.min(np.where(after, visits, np.inf), axis=1)


def survival_coverage(n: int, torn: float, days: str, method: str, samples: int) -> np.ndarray:
    """Share of samples whose limits contain the truth, at each of TIMES, and mean widths."""
    rng = np.random.default_rng((n, round(100 * torn), len(days)))
    truth = survival(TIMES, torn)
    hits, widths = np.zeros(TIMES.size), np.zeros(TIMES.size)
    for _ in range(samples):
        left, right = sample(rng, n, torn, days)
        band = confidence_band(left, right, TIMES, method=method, rng=rng, replicates=200)
        hits += (band.low <= truth + 1e-6) & (truth - 1e-6 <= band.high)
        # A bootstrap without spread has no limits: a miss, of width zero.
        widths += np.nan_to_num(band.high - band.low)
    return np.stack((hits, widths)) / samples


def readings(
    rng: np.random.Generator, truth: np.ndarray, accuracies: tuple[tuple[float, float], ...]
) -> np.ndarray:
    """Binary readings of true states by readers with given sensitivity and specificity."""
    chance = np.array([np.where(truth, right, 1 - wrong) for right, wrong in accuracies]).T
    return (rng.random(chance.shape) < chance).astype(int)


def latent_coverage(n: int, rate: float, interval: str, samples: int) -> tuple[float, ...]:
    """Coverage, mean width and share refused of the latent class rate from three readers."""
    rng = np.random.default_rng((n, round(100 * rate), 7))
    hits, widths, refused = 0, [], 0
    for _ in range(samples):
        seen = readings(rng, rng.random(n) < rate, ((0.85, 0.95), (0.8, 0.9), (0.9, 0.92)))
        found = latent_truth(
            seen, categories=(0, 1), positive=(1,), interval=interval, rng=rng, replicates=300
        ).rate
        refused += not found.defined
        hits += found.defined and found.low <= rate <= found.high
        widths.append(found.high - found.low)
    return hits / max(samples - refused, 1), float(np.nanmean(widths)), refused / samples


def corrected_coverage(n: int, rate: float, validated: int, samples: int) -> tuple[float, float]:
    """Coverage and mean width of the Rogan-Gladen rate; accuracy known when nobody is validated."""
    rng = np.random.default_rng((n, round(100 * rate), validated, 11))
    sensitivity, specificity, hits, widths = 0.85, 0.93, 0, []
    for _ in range(samples):
        seen = int(rng.binomial(n, rate * sensitivity + (1 - rate) * (1 - specificity)))
        accuracy: dict[str, object] = {"sensitivity": sensitivity, "specificity": specificity}
        if validated:
            accuracy = {
                "sensitivity": (int(rng.binomial(validated, sensitivity)), validated),
                "specificity": (int(rng.binomial(validated, specificity)), validated),
            }
        found = rogan_gladen(seen, n, **accuracy)
        hits += found.low <= rate <= found.high
        widths.append(found.high - found.low)
    return hits / samples, float(np.mean(widths))


def print_corrected(samples: int) -> None:
    """Print the table of rates corrected for known or validated accuracy."""
    print(f"corrected rate, {samples} samples: coverage (mean width)")
    for validated, rate, n in product((0, 50, 200), (0.05, 0.15, 0.3, 0.6), (50, 150, 400)):
        hits, width = corrected_coverage(n, rate, validated, samples)
        cell = f"validated={validated:3d} rate={rate:.2f} n={n:4d}"
        print(f"rogan-gladen {cell}  {100 * hits:5.1f} ({width:.3f})", flush=True)


def print_latent(samples: int) -> None:
    """Print the table of rates from three imperfect readers."""
    print(f"latent class rate, {samples} samples: coverage (mean width)")
    for interval, rate, n in product(
        ("likelihood-ratio", "bootstrap"), (0.15, 0.3), (60, 150, 400)
    ):
        hits, width, refused = latent_coverage(n, rate, interval, samples)
        cell = f"{interval:17s} rate={rate:.2f} n={n:4d}"
        print(f"{cell}  {100 * hits:5.1f} ({width:.3f}) refused {100 * refused:.1f} %", flush=True)


def print_survival(samples: int) -> None:
    """Print the table of survival at a time."""
    print(f"survival at {TIMES} days, {samples} samples: coverage (mean width)")
    for method, days, torn, n in product(
        ("likelihood-ratio", "bootstrap"), ("fixed", "windows"), (0.15, 0.3, 0.6), (50, 150, 400)
    ):
        pairs = survival_coverage(n, torn, days, method, samples).T
        cells = "  ".join(f"{100 * hits:5.1f} ({width:.3f})" for hits, width in pairs)
        print(f"{method:17s} {days:8s} torn={torn:.2f} n={n:4d}  {cells}", flush=True)


if __name__ == "__main__":
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 1000
    print_corrected(5 * count)
    print_latent(count)
    print_survival(count)
