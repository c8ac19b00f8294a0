"""How often the limits of a study hold what is true of its readers.

Run ``python tests/bench/bench_whole.py [--studies 200] [--scans 120]``. Two simulated readers of
known error read studies of invented scans (`synthetic_scans.readers.population.typical_cases`).
What they agree on in the long run is simulated on 400,000 further scans; each study's limits are
those the report shows (`imgtrack.outcomes.agreement`). A row gives the true value, the mean
estimate, and the share of studies whose 95 % limits hold the true value, with the Wilson limits of
that share: 95 % should lie between these.
"""

from __future__ import annotations

import argparse
from collections.abc import Iterator
from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from imgtrack.domain.scales import retear_rule
from imgtrack.outcomes.agreement import grade_agreement, measurement_agreement
from imgtrack.stats.proportions import proportion
from synthetic_scans.readers.people import LENGTHS, Answers, default_readers, read_all
from synthetic_scans.readers.population import (
    PopulationAgreement,
    population_agreement,
    typical_cases,
)

GRADES = ("I", "II", "III", "IV", "V")
FIRST, SECOND = default_readers()[:2]


@dataclass
class Tally:
    """Studies whose limits held a true value."""

    truth: float
    held: list[bool] = field(default_factory=list)
    estimates: list[float] = field(default_factory=list)

    def add(self, row: pd.Series) -> None:
        """Count one study; one without limits is left out."""
        if np.isfinite(row["low"]):
            self.held.append(bool(row["low"] <= self.truth <= row["high"]))
            self.estimates.append(row["estimate"])

    def __str__(self) -> str:
        share = proportion(sum(self.held), len(self.held))
        inside = "yes" if share.low <= 0.95 <= share.high else "NO"
        return (
            f"{self.truth:6.3f} {np.mean(self.estimates):9.3f} {share.estimate:8.3f} "
            f"({share.low:.3f} to {share.high:.3f}) {len(self.held):8d}  {inside}"
        )


def true_values(known: PopulationAgreement) -> dict[str, Tally]:
    """Return a tally for every coefficient that is compared."""
    truths = {
        "retear kappa": known.retear_kappa.value,
        "Sugaya kappa": known.kappa.value,
        "Sugaya kappa, quadratic": known.kappa_quadratic.value,
        **{f"ICC {name}": run.value for name, run in known.icc_agreement.items()},
    }
    return {name: Tally(value) for name, value in truths.items()}


def of_study(first: Answers, second: Answers) -> Iterator[tuple[str, pd.Series]]:
    """Yield the rows of one study's agreement tables that are compared."""
    grades = pd.DataFrame({"R1": _codes(first), "R2": _codes(second)})
    found = grade_agreement(grades, GRADES, rule=retear_rule("sugaya_iv_v"))
    cohen = found[found["coefficient"] == "Cohen's kappa"]
    by_weight = cohen[cohen["what"] == "grade"].set_index("weights")
    yield "retear kappa", cohen[cohen["what"] != "grade"].iloc[0]
    yield "Sugaya kappa", by_weight.loc["identity"]
    yield "Sugaya kappa, quadratic", by_weight.loc["quadratic"]
    for column, name in enumerate(LENGTHS):
        pair = {"R1": first.lengths[:, column], "R2": second.lengths[:, column]}
        table = measurement_agreement(pd.DataFrame(pair).dropna())
        yield f"ICC {name}", table[table["coefficient"] == "ICC single, agreement"].iloc[0]


def _codes(answers: Answers) -> list[object]:
    return [GRADES[type_ - 1] if type_ > 0 else np.nan for type_ in answers.sugaya]


def main() -> None:
    """Simulate and print one row per coefficient."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--studies", type=int, default=200)
    parser.add_argument("--scans", type=int, default=120)
    given = parser.parse_args()
    known = population_agreement(FIRST, SECOND, typical_cases, seed=1)
    tallies = true_values(known)
    rng = np.random.default_rng(20417)
    for _ in range(given.studies):
        cases = typical_cases(given.scans, rng)
        for name, row in of_study(read_all(FIRST, cases, rng), read_all(SECOND, cases, rng)):
            tallies[name].add(row)
    print(f"{'':26} {'true':>6} {'estimate':>9} {'held':>8} {'95 % limits':>18} {'studies':>8}")
    for name, tally in tallies.items():
        print(f"{name:26} {tally}")


if __name__ == "__main__":
    main()
