"""Two readers side by side: cross-table, prevalence and bias."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import numpy as np

from imgtrack.domain.errors import Fault
from imgtrack.stats.agreement.coefficients import cohen_kappa
from imgtrack.stats.agreement.limits import wald, why_no_limits, wilson
from imgtrack.stats.agreement.ratings import code_pair
from imgtrack.stats.agreement.results import Confusion, PrevalenceBias
from imgtrack.stats.arguments import level_faults, raise_faults
from imgtrack.stats.results import Estimate

if TYPE_CHECKING:
    from imgtrack.stats.agreement.ratings import Categories, Reader
    from imgtrack.stats.bootstrap.subject_sums import FloatArray

_NOBODY = "no subject was rated by both readers"


def confusion(a: Reader, b: Reader, *, categories: Categories | None = None) -> Confusion:
    """Cross-table of two readers.

    Parameters
    ----------
    a, b
        Ratings of the same subjects in the same order, arrays (subjects,); NaN = missing.
    categories
        The declared levels in their order, used or not; None takes the observed ones.

    Returns
    -------
    Confusion
        Rows are the first reader's levels. Subjects that either left unrated are not counted.

    Raises
    ------
    InvalidInput
        When lengths differ or a rating is outside the declared levels.
    """
    coded = code_pair(a, b, categories)
    complete = coded.codes[coded.per_subject > 0]
    q = len(coded.levels)
    cells = np.bincount(complete[:, 0] * q + complete[:, 1], minlength=q * q).reshape(q, q)
    return Confusion(
        categories=coded.levels,
        counts=tuple(tuple(map(int, row)) for row in cells),
        n_used=len(complete),
        n_excluded=len(coded.codes) - len(complete),
    )


def prevalence_bias(
    a: Reader, b: Reader, *, categories: Categories | None = None, level: float = 0.95
) -> PrevalenceBias:
    """Prevalence index, bias index, PABAK and the largest possible kappa of a binary rating.

    Parameters
    ----------
    a, b
        Ratings of the same subjects in the same order, arrays (subjects,); NaN = missing.
    categories
        The two declared levels, the positive one last; None takes the observed ones, which must
        then be two.
    level
        Confidence level.

    Returns
    -------
    PrevalenceBias
        Signed indices (Byrt and colleagues print absolute values). Limits of the indices are
        normal with multinomial standard errors, those of PABAK Wilson's of the share of
        agreement. ``largest_kappa`` describes the margins and has no limits.

    Raises
    ------
    InvalidInput
        When there are not two levels, lengths differ, a rating is outside the declared levels,
        or the level is outside (0, 1).

    Notes
    -----
    Missing ratings: only subjects rated by both enter. All are undefined without one; kappa and
    its largest value also when both readers used one and the same level.

    References
    ----------
    Byrt T, Bishop J, Carlin JB. J Clin Epidemiol 1993;46:423-429. Largest kappa: Cohen J. Educ
    Psychol Meas 1960;20:37-46.
    """
    raise_faults(level_faults(level))
    cross = confusion(a, b, categories=categories)
    raise_faults(_two_levels_faults(cross.categories))
    shares = cross.table / max(1, cross.n_used)
    common: dict[str, Any] = {
        "level": level,
        "n_used": cross.n_used,
        "n_excluded": cross.n_excluded,
    }
    return PrevalenceBias(
        prevalence_index=_index("prevalence index", shares[1, 1], shares[0, 0], common),
        bias_index=_index("bias index", shares[1, 0], shares[0, 1], common),
        pabak=_pabak(float(np.trace(shares)), common),
        kappa=cohen_kappa(a, b, categories=cross.categories, level=level),
        largest_kappa=_largest_kappa(shares, common),
    )


def _two_levels_faults(levels: tuple[Any, ...]) -> list[Fault]:
    if len(levels) == 2:
        return []
    return [Fault("not a binary rating", "categories", "two levels", f"{len(levels)}: {levels}")]


def _index(name: str, more: float, less: float, common: dict[str, Any]) -> Estimate:
    """Difference of two cell shares, with its multinomial standard error and normal limits."""
    fields = {"method": f"{name}; normal limits, not cut"} | common
    n = common["n_used"]
    if n == 0:
        return Estimate(estimate=math.nan, why_undefined=_NOBODY, **fields)
    value = more - less
    se = math.sqrt(max(0.0, more + less - value**2) / n)
    why = why_no_limits(n, se)
    if why:
        return Estimate(estimate=value, se=se, why_no_interval=why, **fields)
    low, high = wald(value, se, common["level"])
    return Estimate(estimate=value, se=se, low=low, high=high, **fields)


def _pabak(agreed: float, common: dict[str, Any]) -> Estimate:
    fields = {"method": "PABAK; Wilson limits of the share of agreement"} | common
    n = common["n_used"]
    if n == 0:
        return Estimate(estimate=math.nan, why_undefined=_NOBODY, **fields)
    low, high = wilson(agreed, n, common["level"])
    return Estimate(
        estimate=2 * agreed - 1,
        low=2 * low - 1,
        high=2 * high - 1,
        se=2 * math.sqrt(agreed * (1 - agreed) / n),
        **fields,
    )


def _largest_kappa(shares: FloatArray, common: dict[str, Any]) -> Estimate:
    fields = {"method": "largest kappa with these margins"} | common
    rows, columns = shares.sum(axis=1), shares.sum(axis=0)
    chance = float(rows @ columns)
    if common["n_used"] == 0:
        return Estimate(estimate=math.nan, why_undefined=_NOBODY, **fields)
    if 1 - chance < 1e-12:
        why = "both readers used one and the same level"
        return Estimate(estimate=math.nan, why_undefined=why, **fields)
    most = float(np.minimum(rows, columns).sum())
    return Estimate(
        estimate=(most - chance) / (1 - chance),
        why_no_interval="it describes the margins of this sample",
        **fields,
    )
