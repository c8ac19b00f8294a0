"""What a section is written from: the study's rows, its tables, and the places of the files."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

from imgtrack.domain.protocol import Measure
from imgtrack.outcomes.findings import ON_MAP
from imgtrack.report.figures.drawing import Drawing, inline_svg
from imgtrack.report.page import Picture, ShownTable
from imgtrack.report.tables import shown

if TYPE_CHECKING:
    from collections.abc import Sequence

    import pandas as pd

    from imgtrack.domain.protocol import Protocol
    from imgtrack.outcomes.compute import Results
    from imgtrack.outcomes.provenance import Provenance
    from imgtrack.outcomes.study_data import StudyData
    from imgtrack.report.places import Places
    from imgtrack.report.tables import Column


@dataclass(frozen=True, slots=True, eq=False)
class Material:
    """Everything the report of a study is written from.

    Attributes
    ----------
    results
        The study's rows and what was computed from them.
    places
        Where its files lie.
    examples
        The drawing of example slices; ``None`` where no image can be shown.
    has_sheets
        Whether healing sheets are written beside the page.
    """

    results: Results
    places: Places
    examples: Drawing | None = None
    has_sheets: bool = False

    @property
    def data(self) -> StudyData:
        """The study's rows."""
        return self.results.data

    @property
    def made_from(self) -> Provenance:
        """Where the results come from."""
        return self.results.provenance

    @property
    def tables(self) -> Mapping[str, pd.DataFrame]:
        """The results by name."""
        return self.results.tables

    @property
    def level(self) -> float:
        """Confidence level of all limits."""
        return self.results.level

    @property
    def protocol(self) -> Protocol:
        """The protocol in force."""
        return self.data.protocol

    @property
    def main_timepoint(self) -> str:
        """The latest follow-up timepoint that every repair has reached.

        Before there is one, that with the most assessable repairs; empty without repairs.
        """
        flow = self.tables["flow"]
        mine = flow[flow["group_by"] == "all"]
        if mine.empty:
            return ""
        reached = mine[(mine["not_yet_due"] + mine["awaited"] == 0) & (mine["assessable"] > 0)]
        if reached.empty:
            reached = mine[mine["assessable"] == mine["assessable"].max()]
        return str(reached["timepoint"].iloc[-1])

    @property
    def limits(self) -> str:
        """Words for the limits, as ``95 % limits``."""
        return f"{100 * self.level:g} % limits"

    def label(self, timepoint: object) -> str:
        """Return the label of a timepoint by its name."""
        point = self.protocol.timepoint_named(str(timepoint))
        return point.label if point else str(timepoint)

    def labelled(self, name: str, *columns: str) -> pd.DataFrame:
        """Return a table with labels in place of the names of its timepoints.

        They stand in ``timepoint`` unless other columns are given.
        """
        frame = self.tables[name]
        named = columns or ("timepoint",)
        return frame.assign(**{each: frame[each].map(self.label) for each in named})

    def shown(
        self,
        name: str,
        caption: str,
        columns: Sequence[Column],
        frame: pd.DataFrame | None = None,
        *,
        note: str = "",
        of: str = "",
    ) -> ShownTable:
        """Return a table for the page, with links to all its rows.

        Parameters
        ----------
        name
            Of the shown table.
        caption, columns, note
            As in `imgtrack.report.tables.shown`.
        frame
            The rows to show; those of the table named when ``None``.
        of
            Name of the table whose files hold the rows; ``name`` when empty.
        """
        rows = self.tables[of or name] if frame is None else frame
        links = self.places.rows(of or name)
        return shown(name.replace("_", "-"), caption, rows, columns, note=note, links=links)

    def picture(self, drawing: Drawing) -> Picture:
        """Return a drawing for the page, with links to its files and its rows."""
        links = self.places.pictures(drawing.name) + self.places.rows(*drawing.tables)
        return Picture(drawing, inline_svg(drawing), links)


def units_of(table: pd.DataFrame) -> str:
    """Return the unit of the lengths in a table, with that of fat fractions where it has some."""
    return "mm; fat fraction in %" if has_fat_fractions(table) else "mm"


def has_fat_fractions(table: pd.DataFrame) -> bool:
    """Whether a table of measurements holds fat fractions, of signals or on maps."""
    return bool(table["question"].isin((Measure.FAT_FRACTION, ON_MAP)).any())
