"""What a case consists of: its scan, its questions, and its images under their aliases."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from imgtrack.desk.cases.images import Shelf, image_map, shown
from imgtrack.desk.cases.screen import BlindCase, open_hatch
from imgtrack.desk.cases.shelf import FolderShelf
from imgtrack.desk.cases.unreadable import (
    ImagesUnreadable,
    Trouble,
    Wrong,
    images_fault,
    wrong_with,
)
from imgtrack.domain.errors import Fault, ImgtrackError, InvalidInput, Unavailable
from imgtrack.domain.form import form_for
from imgtrack.domain.imaging import Scan
from imgtrack.domain.series import Series
from imgtrack.domain.subjects import Repair

if TYPE_CHECKING:
    from imgtrack.desk.cases.images import Shelved, ShownPixels, ShownSeries
    from imgtrack.desk.study import Study
    from imgtrack.domain.form import Form
    from imgtrack.store.database import Look

TIMEPOINT = "timepoint"
EARLIER_SCANS = "earlier scans"
"""What a protocol may unmask, as a reading records it."""


@dataclass(frozen=True, slots=True, eq=False)
class Layout:
    """The images and questions of a scan, under the aliases they are shown by.

    Attributes
    ----------
    scan, form
        The scan to be read and what is asked about it.
    pairs
        Every series as it is shown, with what it is.
    """

    scan: Scan
    form: Form
    pairs: tuple[tuple[ShownSeries, Shelved], ...]

    @property
    def images(self) -> dict[str, dict[str, Any]]:
        """What every alias stands for."""
        return {
            alias: image
            for series, shelved in self.pairs
            for alias, image in image_map(series, shelved).items()
        }

    @property
    def has_earlier(self) -> bool:
        """Whether earlier scans are shown."""
        return any(series.earlier for series, _ in self.pairs)

    def load(self, alias: str) -> ShownPixels:
        """Return the pixels of a series."""
        return next(shelved.load() for series, shelved in self.pairs if series.alias == alias)


def lay_out(study: Study, uid: str, code: str, shelf: Shelf | None) -> Layout:
    """Find the images of a scan, and of its earlier scans where the protocol shows them.

    Parameters
    ----------
    study
        Open.
    uid
        UID of the scan.
    code
        What the reader knows it by.
    shelf
        Where the images lie; the study's folder when ``None``.

    Raises
    ------
    ImagesUnreadable
        When they cannot be read; names the code only, and the log says what is wrong.
    """
    with study.store.look() as look:
        scan = scan_of(look, uid, code)
        form = form_of(look, study, scan)
        scans = [scan, *_earlier(look, study, scan)]
        records = [_records(look, each) for each in scans]
    place = FolderShelf(study.folder) if shelf is None else shelf
    pairs: list[tuple[ShownSeries, Shelved]] = []
    why = Wrong.MISSING.value
    try:
        for earlier, (each, wanted) in enumerate(zip(scans, records, strict=True)):
            for number, shelved in enumerate(place.series(each, wanted), 1):
                pairs.append((shown(earlier, number, shelved), shelved))
    except ImgtrackError as error:
        Trouble(study, code)(str(error))
        why = wrong_with(error)
        pairs = []
    if not pairs:
        raise ImagesUnreadable(images_fault(code, why))
    return Layout(scan, form, tuple(pairs))


def require_pixels(study: Study, layout: Layout, code: str) -> None:
    """Load the pixels of every series, so that none is missing in the middle of a reading.

    A shelf that keeps what it loaded makes them be there at once when they are shown.

    Raises
    ------
    ImagesUnreadable
        When some cannot be loaded; the log says what is wrong.
    """
    try:
        for _, shelved in layout.pairs:
            shelved.load()
    except Exception as error:  # noqa: BLE001 - nothing may pass the screen, whatever it is
        is_ours = isinstance(error, ImgtrackError)
        Trouble(study, code)(str(error) if is_ours else f"{type(error).__name__}: {error}")
        is_there = isinstance(error, InvalidInput)
        why = Wrong.UNDECODABLE.value if is_there else wrong_with(error)
        raise ImagesUnreadable(images_fault(code, why)) from None


def scan_of(look: Look, uid: str, code: str) -> Scan:
    """Return the scan of a case."""
    scan = look.get(Scan, uid)
    if scan is None:
        raise Unavailable(Fault("this case has no scan", code))
    return scan


def form_of(look: Look, study: Study, scan: Scan) -> Form:
    """Return what a reading of a scan asks."""
    operated_on = look.values(Repair, "operated_on", code=scan.repair)
    before = any(scan.acquired_on < day for day in operated_on)
    return form_for(study.protocol, scan.modality, before_repair=before)


def blinded(
    study: Study,
    layout: Layout,
    *,
    code: str,
    session: str,
    answers: Mapping[str, Any],
    proposals: Mapping[str, Any],
    told: Collection[str],
    training: bool,
) -> BlindCase:
    """Return what a window gets of a case.

    Parameters
    ----------
    study, layout
        Open, and what `lay_out` found.
    code, session, answers, proposals, training
        As the case has them; see `BlindCase`.
    told
        What the protocol unmasks: the timepoint is in it or not.
    """
    point = study.protocol.timepoint_named(layout.scan.timepoint)
    with study.store.look() as look:
        sides = look.values(Repair, "side", code=layout.scan.repair)
    return BlindCase(
        code=code,
        session=session,
        modality=layout.scan.modality,
        form=layout.form,
        series=tuple(series for series, _ in layout.pairs),
        answers=answers,
        proposals=proposals,
        training=training,
        timepoint=point.label if point is not None and TIMEPOINT in told else "",
        side=next(iter(sides), None),
        _hatch=open_hatch(layout.load, Trouble(study, code)),
    )


def _earlier(look: Look, study: Study, scan: Scan) -> list[Scan]:
    """Return the earlier scans a reader may see, the latest first."""
    if not study.protocol.reading.show_earlier_scans:
        return []
    scans = [
        each
        for each in look.where(Scan, repair=scan.repair, modality=scan.modality)
        if each.acquired_on < scan.acquired_on
    ]
    return sorted(scans, key=lambda each: (each.acquired_on, each.uid), reverse=True)


def _records(look: Look, scan: Scan) -> list[Series]:
    """Return the series of a scan that hold images, in an order that tells nothing."""
    records = [each for each in look.where(Series, scan=scan.uid) if each.images]
    return sorted(records, key=lambda each: (each.plane or "", each.weighting or "", each.key))
