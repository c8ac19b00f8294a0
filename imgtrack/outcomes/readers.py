"""How far readers agree: every grade and measurement, between readers and with themselves.

Agreement always uses the original independent first readings, never a verdict or a settling
reading. An amendment, which its reader makes without seeing another reading, takes the place of
the reading it amends; `imgtrack.outcomes.exclusions` counts them. What a reader could not assess
is left out of a coefficient and counted beside it.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

import pandas as pd

from imgtrack.domain.reading import Round
from imgtrack.outcomes.agreement import (
    COLUMNS,
    coefficient_row,
    grade_agreement,
    margins,
    measurement_agreement,
)
from imgtrack.outcomes.compared import (
    ASSESSABLE,
    FEWEST_SCANS,
    OUTCOME,
    SENSITIVITY,
    Compared,
    codes_of,
    compared,
)
from imgtrack.stats import agreement, bootstrap

if TYPE_CHECKING:
    from imgtrack.outcomes.study_data import StudyData
    from imgtrack.stats.bootstrap import SubjectSums

AGREEMENT_COLUMNS = ("question", "compared", "part", *COLUMNS[1:])
BETWEEN, WITHIN = "between readers", "same reader twice"
EVERY_TIMEPOINT = "all timepoints"
RESAMPLES = 2000


def agreement_table(
    data: StudyData, *, level: float = 0.95, replicates: int = RESAMPLES
) -> pd.DataFrame:
    """Return agreement between readers, and of readers with themselves on hidden repeats.

    Returns
    -------
    DataFrame
        Columns ``AGREEMENT_COLUMNS``, over all timepoints and at each. For grades the kappa
        family with raw agreement, for the outcome also prevalence, bias and the largest kappa the
        margins allow, and a kappa whose limits come from ``replicates`` resamples of patients;
        for measurements ICC, standard error, smallest detectable change, limits of agreement.
    """
    parts: list[pd.DataFrame] = []
    for each in compared(data):
        if each.is_enough:
            parts.append(_of(each, EVERY_TIMEPOINT, level))
            parts.append(_resampled(each, data, level, replicates))
        timepoints = each.ratings.index.get_level_values("timepoint").unique()
        here = [(name, each.at(name)) for name in timepoints] if len(timepoints) > 1 else []
        parts.extend(_of(part, name, level) for name, part in here if part.is_enough)
    between = _joined(parts).assign(compared=BETWEEN)
    within = _joined(list(_within(data, level))).assign(compared=WITHIN)
    found = [each for each in (between, within) if not each.empty]
    if not found:
        return pd.DataFrame(columns=list(AGREEMENT_COLUMNS))
    return pd.concat(found, ignore_index=True)[list(AGREEMENT_COLUMNS)]


def _joined(parts: list[pd.DataFrame]) -> pd.DataFrame:
    there = [part for part in parts if not part.empty]
    columns = [name for name in AGREEMENT_COLUMNS if name != "compared"]
    return pd.concat(there, ignore_index=True) if there else pd.DataFrame(columns=columns)


def _of(each: Compared, part: str, level: float) -> pd.DataFrame:
    """Return all coefficients of one thing readers are compared on."""
    codes, ordered = codes_of(each)
    if codes:
        found = grade_agreement(each.ratings, codes, ordered=ordered, level=level)
        if each.name in {OUTCOME, SENSITIVITY, ASSESSABLE}:
            more = pd.DataFrame(list(margins(each.name, each.ratings, codes, level)))
            found = pd.concat([found, more], ignore_index=True)
    else:
        found = measurement_agreement(each.ratings.astype(float), level=level)
    return found.assign(question=each.name, part=part)


def _resampled(each: Compared, data: StudyData, level: float, replicates: int) -> pd.DataFrame:
    """Return a coefficient whose limits allow for patients with several scans."""
    codes, ordered = codes_of(each)
    clusters = each.ratings.index.get_level_values("subject")
    if codes:
        weights = "quadratic" if ordered else "identity"
        statistic: SubjectSums = agreement.sums.conger_kappa(
            each.ratings, categories=codes, weights=weights
        )
        name = "Conger's kappa, patients resampled"
    else:
        complete = each.ratings.astype(float).dropna()
        if len(complete) < FEWEST_SCANS:
            return pd.DataFrame()
        clusters = complete.index.get_level_values("subject")
        weights, name = "", "ICC single, agreement, patients resampled"
        statistic = bootstrap.sums.icc(complete)
    found = bootstrap.interval(
        statistic,
        rng=data.protocol.reading.order_seed,
        clusters=clusters,
        replicates=replicates,
        level=level,
    )
    row = coefficient_row("all", name, weights, found)
    return pd.DataFrame([row]).assign(question=each.name, part=EVERY_TIMEPOINT)


def _within(data: StudyData, level: float) -> Iterator[pd.DataFrame]:
    """Yield the agreement of each reader's first readings with the hidden repeats."""
    repeats = {each.name: each for each in compared(data, level_of=Round.REPEAT)}
    for each in compared(data):
        again = repeats.get(each.name)
        if again is None:
            continue
        for reader in each.ratings.columns.intersection(again.ratings.columns):
            columns = {"first": each.ratings[reader], "repeat": again.ratings[reader]}
            both = pd.DataFrame(columns).dropna(how="any")
            pair = Compared(each.name, each.levels, both)
            if pair.is_enough:
                yield _of(pair, EVERY_TIMEPOINT, level).assign(readers=f"{reader}, first - repeat")
