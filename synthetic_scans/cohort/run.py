"""Make the demo study on disk: several examinations at once, and again where it was stopped."""

from __future__ import annotations

import json
import shutil
from collections.abc import Callable, Iterator
from concurrent.futures import Future, ProcessPoolExecutor, as_completed
from dataclasses import asdict, dataclass
from datetime import date
from multiprocessing import get_context
from pathlib import Path

from synthetic_scans.cohort.files import scan_folders, write_json, write_readings, write_sheets
from synthetic_scans.cohort.plan import AS_OF, plan_cohort
from synthetic_scans.cohort.records import Cohort
from synthetic_scans.readers.people import default_readers
from synthetic_scans.study import StudyOrder, make_study
from synthetic_scans.study_series import SIZES, SizeName

Progress = Callable[[int, int], None]
"""Called with how many examinations are done, and of how many."""

SETTINGS_FILE = "settings.json"
BYTES_PER_HEADER = 6000


class FolderRefused(ValueError):  # noqa: N818 - reads as the sentence it is
    """The folder holds something else, or its disk is too small; nothing was written."""


@dataclass(frozen=True, slots=True)
class Settings:
    """What a demo study follows from.

    Attributes
    ----------
    seed, repairs
        Of the plan. The default seed is one whose thirty repairs show every course at the
        visits that matter.
    size
        How finely it is imaged.
    images
        Whether scans are made; without them there are sheets, readings and the truth.
    as_of
        Day after which nothing has happened yet.
    """

    seed: int = 127
    repairs: int = 30
    size: SizeName = "full"
    images: bool = True
    as_of: date = AS_OF


@dataclass(frozen=True, slots=True)
class Made:
    """What lies in the folder: repairs, examinations, and how many of these were made just now."""

    repairs: int
    scans: int
    new: int


def make_cohort(
    folder: Path,
    settings: Settings,
    *,
    jobs: int = 1,
    progress: Progress = lambda _done, _total: None,
) -> Made:
    """Write the demo study; examinations that are complete already are left as they are.

    The same settings and versions of the libraries give the same bytes, whatever the number of
    jobs and however often the work was stopped.

    Parameters
    ----------
    folder
        Made when missing.
    settings
        What the study follows from.
    jobs
        Examinations made at once, each in its own process.
    progress
        Told after every examination.

    Raises
    ------
    FolderRefused
        When the folder holds another study or strange files, or the disk is too small; nothing
        is written then.
    """
    cohort = plan_cohort(settings.seed, settings.repairs, as_of=settings.as_of)
    orders = list(_orders(cohort, folder, settings))
    waiting = [order for order in orders if not order.truth_file.exists()]
    _require_own_folder(folder, settings)
    _require_space(folder, waiting)
    folder.mkdir(parents=True, exist_ok=True)
    _write_settings(folder, settings)
    write_sheets(cohort, default_readers(), folder)
    done = len(orders) - len(waiting)
    progress(done, len(orders))
    for _ in _make(waiting, jobs):
        done += 1
        progress(done, len(orders))
    write_readings(cohort, default_readers(), folder)
    return Made(len(cohort.records), len(orders), len(waiting))


def _orders(cohort: Cohort, folder: Path, settings: Settings) -> Iterator[StudyOrder]:
    folders = scan_folders(cohort)
    for record in cohort.records:
        for plan in record.scans:
            place = folders[plan.code]
            yield StudyOrder(
                seed=settings.seed,
                plan=plan,
                patient=record.repair.patient,
                accession_number=place.name,
                scan_folder=folder / "scans" / place,
                truth_file=folder / "truth" / f"{place}.json",
                size=SIZES[settings.size],
                images=settings.images,
            )


def _make(orders: list[StudyOrder], jobs: int) -> Iterator[Path]:
    """Make examinations and yield their truth files as they are done."""
    if jobs == 1:
        yield from map(_remake, orders)
        return
    with ProcessPoolExecutor(jobs, mp_context=get_context("spawn")) as pool:
        futures: list[Future[Path]] = [pool.submit(_remake, order) for order in orders]
        try:
            for future in as_completed(futures):
                yield future.result()
        finally:
            pool.shutdown(wait=True, cancel_futures=True)


def _remake(order: StudyOrder) -> Path:
    """Make an examination anew: what an interrupted run left of it goes first."""
    shutil.rmtree(order.scan_folder, ignore_errors=True)
    return make_study(order)


def _text(settings: Settings) -> dict[str, object]:
    return asdict(settings) | {"as_of": settings.as_of.isoformat()}


def _write_settings(folder: Path, settings: Settings) -> None:
    (folder / "truth").mkdir(exist_ok=True)
    write_json(folder / "truth" / SETTINGS_FILE, _text(settings))


def _require_own_folder(folder: Path, settings: Settings) -> None:
    """Refuse a folder that holds something else than this very study."""
    if not folder.exists() or (folder.is_dir() and not any(folder.iterdir())):
        return
    known = folder / "truth" / SETTINGS_FILE
    if not known.is_file():
        raise FolderRefused(
            f"{folder}: expected an empty folder or a demo study, found other files"
        )
    found = json.loads(known.read_text(encoding="utf-8"))
    wanted = _text(settings)
    differing = [name for name, value in wanted.items() if found.get(name) != value]
    if differing:
        there = ", ".join(f"{name} {found.get(name)}" for name in differing)
        asked = ", ".join(f"{name} {wanted[name]}" for name in differing)
        raise FolderRefused(
            f"{folder}: the study there was made with {there}, asked for is {asked}; "
            "give an empty folder, or the same settings to complete it"
        )


def expected_bytes(order: StudyOrder) -> int:
    """Return about how much disk an examination needs."""
    size = order.size
    slices = size.coronal.n_slices + 2 * size.sagittal.n_slices + size.axial.n_slices
    if order.plan.dixon:
        slices += 4 * size.sagittal.n_slices
    return slices * (2 * size.matrix**2 + BYTES_PER_HEADER)


def _require_space(folder: Path, orders: list[StudyOrder]) -> None:
    needed = sum(expected_bytes(order) for order in orders if order.images)
    there = next(place for place in (folder, *folder.absolute().parents) if place.exists())
    free = shutil.disk_usage(there).free
    if needed > free:
        raise FolderRefused(
            f"{folder}: expected {needed / 1e9:.1f} GB free for the scans, found {free / 1e9:.1f}"
        )
