"""How many repairs and readers a study needs."""

from __future__ import annotations

from typing import Annotated

import typer

from imgtrack.cli.console import say
from imgtrack.stats import planning
from imgtrack.stats.planning import Inflation, SampleSize

plan = typer.Typer(
    name="plan",
    help="How many repairs and readers a study needs.",
    no_args_is_help=True,
    add_completion=False,
)

Readers = Annotated[int, typer.Option(help="Readers of every scan.")]
Level = Annotated[float, typer.Option(help="Confidence level of the interval.")]
Power = Annotated[float, typer.Option(help="Power of the test.")]
Alpha = Annotated[float, typer.Option(help="Two-sided error of the test.")]
Lost = Annotated[float, typer.Option(help="Share of repairs that will have no answer.")]
PerPatient = Annotated[float, typer.Option(help="Mean repairs per patient.")]
Correlation = Annotated[float, typer.Option(help="Correlation of two repairs of a patient.")]


@plan.command()
def kappa(
    *,
    kappa: Annotated[float, typer.Option(help="Kappa expected.")],
    prevalence: Annotated[float, typer.Option(help="Share of retears expected.")],
    half_width: Annotated[float, typer.Option(help="Half the width of its interval.")],
    readers: Readers = 2,
    level: Level = 0.95,
    lost: Lost = 0.0,
    per_patient: PerPatient = 1.0,
    correlation: Correlation = 0.0,
) -> None:
    """Repairs for a kappa of healed against retear, known to within a half-width."""
    inflation = _inflation(lost, per_patient, correlation)
    _show(
        planning.size_for_kappa_precision(
            kappa, half_width, prevalence, readers=readers, level=level, inflation=inflation
        )
    )


@plan.command()
def icc(
    *,
    icc: Annotated[float, typer.Option(help="Intraclass correlation expected.")],
    half_width: Annotated[float, typer.Option(help="Half the width of its interval.")],
    readers: Readers = 2,
    level: Level = 0.95,
    lost: Lost = 0.0,
    per_patient: PerPatient = 1.0,
    correlation: Correlation = 0.0,
) -> None:
    """Repairs for the reliability of a measurement, known to within a half-width."""
    inflation = _inflation(lost, per_patient, correlation)
    _show(
        planning.size_for_icc_precision(
            icc, 2 * half_width, readers=readers, level=level, inflation=inflation
        )
    )


@plan.command()
def rate(
    *,
    rate: Annotated[float, typer.Option(help="Retear rate expected.")],
    half_width: Annotated[float, typer.Option(help="Half the width of its interval.")],
    level: Level = 0.95,
    lost: Lost = 0.0,
    per_patient: PerPatient = 1.0,
    correlation: Correlation = 0.0,
) -> None:
    """Repairs for a retear rate, known to within a half-width."""
    inflation = _inflation(lost, per_patient, correlation)
    _show(
        planning.size_for_proportion_precision(rate, half_width, level=level, inflation=inflation)
    )


@plan.command(name="two-rates")
def two_rates(
    *,
    first: Annotated[float, typer.Option(help="Retear rate of the first arm.")],
    second: Annotated[float, typer.Option(help="Retear rate of the second arm.")],
    power: Power = 0.8,
    alpha: Alpha = 0.05,
    lost: Lost = 0.0,
    per_patient: PerPatient = 1.0,
    correlation: Correlation = 0.0,
) -> None:
    """Repairs per arm to tell two retear rates apart."""
    inflation = _inflation(lost, per_patient, correlation)
    _show(
        planning.size_for_two_proportions(
            first, second, power=power, alpha=alpha, inflation=inflation
        )
    )


def _inflation(lost: float, per_patient: float, correlation: float) -> Inflation:
    return Inflation(attrition=lost, cluster_size=per_patient, cluster_correlation=correlation)


def _show(size: SampleSize) -> None:
    arms = f" per arm ({len(size.needed)} arms)" if len(size.needed) > 1 else ""
    say(f"Needed: {', '.join(map(str, dict.fromkeys(size.needed)))} repairs{arms} with an answer.")
    inflation = size.inflation
    say(
        f"To operate: {', '.join(map(str, dict.fromkeys(size.recruited)))} repairs{arms}, for "
        f"{inflation.attrition:.0%} without an answer and a design effect of "
        f"{inflation.design_effect:.3g} (about {size.recruited_clusters} patients)."
    )
    if size.readers:
        say(f"Readings: {size.readings} by {size.readers} readers per scan.")
    say(f"Method: {size.method}.")
