"""Find the repair a row of a sheet is about."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable
from datetime import date
from typing import TYPE_CHECKING

from imgtrack.domain.schedule import repair_on
from imgtrack.domain.subjects import Repair, Side

if TYPE_CHECKING:
    from imgtrack.desk.registry.cells import CellReader
    from imgtrack.domain.protocol import Protocol


class Shoulders:
    """All repairs of a study, by patient."""

    def __init__(self, repairs: Iterable[Repair]) -> None:
        self._of: dict[str, list[Repair]] = defaultdict(list)
        for repair in repairs:
            self._of[repair.subject].append(repair)

    def of(self, cells: CellReader, subject: str) -> list[Repair]:
        """Return the repairs of a patient; none is a fault of the row."""
        repairs = self._of.get(subject, [])
        if not repairs:
            cells.faults.append(
                cells.row.fault(
                    "subject", "nobody is enrolled under this code", "an enrolled subject code"
                )
            )
        return repairs

    def repair_on(
        self,
        cells: CellReader,
        subject: str,
        side: Side,
        day: date,
        protocol: Protocol,
        *,
        named: str = "",
    ) -> Repair | None:
        """Return the repair of a shoulder that a day belongs to; none is a fault of the row."""
        repairs = self.of(cells, subject)
        repair = repair_on(repairs, subject, side, day, protocol, named=named)
        if repairs and repair is None:
            sides = ", ".join(sorted({r.side.value for r in repairs}))
            cells.faults.append(
                cells.row.fault("side", f"{subject} has no repair on this side", sides)
            )
        return repair
