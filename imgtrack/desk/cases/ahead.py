"""Reading ahead: the images of the next case are loaded while the reader is at the one before."""

from __future__ import annotations

import threading
from dataclasses import dataclass, field, replace
from functools import cache
from typing import TYPE_CHECKING

from imgtrack.desk.cases.layout import lay_out, require_pixels
from imgtrack.desk.cases.lists import OPENABLE, lines_of
from imgtrack.domain.errors import ImgtrackError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from imgtrack.desk.cases.images import Shelf, Shelved
    from imgtrack.desk.study import Study
    from imgtrack.domain.cases import Case
    from imgtrack.domain.imaging import Scan
    from imgtrack.domain.series import Series


@dataclass(slots=True)
class ShelfAhead:
    """A shelf that keeps the images of one case ahead, and hands every other one through.

    Attributes
    ----------
    shelf
        Where the images lie.
    """

    shelf: Shelf
    _kept: dict[str, list[Shelved]] = field(default_factory=dict, repr=False)
    _lock: threading.Lock = field(default_factory=threading.Lock, repr=False)

    def series(self, scan: Scan, records: Sequence[Series]) -> list[Shelved]:
        """Return the series of a scan, from what is kept where it is the same.

        Raises
        ------
        ImgtrackError
            As the shelf behind.
        """
        with self._lock:
            kept = self._kept.get(scan.uid)
        if kept is not None and [each.record for each in kept] == list(records):
            return kept
        found = [replace(each, load=cache(each.load)) for each in self.shelf.series(scan, records)]
        with self._lock:
            self._kept[scan.uid] = found
        return found

    def forget(self) -> None:
        """Let go of everything kept; who has the series in use keeps them."""
        with self._lock:
            self._kept.clear()


def prepare_next(study: Study, shelf: ShelfAhead, *, after: str) -> bool:
    """Load the images of the case that comes next and can be read; nothing is opened or claimed.

    Parameters
    ----------
    study
        Open, with the reader at the desk.
    shelf
        Keeps them. What it kept before is let go.
    after
        Code of the case that is open now.

    Returns
    -------
    bool
        Whether there is a next case and its images are ready. Images that cannot be read are
        noted in the log and told when the next case is opened.
    """
    shelf.forget()
    with study.store.look() as look:
        lines = lines_of(look, study.protocol, study.who, study.now().date())
    coming = (line.case for line in lines if line.state in OPENABLE and line.case.code != after)
    return any(_is_loaded(study, case, shelf) for case in coming)


def _is_loaded(study: Study, case: Case, shelf: ShelfAhead) -> bool:
    try:
        require_pixels(study, lay_out(study, case.scan, case.code, shelf), case.code)
    except (ImgtrackError, OSError):
        shelf.forget()
        return False
    return True
