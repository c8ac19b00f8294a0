"""A study of many weeks: who reads what gives the same answers in every run.

Most scans are records with invented images; some are files that come in through the real intake
and lie on the same invented geometry (`reading_desk`). Run as a program it is one reader at the
desk who can be killed, or dies while signing: ``long_study.py STUDY READER DAYS [CASES]`` prints
the code of each case once it is signed, and after CASES of them the process kills itself inside
the next signature, when the reading is added and the change is not made yet.
"""

from __future__ import annotations

import os
import signal
import sys
from collections.abc import Iterable, Mapping
from datetime import date, timedelta
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1] / "desk"))

import numpy as np
from argon2 import PasswordHasher
from pydicom.dataset import Dataset, FileMetaDataset
from pydicom.uid import ExplicitVRLittleEndian, MRImageStorage
from reading_desk import PHRASE, PITCH, THICKNESS, Clock, InventedShelf, healed, series_of, torn

from imgtrack.desk import study as studies
from imgtrack.desk.cases.allot import allot
from imgtrack.desk.cases.opening import open_next
from imgtrack.desk.cases.shelf import FolderShelf
from imgtrack.desk.cases.training import take_training_key
from imgtrack.desk.intake.outcome import Fate
from imgtrack.desk.intake.run import take_in
from imgtrack.desk.people.pass_phrases import set_pass_phrase
from imgtrack.desk.readings import signing
from imgtrack.desk.readings.drafts import save_draft
from imgtrack.domain.cases import Case
from imgtrack.domain.imaging import Modality, Scan
from imgtrack.domain.reading import Round
from imgtrack.domain.subjects import Repair, Side
from synthetic_scans.seeds import generator

QUICK = PasswordHasher(time_cost=1, memory_cost=8, parallelism=1)
"""The least Argon2 allows (RFC 9106, section 3.1), so that tests do not wait for it."""
READERS = ("R1", "R2", "R3")
PEOPLE = (*READERS, "A1")
CHANGES = {"readers_per_scan = 2": "readers_per_scan = 3"}
RETEAR_SHARE, ERROR_SHARE, UNREADABLE_SHARE = 0.2, 0.1, 0.05
OF_TRAINING, TRAINED_ON = 999, ("m06", "m12")
"""The repair whose scans are the training set, and their timepoints."""
SLOW_LEARNER = "R2"
"""Fails the training set once, in every run."""
ROOT = "2.25.7700"
EDGE, SPACING_MM = 320, 0.5


def silent(*_):
    """Tell nobody."""


# -------------------------------------------------------------------- the study


def prepare(folder: Path, repairs: int) -> Path:
    """Start a study with three readers, enrol repairs and set the training key."""
    studies.start(folder, name="Many weeks", who="C1", now=Clock()).close()
    path = folder / studies.PROTOCOL_FILE
    text = path.read_text("utf-8")
    for old, new in CHANGES.items():
        assert old in text
        text = text.replace(old, new)
    path.write_text(text + '\n[[person]]\ncode = "R3"\nrole = "reader"\n', "utf-8")
    with opened(folder, "C1") as study:
        with study.store.change(who="C1", now=study.now) as change:
            change.add([_repair(number) for number in (*range(repairs), OF_TRAINING)])
        bring(study, [OF_TRAINING], TRAINED_ON)
        sheet = folder.parent / "training.csv"
        rows = "".join(f"{_repair(OF_TRAINING).code},{point},IV\n" for point in TRAINED_ON)
        sheet.write_text("repair,timepoint,sugaya\n" + rows)
        take_training_key(study, sheet)
    for who in PEOPLE:
        with opened(folder, who) as study:
            set_pass_phrase(study, PHRASE, hasher=QUICK)
    return folder


def _repair(number: int) -> Repair:
    operated = date(2028, 1, 10) + timedelta(days=number % 300)
    return Repair(f"S{number:03}-R", f"S{number:03}", Side.RIGHT, operated, arm="AB"[number % 2])


def opened(folder: Path, who: str, clock: Clock | None = None) -> studies.Study:
    """Open the study at somebody's desk."""
    return studies.open_study(folder, who=who, now=clock or Clock())


def _day(study: studies.Study, number: int, timepoint: str) -> date:
    days = {point.name: point.target_day for point in study.protocol.timepoint}
    return _repair(number).operated_on + timedelta(days=days[timepoint])


# -------------------------------------------------------------------- scans


def bring(study: studies.Study, repairs: Iterable[int], timepoints: Iterable[str]) -> list[Scan]:
    """Record scans of repairs at timepoints, each on its target day."""
    places = {point.name: place for place, point in enumerate(study.protocol.timepoint)}
    scans = [
        Scan(
            f"2.25.{number + 1}{places[name]}",
            _repair(number).code,
            name,
            _day(study, number, name),
            Modality.MR,
        )
        for number in repairs
        for name in timepoints
    ]
    with study.store.change(who=study.who, now=study.now) as change:
        change.add([record for scan in scans for record in (scan, *series_of(scan))])
    return scans


def send(
    study: studies.Study, numbers: Iterable[int], timepoint: str, folder: Path, *, side: str = "R"
) -> None:
    """Send scans as files through the intake, linked by a manifest; headers name a side."""
    folder.mkdir(parents=True)
    rows = []
    for number in numbers:
        rows.append(f"{folder / str(number)},S{number:03},right,{timepoint}\n")
        _write_scan(folder / str(number), number, _day(study, number, timepoint), side)
    sheet = folder / "manifest.csv"
    sheet.write_text("path,subject,side,timepoint\n" + "".join(rows))
    taken = take_in(study, [folder], manifest=sheet, progress=silent)
    assert taken.count(Fate.TAKEN_IN) == len(rows)


def _write_scan(folder: Path, number: int, day: date, side: str) -> None:
    """Write a coronal and a sagittal series on the geometry of `reading_desk`."""
    folder.mkdir()
    for series in (1, 2):
        for place in range(6):
            header = _header(number, day, side, series)
            origin = (-80, PITCH * place - 20, 80) if series == 1 else (20 - PITCH * place, -80, 80)
            header.ImagePositionPatient = [round(each, 3) for each in origin]
            header.InstanceNumber = place + 1
            header.SOPInstanceUID = f"{header.SeriesInstanceUID}.{place + 1}"
            header.file_meta = FileMetaDataset()
            header.file_meta.TransferSyntaxUID = ExplicitVRLittleEndian
            header.save_as(folder / f"{series}-{place}.dcm", enforce_file_format=True)


def _header(number: int, day: date, side: str, series: int) -> Dataset:
    """Return what the slices of a series share: proton density, fat suppressed."""
    header = Dataset()
    header.SOPClassUID, header.Modality = MRImageStorage, "MR"
    header.PatientName, header.PatientID = f"Invented^Number{number}", f"HN{number:06}"
    header.StudyInstanceUID = f"{ROOT}{number}"
    header.SeriesInstanceUID = f"{ROOT}{number}.{series}"
    header.StudyDate = header.SeriesDate = header.AcquisitionDate = f"{day:%Y%m%d}"
    header.StudyTime = header.SeriesTime = "120000"
    header.BodyPartExamined, header.Laterality, header.PatientPosition = "SHOULDER", side, "HFS"
    header.SeriesNumber = series
    header.FrameOfReferenceUID = f"{ROOT}{number}.9"
    header.ImageType = ["ORIGINAL", "PRIMARY", "M"]
    header.ScanningSequence, header.SequenceVariant, header.ScanOptions = "SE", "SK", "FS"
    header.MRAcquisitionType, header.MagneticFieldStrength = "2D", 3
    header.EchoTime, header.RepetitionTime, header.EchoTrainLength = 35, 3000, 8
    header.ImageOrientationPatient = [1, 0, 0, 0, 0, -1] if series == 1 else [0, 1, 0, 0, 0, -1]
    header.PixelSpacing = [SPACING_MM, SPACING_MM]
    header.SliceThickness, header.SpacingBetweenSlices = THICKNESS, PITCH
    header.Rows = header.Columns = EDGE
    header.SamplesPerPixel, header.PhotometricInterpretation = 1, "MONOCHROME2"
    header.BitsAllocated = header.BitsStored = 8
    header.HighBit, header.PixelRepresentation = 7, 0
    header.PixelData = np.full((EDGE, EDGE), number % 100, dtype=np.uint8).tobytes()
    return header


class MixedShelf:
    """Files of scans that came in through the intake, and invented images of the others."""

    def __init__(self, study: studies.Study) -> None:
        self._filed, self._invented = FolderShelf(study.folder), InventedShelf()

    def series(self, scan, records):
        invented = all(image.startswith(f"{scan.uid}.") for r in records for image in r.images)
        return (self._invented if invented else self._filed).series(scan, records)


# -------------------------------------------------------------------- reading


def answers_of(scan: Scan, case: Case) -> Mapping[str, object]:
    """Return what a person answers on a scan: the same in every run."""
    if case.round is Round.TRAINING:
        return healed() if case.reader == SLOW_LEARNER and case.attempt == 1 else torn()
    truth = generator(1, scan.repair).random() < RETEAR_SHARE and scan.timepoint not in ("m03",)
    rng = generator(2, scan.repair, scan.timepoint, case.reader, case.round.value)
    if case.reader != "A1" and rng.random() < UNREADABLE_SHARE:
        parts = ("tendon", "thickness", "muscle")
        return {f"adequacy {part}": {"not_assessable": "motion"} for part in parts}
    is_torn = bool(truth) != (case.reader != "A1" and rng.random() < ERROR_SHARE)
    return torn() if is_torn or scan.timepoint == "preop" else healed()


def read_list(
    study: studies.Study, clock: Clock, *, dies_after: int = -1, tell: bool = False
) -> int:
    """Read, draft and sign everything on a list; return how many cases that were."""
    done, shelf = 0, MixedShelf(study)
    while (opened_case := open_next(study, shelf=shelf)) is not None:
        with opened_case:
            with study.store.look() as look:
                kept = look.get(Case, opened_case.code)
                scan = look.get(Scan, kept.scan)
            given = answers_of(scan, kept)
            asked = {name: each for name, each in given.items() if name in opened_case.form.names}
            save_draft(study, opened_case, asked)
            clock.move(minutes=1)
            if done == dies_after:
                signing.follow = _die
            signing.sign(study, opened_case, PHRASE, shelf=shelf)
        if tell:
            print(opened_case.code, flush=True)
        done += 1
    return done


def _die(*_):
    os.kill(os.getpid(), signal.SIGKILL)


def everyone_reads(folder: Path, clock: Clock) -> None:
    """Allot, read, settle: until nothing is left that can be read now."""
    done = 1
    while done:
        with opened(folder, "C1", clock) as study:
            allot(study)
        done = 0
        for who in PEOPLE:
            with opened(folder, who, clock) as study:
                done += read_list(study, clock)


if __name__ == "__main__":
    place, person, days, *cases = sys.argv[1:]
    at = Clock()
    at.move(days=float(days))
    with opened(Path(place), person, at) as desk:
        read_list(desk, at, dies_after=int(cases[0]) if cases else -1, tell=True)
