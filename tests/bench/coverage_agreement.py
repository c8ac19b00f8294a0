"""How often 95 % limits of kappa, AC1 and alpha hold the true value.

Run ``python tests/bench/coverage_agreement.py [--samples 1000] [--replicates 1000]``. Binary
ratings from the common-correlation model: the chance of a positive rating varies between subjects
by a beta law with mean the prevalence and intraclass correlation kappa (two readers for kappa and
AC1, three for alpha). Kappa and alpha then estimate kappa; AC1 estimates what its definition gives
at these proportions. Each cell is the coverage in per cent among samples with limits, in brackets
the per cent of samples without (undefined, or no disagreement); ``*`` marks less than 93 or more
than 97.
"""

from __future__ import annotations

import argparse
import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from itertools import product

import numpy as np

from imgtrack.stats import agreement, bootstrap
from imgtrack.stats.results import Estimate

LEVELS = (0, 1)
SIZES = (20, 50, 100, 200)
PREVALENCES = (0.1, 0.2, 0.3, 0.5)
KAPPAS = (0.4, 0.6, 0.8)
INTERVALS = ("wald", "log", "bca")


@dataclass
class Tally:
    held: int = 0
    with_limits: int = 0
    samples: int = 0

    def add(self, found: Estimate, truth: float) -> None:
        self.samples += 1
        if not math.isnan(found.low):
            self.with_limits += 1
            self.held += found.low <= truth <= found.high

    def __str__(self) -> str:
        cover = 100 * self.held / max(1, self.with_limits)
        none = 100 * (1 - self.with_limits / self.samples)
        return f"{cover:5.1f}{' ' if 93 <= cover <= 97 else '*'}({none:2.0f})"

    @property
    def inside(self) -> bool:
        return 0.93 <= self.held / max(1, self.with_limits) <= 0.97


@dataclass
class Coefficient:
    name: str
    readers: int
    estimate: Callable[..., Estimate]
    sums: Callable[[np.ndarray], bootstrap.SubjectSums]


def coefficients() -> tuple[Coefficient, ...]:
    def kappa(ratings: np.ndarray, **arguments: object) -> Estimate:
        return agreement.cohen_kappa(*ratings.T, categories=LEVELS, **arguments)

    def ac1(ratings: np.ndarray, **arguments: object) -> Estimate:
        return agreement.gwet_ac(ratings, categories=LEVELS, **arguments)

    return (
        Coefficient(
            "kappa", 2, kappa, lambda x: agreement.sums.cohen_kappa(*x.T, categories=LEVELS)
        ),
        Coefficient("AC1", 2, ac1, lambda x: agreement.sums.gwet_ac(x, categories=LEVELS)),
        Coefficient("alpha", 3, agreement.krippendorff_alpha, agreement.sums.krippendorff_alpha),
    )


def draw_ratings(
    subjects: int, readers: int, prevalence: float, kappa: float, rng: np.random.Generator
) -> np.ndarray:
    size = (1 - kappa) / kappa
    chance = rng.beta(prevalence * size, (1 - prevalence) * size, size=(subjects, 1))
    return (rng.random((subjects, readers)) < chance).astype(int)


def true_value(name: str, prevalence: float, kappa: float) -> float:
    if name != "AC1":
        return kappa
    spread = 2 * prevalence * (1 - prevalence)
    return 1 - spread * (1 - kappa) / (1 - spread)


def simulate(
    which: Coefficient, design: tuple[float, float, int], samples: int, replicates: int
) -> dict[str, Tally]:
    kappa, prevalence, subjects = design
    rng = np.random.default_rng([int(100 * kappa), int(100 * prevalence), subjects])
    truth = true_value(which.name, prevalence, kappa)
    tallies = {name: Tally() for name in INTERVALS}
    for _ in range(samples):
        ratings = draw_ratings(subjects, which.readers, prevalence, kappa, rng)
        for name in ("wald", "log"):
            tallies[name].add(which.estimate(ratings, interval=name), truth)
        drawn = bootstrap.interval(which.sums(ratings), rng=rng, replicates=replicates)
        tallies["bca"].add(drawn, truth)
    return tallies


def designs() -> Iterator[tuple[float, float, int]]:
    yield from product(KAPPAS, PREVALENCES, SIZES)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--samples", type=int, default=1000)
    parser.add_argument("--replicates", type=int, default=1000)
    given = parser.parse_args()
    outside = dict.fromkeys(product([c.name for c in coefficients()], INTERVALS), 0)
    print(
        f"{'kappa':>5} {'prev':>5} {'n':>4}  "
        + "  ".join(f"{c.name + ' ' + i:>10}" for c in coefficients() for i in INTERVALS)
    )
    for design in designs():
        row = []
        for which in coefficients():
            for name, tally in simulate(which, design, given.samples, given.replicates).items():
                row.append(str(tally))
                outside[which.name, name] += not tally.inside
        print(f"{design[0]:5.1f} {design[1]:5.1f} {design[2]:4d}  " + "  ".join(row), flush=True)
    cells = len(list(designs()))
    for (name, interval), count in outside.items():
        print(f"{name} {interval}: {count} of {cells} cells outside 93 to 97 %")


if __name__ == "__main__":
    main()
