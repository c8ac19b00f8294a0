"""From sums over subjects to an estimate with standard error and limits."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any, Literal, TypeAlias, TypeVar, get_args

from imgtrack.stats.agreement.limits import (
    complementary_log,
    effective_size,
    standard_error,
    wald,
    why_no_limits,
    wilson,
)
from imgtrack.stats.agreement.results import Agreement
from imgtrack.stats.arguments import choice_faults, level_faults, raise_faults

if TYPE_CHECKING:
    from imgtrack.stats.agreement.kernels import AgreementSums
    from imgtrack.stats.bootstrap.subject_sums import FloatArray

IntervalName: TypeAlias = Literal["wald", "log"]
Quantile: TypeAlias = Literal["normal", "t"]
A = TypeVar("A", bound=Agreement)

LIMIT_NAMES = {
    ("wald", "normal"): "normal limits, not cut",
    ("wald", "t"): "t limits, cut at 1",
    ("log", "normal"): "normal limits of log(1 - value), cut at -1",
    ("log", "t"): "t limits of log(1 - value), cut at -1",
}


def raise_limit_faults(level: float, interval: str) -> None:
    """Raise `InvalidInput` for a level outside (0, 1) or an unknown interval."""
    raise_faults(level_faults(level) + choice_faults("interval", interval, get_args(IntervalName)))


def summarise(
    kind: type[A],
    sums: AgreementSums,
    level: float,
    interval: IntervalName,
    quantile: Quantile = "t",
    **extra: Any,
) -> A:
    """Return a coefficient with its linearised standard error and limits.

    Parameters
    ----------
    kind
        Class of the result.
    sums
        The coefficient.
    level, interval, quantile
        As in `linearised`, already checked.
    extra
        Further fields of the result.
    """
    words = f"{sums.weights} weights; {LIMIT_NAMES[interval, quantile]}"
    fields = described(sums, level, words)
    value = fields["estimate"]
    if math.isnan(value):
        return kind(**fields, **extra)
    influence = sums.influence()
    fields["se_gwet"] = _se_gwet(sums, influence, value)
    return kind(**fields, **linearised(influence, value, level, interval, quantile), **extra)


def summarise_share(kind: type[A], sums: AgreementSums, level: float) -> A:
    """Return a mean of agreements from 0 to 1 with Wilson limits at its effective size."""
    words = f"{sums.weights} weights; Wilson limits at the effective number of subjects"
    fields = described(sums, level, words)
    value = fields["estimate"]
    if math.isnan(value):
        return kind(**fields)
    influence = sums.influence()
    size = effective_size(value, float(influence @ influence), float(sums.paired.sum()))
    low, high = wilson(value, size, level)
    fields |= {"low": low, "high": high, "se": standard_error(influence)}
    return kind(**fields, se_gwet=_se_gwet(sums, influence, value))


def described(sums: AgreementSums, level: float, words: str) -> dict[str, Any]:
    """Return the fields of an `Agreement` that do not depend on its spread."""
    enters = sums.enters
    n = int(enters.sum())
    value = sums.value()
    observed, expected = sums.disagreement()
    undefined = math.isnan(value)
    return {
        "estimate": value,
        "level": level,
        "method": f"{sums.name}, {words}",
        "n_used": n,
        "n_excluded": len(enters) - n,
        "why_undefined": sums.why_nan if undefined else "",
        "categories": sums.levels,
        "weights": sums.weights,
        "n_readers": sums.n_readers,
        "n_single": n - int(sums.paired.sum()),
        "observed": math.nan if undefined else 1 - observed,
        "expected": math.nan if undefined else 1 - expected,
    }


def linearised(
    influence: FloatArray,
    value: float,
    level: float,
    interval: IntervalName,
    quantile: Quantile = "t",
) -> dict[str, Any]:
    """Return standard error and limits of a coefficient, or why there are none.

    Parameters
    ----------
    influence
        First-order effect of each subject that enters, array (subjects,).
    value
        The coefficient.
    level
        Confidence level.
    interval
        ``"wald"``: value -/+ quantile times standard error; ``"log"``: the same of log(1 -
        value), carried back.
    quantile
        ``"normal"``: divisor n, normal quantile, Wald limits not cut. ``"t"``: divisor n - 1,
        t(n - 1) quantile, Wald limits cut at 1.

    Returns
    -------
    Fields of an estimate: ``se``, and ``low``, ``high``, ``df`` or ``why_no_interval``.
    """
    n = len(influence)
    se = standard_error(influence, divisor_n=quantile == "normal")
    why = why_no_limits(n, se)
    if why:
        return {"se": se, "why_no_interval": why}
    df, highest = (math.inf, math.inf) if quantile == "normal" else (float(n - 1), 1.0)
    if interval == "log":
        low, high = complementary_log(value, se, level, df=df)
    else:
        low, high = wald(value, se, level, df=df, highest=highest)
    return {"se": se, "low": low, "high": high, "df": df}


def _se_gwet(sums: AgreementSums, influence: FloatArray, value: float) -> float:
    """Return the standard error that counts subjects rated once as disagreement.

    Gwet's variance takes each subject's share of the coefficient, 0 with a single rating and
    scaled up by n/n' otherwise, about the coefficient; linearisation takes it about its mean.
    """
    paired = sums.paired[sums.enters]
    n = len(paired)
    charged = influence + value * (paired / paired.sum() - 1 / n)
    return math.sqrt(float(charged @ charged) * n / (n - 1)) if n > 1 else math.nan
