"""A study of real series: what is read, and how a coordinator brings it to the readers.

The repair, the operation and what readers find are invented; see `test_real_pixels`.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
import real_series
from real_series import RealStudy, ScannerSlice
from whole_study import QUICK, silent

from imgtrack.cli.demo.people import DemoClock, desk_of
from imgtrack.desk import study as studies
from imgtrack.desk.cases.allot import allot
from imgtrack.desk.intake import correcting
from imgtrack.desk.intake.outcome import Fate
from imgtrack.desk.intake.run import take_in
from imgtrack.desk.people.pass_phrases import set_pass_phrase
from imgtrack.desk.registry.enrol import enrol
from imgtrack.domain.imaging import Scan
from imgtrack.domain.protocol import Plane
from imgtrack.domain.series import ScanProblem, ScanProblemKind
from imgtrack.domain.subjects import Side

PHRASE = "seven slow snails"
COR, SAG = Plane.CORONAL_OBLIQUE, Plane.SAGITTAL_OBLIQUE


@dataclass(frozen=True)
class Case:
    """A scan to be read.

    Attributes
    ----------
    subject
        Code of the invented patient.
    made
        Its files.
    first, second, settled
        Whether each reader and the adjudicator call it torn; ``None`` where nobody settles.
    relabelled
        The plane a person has to give the one series, where its position leaves it open.
    """

    subject: str
    made: RealStudy
    first: bool
    second: bool
    settled: bool | None
    relabelled: Plane | None = None

    @property
    def shows(self) -> dict[Plane, list[ScannerSlice]]:
        """Slices of each plane, by the headers: along which axis of the patient one looks."""
        found: dict[Plane, list[ScannerSlice]] = {}
        for each in self.made.slices.values():
            row, column = np.reshape(each.header.ImageOrientationPatient, (2, 3))
            axis = int(np.argmax(np.abs(np.cross(row, column))))
            plane = self.relabelled or (SAG, COR, Plane.AXIAL)[axis]
            found.setdefault(plane, []).append(each)
        return found

    @property
    def verdict(self) -> bool:
        """Whether it is torn in the end."""
        return self.first if self.settled is None else self.settled


def cases() -> list[Case]:
    """Return what can be read here; the last one only where the optional real series are."""
    found = [
        Case("S1", real_series.pilot(), first=True, second=True, settled=None),
        Case("S2", real_series.pilot_later(), first=False, second=False, settled=None),
        Case("S3", real_series.shoulder(), True, False, settled=True, relabelled=COR),
    ]
    localizer = real_series.localizer()
    return found if localizer is None else [*found, Case("S4", localizer, True, False, True)]


def started(folder: Path, clock: DemoClock, every: list[Case]) -> studies.Study:
    """A study with enrolled repairs and people who can sign; what agrees is not settled."""
    study = studies.start(folder / "study", name="Real pixels", who="C1", now=clock)
    study.close()
    path = folder / "study" / studies.PROTOCOL_FILE
    text, was = path.read_text("utf-8"), "settle_agreeing_share = 0.05"
    assert was in text
    path.write_text(text.replace(was, "settle_agreeing_share = 0.0"), "utf-8")
    study = studies.open_study(folder / "study", who="C1", now=clock)
    sheet = folder / "given" / "enrolment.csv"
    sheet.parent.mkdir()
    rows = [f"{each.subject},right,{each.made.operated_on.isoformat()}\n" for each in every]
    sheet.write_text("subject,side,operation_date\n" + "".join(rows))
    enrol(study, sheet, progress=silent)
    for who in ("R1", "R2", "A1"):
        set_pass_phrase(desk_of(study, who), PHRASE, hasher=QUICK)
    return study


def take_all(study: studies.Study, every: list[Case]) -> None:
    """Take the files in by a manifest, and settle what a coordinator would ask about."""
    sheet = study.folder.parent / "given" / "manifest.csv"
    rows = [f"{path},{each.subject},right,m06\n" for each in every for path in each.made.files]
    sheet.write_text("path,subject,side,timepoint\n" + "".join(rows))
    sources = [path for each in every for path in each.made.files]
    taken = take_in(study, sources, manifest=sheet, progress=silent)
    assert taken.count(Fate.TAKEN_IN) == len(every)
    assert allot(study).held == len(every)  # nobody reads them while a person has not looked
    with study.store.look() as look:
        uids = {scan.repair: scan.uid for scan in look.all(Scan)}
    for each in every:
        settle(study, uids[f"{each.subject}-R"], each)


def settle(study: studies.Study, uid: str, case: Case) -> None:
    """Say what a person sees: which shoulder, which plane, and that it is the best there is."""
    reason = "real pixels, invented repair"
    if case.relabelled:
        correcting.relabel(study, uid, series=1, plane=case.relabelled, reason=reason)
    for _ in range(2):  # what is open may change once the side is known
        with study.store.look() as look:
            problems = look.where(ScanProblem, scan=uid)
        for kind in sorted({each.kind for each in problems if each.blocks_reading}):
            if kind is ScanProblemKind.SIDE:
                correcting.relabel(study, uid, side=Side.RIGHT, reason=reason)
            else:
                correcting.accept(study, uid, kind, reason=reason)
