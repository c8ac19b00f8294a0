"""What every result says of itself: from which records, by which rules, by which program."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from typing import TYPE_CHECKING

from imgtrack.domain.scales import retear_rule
from imgtrack.outcomes.exclusions import exclusions

if TYPE_CHECKING:
    from collections.abc import Mapping

    import pandas as pd

    from imgtrack.outcomes.study_data import StudyData


@dataclass(frozen=True, slots=True)
class Provenance:
    """Where results come from.

    Attributes
    ----------
    study, day
        Name of the study, and the day the figures are for.
    protocol_hash, log_head, data_hash
        Of the protocol in force, of the last log entry, and of the tidy tables.
    version
        Of the program.
    rule, sensitivity_rule
        What counts as a retear, in words.
    seed
        Of every resampling.
    exclusions
        What was left out, of what, and how often.
    """

    study: str
    day: str
    protocol_hash: str
    log_head: str
    data_hash: str
    version: str
    rule: str
    sensitivity_rule: str
    seed: int
    exclusions: tuple[tuple[str, str, int], ...]


def provenance(data: StudyData) -> Provenance:
    """Return where results from these tables come from."""
    records, protocol = data.records, data.protocol
    return Provenance(
        study=protocol.study.name,
        day=records.today.isoformat(),
        protocol_hash=protocol.hash,
        log_head=records.head,
        data_hash=tables_hash(data.tables()),
        version=records.version,
        rule=retear_rule(protocol.outcome.retear_rule).title,
        sensitivity_rule=retear_rule(protocol.outcome.sensitivity_rule).title,
        seed=protocol.reading.order_seed,
        exclusions=tuple(exclusions(data).itertuples(index=False, name=None)),
    )


def tables_hash(tables: Mapping[str, pd.DataFrame]) -> str:
    """Return the SHA-256 of tables as they are written to CSV."""
    digest = hashlib.sha256()
    for name in sorted(tables):
        digest.update(f"{name}\n{tables[name].to_csv(index=False)}".encode())
    return digest.hexdigest()
