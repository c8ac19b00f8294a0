"""Writing healing sheets: one page per repair."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from typing import TYPE_CHECKING

from imgtrack.domain.subjects import Repair
from imgtrack.report.files import cannot_write
from imgtrack.report.healing_sheet import healing_sheet
from imgtrack.report.render import render
from imgtrack.report.repair_course import course_of

if TYPE_CHECKING:
    from datetime import date
    from pathlib import Path

    from imgtrack.desk.cases.images import Shelf
    from imgtrack.desk.study import Study

FOLDER = "sheets"
Progress = Callable[[str, int, int], None]


def write_sheets(
    study: Study,
    folder: Path,
    *,
    day: date,
    shelf: Shelf,
    repairs: Sequence[str] = (),
    progress: Progress = lambda *_: None,
) -> list[Path]:
    """Write healing sheets as ``REPAIR.html`` and return the files.

    Parameters
    ----------
    study
        Open, with somebody at the desk who may see results: ask `require_results` before.
    folder
        Made when it is not there.
    day
        For what is due or overdue.
    shelf
        Where the images lie.
    repairs
        Codes of the repairs; all when empty.
    progress
        Told what is done, of how many.

    Raises
    ------
    InvalidInput
        When there is no such repair; sheets of those before it are written.
    Unavailable
        When the folder cannot be written.
    """
    with study.store.look() as look:
        codes = list(repairs) or [repair.code for repair in look.all(Repair)]
    return list(_written(study, folder, codes, (day, shelf), progress))


def _written(
    study: Study,
    folder: Path,
    codes: Sequence[str],
    how: tuple[date, Shelf],
    progress: Progress,
) -> Iterator[Path]:
    day, shelf = how
    for number, code in enumerate(codes, 1):
        with study.store.look() as look:
            course = course_of(look, study.protocol, code, day)
        page = render(healing_sheet(course, study.protocol, shelf))
        path = folder / f"{code}.html"
        try:
            folder.mkdir(parents=True, exist_ok=True)
            path.write_text(page, "utf-8")
        except OSError as error:
            raise cannot_write(path, error) from error
        progress("healing sheets", number, len(codes))
        yield path
