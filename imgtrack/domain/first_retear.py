"""Between which days a repair tore for the first time, from the outcomes of its scans."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from imgtrack.domain.scales import Healing


@dataclass(frozen=True, slots=True)
class FirstRetear:
    """The interval of the first retear, in days from the operation.

    Attributes
    ----------
    after
        Day of the last scan read as healed before the retear; 0 when there is none.
    by
        Day of the first scan read as retear; ``None`` while none was.
    healed_again
        Days of later scans read as healed: reversals, flagged and left as they are.
    """

    after: float
    by: float | None
    healed_again: tuple[float, ...] = ()

    @property
    def words(self) -> str:
        """The interval in a sentence or two."""
        if self.by is None:
            return (
                f"No retear up to day {self.after:g}, the last assessable scan."
                if self.after
                else "No assessable scan after the operation."
            )
        found = f"First retear after day {self.after:g}, by day {self.by:g}."
        if self.healed_again:
            days = ", ".join(f"{day:g}" for day in self.healed_again)
            found += f" Read as healed again on day {days}: look at those scans again."
        return found


def first_retear(outcomes: Iterable[tuple[float, Healing | None]]) -> FirstRetear:
    """Return between which days a repair tore for the first time.

    Parameters
    ----------
    outcomes
        Day from the operation and outcome of each scan, in any order. Scans before the operation
        or on its day, and scans that are not assessable (``None``), say nothing.
    """
    known = [(day, outcome) for day, outcome in outcomes if day > 0 and outcome is not None]
    torn = min((day for day, outcome in known if outcome is Healing.RETEAR), default=None)
    healed = sorted(day for day, outcome in known if outcome is Healing.HEALED)
    if torn is None:
        return FirstRetear(max(healed, default=0), None)
    before = [day for day in healed if day < torn]
    again = tuple(day for day in healed if day > torn)
    return FirstRetear(max(before, default=0), torn, again)
