"""The kinds of record the store keeps: their names, tables and conversions, in one place."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Generic, TypeVar

from imgtrack.domain.cases import Case, PassPhrase, TrainingKey
from imgtrack.domain.certainty import Certainty
from imgtrack.domain.errors import Broken, Fault, InvalidInput
from imgtrack.domain.imaging import Modality, Scan, Stage
from imgtrack.domain.log import canonical
from imgtrack.domain.protocol import Plane, Weighting
from imgtrack.domain.reading import Amendment, ProtocolVersion, Reading, Round, Verdict
from imgtrack.domain.series import (
    ProblemState,
    ScanProblem,
    ScanProblemKind,
    Series,
)
from imgtrack.domain.subjects import Event, EventKind, Repair, Score, Sex, Side
from imgtrack.store import forms, tables

if TYPE_CHECKING:
    from collections.abc import Mapping

    import sqlalchemy as sa

Record = (
    Repair
    | Event
    | Score
    | Scan
    | Series
    | ScanProblem
    | Case
    | TrainingKey
    | PassPhrase
    | Reading
    | Verdict
    | Amendment
    | ProtocolVersion
)
R = TypeVar("R", bound=Record)


@dataclass(frozen=True, slots=True)
class Kind(Generic[R]):
    """One kind of record.

    Attributes
    ----------
    name
        As the log writes it, ``repair``.
    record, table
        The domain record and the table that keeps its rows.
    forms
        How each field of the record is kept, by field name; columns have the same names.
    key, order
        Columns that hold the record's key and that rows are listed by.
    links
        Fields that name a record of another kind, with the name of that kind.
    mutable
        Whether a row may be amended; the others are written once.
    """

    name: str
    record: type[R]
    table: sa.Table
    forms: Mapping[str, forms.Form]
    key: str = "key"
    order: str = "entry"
    links: tuple[tuple[str, str], ...] = ()
    mutable: bool = False

    def plain(self, record: R) -> dict[str, Any]:
        """Return the fields of a record as JSON values, checked.

        Raises
        ------
        InvalidInput
            With one fault per field that no database could give back unchanged.
        """
        values: dict[str, Any] = {}
        faults = []
        for name, form in self.forms.items():
            try:
                values[name] = form.plain(getattr(record, name))
            except forms.UnfitError as error:
                faults.append(self._unfit(record, name, str(error)))
        if faults:
            raise InvalidInput(faults)
        return values

    def _unfit(self, record: R, field: str, expected: str) -> Fault:
        return Fault(
            "this value cannot be kept",
            where=f"{self.name} {record.key}, {field}",
            expected=expected,
            found=repr(getattr(record, field)),
            next_step="correct the value",
        )

    def revive(self, values: Mapping[str, Any]) -> R:
        """Return the record of JSON values; a field that is not there takes its default."""
        return self.record(
            **{
                name: form.revive(values[name])
                for name, form in self.forms.items()
                if name in values
            }
        )

    def row(self, values: Mapping[str, Any], key: str) -> dict[str, Any]:
        """Return the column values of a record given as JSON values."""
        row = {name: form.store(values[name]) for name, form in self.forms.items()}
        row[self.key] = key
        return row

    def of_row(self, row: sa.RowMapping) -> R:
        """Return the record of a row.

        Raises
        ------
        Broken
            When the row holds what this program never writes.
        """
        try:
            return self.record(
                **{name: form.revive(form.load(row[name])) for name, form in self.forms.items()}
            )
        except (TypeError, ValueError) as error:
            raise unreadable(self.table.name, str(error), key=str(row[self.key])) from error

    def text(self, record: R) -> str:
        """Return the canonical JSON of a record, as the log keeps it."""
        return canonical(self.plain(record))

    def label(self, key: str) -> str:
        """Return how the log names a record of this kind, as ``repair:S014-R``."""
        return f"{self.name}:{key}"


def unreadable(table: str, found: str, *, key: str = "") -> Broken:
    """Return the error for a row, or some row, that this program cannot have written."""
    return Broken(
        Fault(
            "a row cannot be read back",
            where=f"{table} {key}".strip(),
            expected="what was written",
            found=found,
            next_step="run `imgtrack verify` and restore a backup",
        )
    )


REPAIR = Kind(
    "repair",
    Repair,
    tables.REPAIRS,
    {
        "code": forms.TEXT,
        "subject": forms.TEXT,
        "side": forms.choice(Side),
        "operated_on": forms.DAY,
        "sequence": forms.INTEGER,
        "site": forms.TEXT,
        "sex": forms.or_none(forms.choice(Sex)),
        "age_years": forms.or_none(forms.INTEGER),
        "tear_size_mm": forms.or_none(forms.NUMBER),
        "tendons": forms.WORDS,
        "technique": forms.TEXT,
        "arm": forms.TEXT,
        "extra": forms.TEXTS,
    },
    key="code",
    order="code",
    mutable=True,
)
SCAN = Kind(
    "scan",
    Scan,
    tables.SCANS,
    {
        "uid": forms.TEXT,
        "repair": forms.TEXT,
        "timepoint": forms.TEXT,
        "acquired_on": forms.DAY,
        "modality": forms.choice(Modality),
        "stage": forms.choice(Stage),
    },
    key="uid",
    links=(("repair", "repair"),),
    mutable=True,
)
SERIES = Kind(
    "series",
    Series,
    tables.SERIES,
    {
        "uid": forms.TEXT,
        "number": forms.INTEGER,
        "scan": forms.TEXT,
        "plane": forms.or_none(forms.choice(Plane)),
        "plane_certainty": forms.choice(Certainty),
        "weighting": forms.or_none(forms.choice(Weighting)),
        "weighting_certainty": forms.choice(Certainty),
        "side": forms.or_none(forms.choice(Side)),
        "side_claims": forms.WORDS,
        "part": forms.TEXT,
        "rows": forms.INTEGER,
        "columns": forms.INTEGER,
        "slices": forms.INTEGER,
        "spacing_mm": forms.or_none(forms.NUMBER),
        "thickness_mm": forms.or_none(forms.NUMBER),
        "row_spacing_mm": forms.or_none(forms.NUMBER),
        "column_spacing_mm": forms.or_none(forms.NUMBER),
        "field_tesla": forms.or_none(forms.NUMBER),
        "images": forms.WORDS,
        "problems": forms.WORDS,
        "corrected": forms.WORDS,
    },
    links=(("scan", "scan"),),
    mutable=True,
)
SCAN_PROBLEM = Kind(
    "scan problem",
    ScanProblem,
    tables.SCAN_PROBLEMS,
    {
        "scan": forms.TEXT,
        "kind": forms.choice(ScanProblemKind),
        "about": forms.TEXT,
        "text": forms.TEXT,
        "state": forms.choice(ProblemState),
        "reason": forms.TEXT,
    },
    links=(("scan", "scan"),),
    mutable=True,
)
EVENT = Kind(
    "event",
    Event,
    tables.EVENTS,
    {
        "repair": forms.TEXT,
        "kind": forms.choice(EventKind),
        "happened_on": forms.DAY,
        "note": forms.TEXT,
    },
    links=(("repair", "repair"),),
    mutable=True,
)
SCORE = Kind(
    "score",
    Score,
    tables.SCORES,
    {
        "repair": forms.TEXT,
        "name": forms.TEXT,
        "timepoint": forms.TEXT,
        "assessed_on": forms.DAY,
        "total": forms.NUMBER,
        "parts": forms.NUMBERS,
    },
    links=(("repair", "repair"),),
    mutable=True,
)
CASE = Kind(
    "case",
    Case,
    tables.CASES,
    {
        "code": forms.TEXT,
        "reader": forms.TEXT,
        "scan": forms.TEXT,
        "round": forms.choice(Round),
        "batch": forms.INTEGER,
        "place": forms.INTEGER,
        "attempt": forms.INTEGER,
        "open_from": forms.or_none(forms.DAY),
    },
    key="code",
    links=(("scan", "scan"),),
)
TRAINING_KEY = Kind(
    "training key",
    TrainingKey,
    tables.TRAINING_KEYS,
    {"scan": forms.TEXT, "answers": forms.TEXTS, "set_by": forms.TEXT},
    key="scan",
    links=(("scan", "scan"),),
    mutable=True,
)
PASS_PHRASE = Kind(
    "pass phrase",
    PassPhrase,
    tables.PASS_PHRASES,
    {
        "key": forms.TEXT,
        "person": forms.TEXT,
        "encoded": forms.TEXT,
        "set_by": forms.TEXT,
        "set_at": forms.MOMENT,
    },
)
READING = Kind(
    "reading",
    Reading,
    tables.READINGS,
    {
        "key": forms.TEXT,
        "scan": forms.TEXT,
        "reader": forms.TEXT,
        "round": forms.choice(Round),
        "answers": forms.ANSWERS,
        "protocol_hash": forms.TEXT,
        "software_version": forms.TEXT,
        "began_at": forms.MOMENT,
        "signed_at": forms.MOMENT,
        "amends": forms.LINK,
        "reason": forms.TEXT,
        "case_code": forms.LINK,
        "shown": forms.WORDS,
        "images": forms.ANSWERS,
        "active_seconds": forms.or_none(forms.NUMBER),
        "derived": forms.ANSWERS,
        "mismatches": forms.WORDS,
        "source": forms.TEXT,
        "proposals": forms.or_none(forms.ANSWERS),
    },
    links=(("scan", "scan"), ("amends", "reading"), ("case_code", "case")),
)
VERDICT = Kind(
    "verdict",
    Verdict,
    tables.VERDICTS,
    {
        "key": forms.TEXT,
        "scan": forms.TEXT,
        "rule": forms.TEXT,
        "answers": forms.ANSWERS,
        "readings": forms.WORDS,
        "decided_by": forms.TEXT,
        "decided_at": forms.MOMENT,
    },
    links=(("scan", "scan"),),
)
AMENDMENT = Kind(
    "amendment",
    Amendment,
    tables.AMENDMENTS,
    {
        "key": forms.TEXT,
        "kind": forms.TEXT,
        "record": forms.TEXT,
        "reason": forms.TEXT,
        "amended_by": forms.TEXT,
        "amended_at": forms.MOMENT,
    },
)
PROTOCOL_VERSION = Kind(
    "protocol version",
    ProtocolVersion,
    tables.PROTOCOL_VERSIONS,
    {
        "key": forms.TEXT,
        "text": forms.TEXT,
        "accepted_by": forms.TEXT,
        "accepted_at": forms.MOMENT,
        "reason": forms.TEXT,
    },
)

KINDS: tuple[Kind[Any], ...] = (
    REPAIR,
    SCAN,
    SERIES,
    SCAN_PROBLEM,
    EVENT,
    SCORE,
    CASE,
    TRAINING_KEY,
    PASS_PHRASE,
    READING,
    VERDICT,
    AMENDMENT,
    PROTOCOL_VERSION,
)
"""Every kind, those that others name before those that name them."""

BY_NAME: dict[str, Kind[Any]] = {kind.name: kind for kind in KINDS}
_BY_RECORD: dict[type, Kind[Any]] = {kind.record: kind for kind in KINDS}


def kind_of(record: type[R]) -> Kind[R]:
    """Return the kind that keeps a class of records.

    Raises
    ------
    TypeError
        When the store keeps no such records.
    """
    try:
        return _BY_RECORD[record]
    except KeyError:
        known = ", ".join(each.__name__ for each in _BY_RECORD)
        raise TypeError(f"the store keeps {known}, not {record!r}") from None
