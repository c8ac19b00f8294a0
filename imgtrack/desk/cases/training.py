"""The expert's key to the training set, from a sheet: one row per scan, one column per question."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from imgtrack.desk.cases.layout import form_of
from imgtrack.desk.registry.filing import Filed, carry_out, plan, require_sound
from imgtrack.desk.registry.sheets import Row, plain, read_sheet
from imgtrack.domain.cases import Case, TrainingKey
from imgtrack.domain.errors import Fault
from imgtrack.domain.imaging import Scan
from imgtrack.domain.protocol import Role
from imgtrack.domain.training import key_faults

if TYPE_CHECKING:
    from imgtrack.desk.study import Study
    from imgtrack.domain.form import Form
    from imgtrack.store.database import Look

REQUIRED = ("repair", "timepoint")
COLUMNS = (*REQUIRED, "modality")


def take_training_key(study: Study, path: Path, *, reason: str = "") -> Filed:
    """Put scans in the training set, with what an expert answered on them.

    From then on they are not allotted as real cases, and readers who have not passed the training
    set get none.

    Parameters
    ----------
    study
        Open, with a coordinator at the desk.
    path
        CSV or Excel: repair code, timepoint, modality where the timepoint has scans of several,
        and a column per question of the reading form; an empty cell is not scored.
    reason
        Why a recorded key is changed; empty refuses changes and shows them.

    Raises
    ------
    InvalidInput
        With every cell that cannot be used; nothing is changed.
    Refused
        Changes without a reason, or a person who is no coordinator.
    """
    study.require([Role.COORDINATOR], "set the training key")
    sheet = read_sheet(path, study.protocol.sheets, REQUIRED)
    with study.store.change(who=study.who, now=study.now) as change:
        faults: list[Fault] = []
        wanted = []
        allotted = {case.scan for case in change.all(Case) if not case.training}
        for row in sheet.rows:
            scan = _scan(change, row, faults)
            if scan is None:
                continue
            if scan.uid in allotted:
                faults.append(row.fault("repair", "this scan is allotted as a real case"))
            form = form_of(change, study, scan)
            answers = _answers(row, form)
            faults += key_faults(form, answers, f"{row.where} row {row.number}")
            wanted.append(TrainingKey(scan.uid, answers, study.who))
        require_sound(faults)
        planned = plan({key.scan: key for key in change.all(TrainingKey)}, wanted)
        carry_out(change, planned, reason=reason)
    return Filed(len(planned.add), planned.unchanged, planned.changed)


def _scan(look: Look, row: Row, faults: list[Fault]) -> Scan | None:
    repair, timepoint = row.cells["repair"], row.cells["timepoint"]
    modality = row.cells.get("modality", "").upper()
    scans = [
        scan
        for scan in look.where(Scan, repair=repair, timepoint=timepoint)
        if modality in {"", scan.modality.value}
    ]
    if len(scans) == 1:
        return scans[0]
    there = ", ".join(scan.modality.value for scan in scans) or "no scan"
    faults.append(row.fault("timepoint", f"{repair} has {there} at {timepoint}", "one scan"))
    return None


def _answers(row: Row, form: Form) -> dict[str, str]:
    """Return the filled cells by the name of their question; an unknown one keeps its heading."""
    names = {plain(name): name for name in form.names}
    return {
        names.get(column, column): value
        for column, value in row.cells.items()
        if value and column not in COLUMNS
    }
