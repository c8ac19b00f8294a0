"""One study at a time: link it, store its images, record it; or let it wait."""

from __future__ import annotations

import os
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

from imgtrack.desk.intake.linking import Doubt, Link, Linker
from imgtrack.desk.intake.outcome import Fate, ScanOutcome, StudyOutcome
from imgtrack.desk.intake.recording import Imaged, described_as, placed, record, repair_of
from imgtrack.desk.intake.waiting_list import (
    common_place,
    files_given,
    waiting_code,
    waiting_study,
)
from imgtrack.dicom.deidentify import (
    Deidentifier,
    KeyedUids,
    RememberingUids,
    TrialLabels,
    UidMap,
)
from imgtrack.dicom.deidentify.labels import label_faults
from imgtrack.dicom.sources import Refusal
from imgtrack.domain.imaging import Modality, Scan, Stage, scan_uid, study_of
from imgtrack.domain.reading import Reading
from imgtrack.domain.series import Series
from imgtrack.store.waiting import WaitingState

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from imgtrack.desk.intake.manifest import Manifest
    from imgtrack.desk.intake.storing import ScanFiles
    from imgtrack.desk.study import Study
    from imgtrack.dicom.records import Header
    from imgtrack.dicom.sources import Source
    from imgtrack.domain.subjects import Repair
    from imgtrack.store.keys import Keys
    from imgtrack.store.waiting import WaitingStudy

BEING_READ = "the scan is being read, and these files would change it"


@dataclass(slots=True)
class Desk:
    """What taking studies in needs at hand.

    Attributes
    ----------
    study, keys
        Open.
    linker
        Finds the repair of a study.
    files
        The stored images.
    clean_pixels
        Resolved paths under which a person has seen that nobody is named in the pixels.
    """

    study: Study
    keys: Keys
    linker: Linker
    files: ScanFiles
    clean_pixels: tuple[str, ...] = ()
    secret: bytes = field(init=False, repr=False)
    replacements: KeyedUids = field(init=False)
    remembering: RememberingUids = field(init=False)
    _deidentifiers: dict[str, Deidentifier] = field(init=False, default_factory=dict)

    def __post_init__(self) -> None:
        self.secret = self.keys.secret()
        self.replacements = KeyedUids(self.secret)
        self.remembering = RememberingUids(self.replacements)

    def deidentifier(self, repair: Repair) -> Deidentifier:
        """Return the de-identifier of a repair's subject.

        Timepoint and protocol text stay out of the images: the records say where a scan belongs,
        and a reader must not find it in a header.
        """
        if repair.code not in self._deidentifiers:
            protocol = self.study.protocol
            name = protocol.study.name
            labels = TrialLabels(
                protocol=protocol.hash[:16],
                protocol_name="" if label_faults("name", name, needed=False) else name,
                site=repair.site,
            )
            self._deidentifiers[repair.code] = Deidentifier(
                self.secret, repair.subject, labels, uid_map=self.remembering
            )
        return self._deidentifiers[repair.code]

    def seen_clean(self, source: Source) -> bool:
        """Whether a person has declared the pixels of a source to be clean."""
        if not self.clean_pixels or source.path is None:
            return False
        real = os.path.realpath(source.path)
        return any(real == path or real.startswith(path + os.sep) for path in self.clean_pixels)


@dataclass(slots=True)
class _Images:
    """The images of one study that were given, and what is recorded of it.

    Attributes
    ----------
    headers
        Every image once.
    copies
        Further files that hold the same images.
    scans
        Recorded scans of the study by UID.
    new
        Headers of images that are not recorded, or whose file is missing.
    is_being_read
        Whether the reading of one of its scans has begun.
    adds
        Whether one is not recorded: others only give lost files back, which changes no scan.
    """

    headers: list[Header]
    copies: int
    scans: dict[str, Scan] = field(default_factory=dict)
    new: list[Header] = field(default_factory=list)
    is_being_read: bool = False
    adds: bool = False


class StudyIntake:
    """Takes in one study after the other.

    Attributes
    ----------
    refusals
        Files that were refused while they were rewritten.
    """

    def __init__(
        self,
        desk: Desk,
        manifest: Manifest,
        *,
        forced: Link | None = None,
        dry_run: bool = False,
    ) -> None:
        self._desk = desk
        self._manifest = manifest
        self._forced = forced
        self._dry_run = dry_run
        self.refusals: list[Refusal] = []

    def take(self, headers: Sequence[Header]) -> StudyOutcome:
        """Take in the images of one study.

        Parameters
        ----------
        headers
            Everything that was given of it; at least one.
        """
        label = common_place(str(header.source.path or header.source.label) for header in headers)
        code = waiting_code(self._desk.secret, headers[0].study_uid)
        images = self._sorted_out(headers)
        outcome = StudyOutcome(Fate.AS_RECORDED, label, len(images.headers) + images.copies)
        waited = self._desk.keys.waiting_under(code)
        if waited is not None and waited.state is WaitingState.SET_ASIDE and not self._forced:
            return replace(outcome, fate=Fate.SET_ASIDE, code=code, reason=waited.reason)
        if not images.new:
            if waited is not None and not self._dry_run:
                self._close(waited, headers)
            return replace(outcome, notes=_notes(images))
        link = self._link(images)
        if isinstance(link, Doubt):
            return self._wait(outcome, code, images, link)
        before = len(self.refusals)
        taken = self._preview(images, link) if self._dry_run else self._store(images, link)
        if waited is not None and not self._dry_run and taken:
            self._desk.keys.wait(replace(waited, state=WaitingState.PLACED))
        refused = len(self.refusals) - before
        fate = Fate.COMPLETED if images.scans else Fate.TAKEN_IN
        return replace(
            outcome,
            fate=fate if taken else Fate.REFUSED,
            files=outcome.files - refused,
            new=len(images.new) - refused,
            scans=taken,
            notes=_notes(images),
        )

    def _close(self, waited: WaitingStudy, headers: Sequence[Header]) -> None:
        """Take a study off the list whose files are all recorded: its intake was cut off there."""
        given = files_given(headers)
        if waited.state is WaitingState.WAITING and given.issuperset(waited.files):
            self._desk.keys.wait(replace(waited, state=WaitingState.PLACED))

    def _sorted_out(self, headers: Sequence[Header]) -> _Images:
        """Return every image once, with what is recorded; copies that differ are refused."""
        first: dict[str, Header] = {}
        copies = 0
        for header in sorted(headers, key=lambda each: each.source.label):
            kept = first.setdefault(header.sop_instance_uid, header)
            if kept is header:
                continue
            if _is_copy(kept, header):
                copies += 1
            else:
                self.refusals.append(_contradiction(header, kept))
        images = _Images(list(first.values()), copies)
        self._look_up(images)
        return images

    def _look_up(self, images: _Images) -> None:
        """Fill in what is recorded of the study."""
        replacement = self._desk.replacements.replacement
        study_uid = replacement(images.headers[0].study_uid)
        recorded: set[str] = set()
        with self._desk.study.store.look() as look:
            for uid in sorted({scan_uid(study_uid, each.modality) for each in images.headers}):
                scan = look.get(Scan, uid)
                if scan is None:
                    continue
                images.scans[uid] = scan
                for known in look.where(Series, scan=uid):
                    recorded |= known.instances
                begun = scan.stage is not Stage.SCAN_IN or look.where(Reading, scan=uid)
                images.is_being_read |= bool(begun)
        for header in images.headers:
            image = replacement(header.sop_instance_uid)
            series = replacement(header.series_uid)
            if image not in recorded or not self._desk.files.has(study_uid, series, image):
                images.new.append(header)
                images.adds |= image not in recorded

    def _link(self, images: _Images) -> Link | Doubt:
        if self._forced is not None:
            return self._forced
        if images.is_being_read and images.adds:
            return Doubt(BEING_READ)
        if images.scans:
            scan = next(iter(images.scans.values()))
            with self._desk.study.store.look() as look:
                return Link(repair_of(look, scan), scan.acquired_on)
        rows = [self._manifest.row_for(header.source) for header in images.headers]
        return self._desk.linker.link(images.headers, rows)

    def _wait(
        self, outcome: StudyOutcome, code: str, images: _Images, doubt: Doubt
    ) -> StudyOutcome:
        if not self._dry_run:
            before = self._desk.keys.waiting_under(code)
            study = waiting_study(code, images.headers, doubt.reason, before)
            if study != before:
                self._desk.keys.wait(study)
        return replace(outcome, fate=Fate.WAITING, code=code, reason=doubt.reason)

    def _preview(self, images: _Images, link: Link) -> tuple[ScanOutcome, ...]:
        """Return the scans as they would be recorded, by the headers of the originals."""
        protocol = self._desk.study.protocol
        found = []
        with self._desk.study.store.look() as look:
            for uid, headers in _by_scan(images.headers, self._desk.replacements):
                scan, misplaced = placed(look, protocol, link, Imaged(uid, headers))
                scan = images.scans.get(uid, scan)
                described = described_as(scan, link.repair, protocol, headers, ())
                found.append(ScanOutcome(scan, (*misplaced, *described.problems)))
        return tuple(found)

    def _store(self, images: _Images, link: Link) -> tuple[ScanOutcome, ...]:
        """Write the new images, then record their scans; the last step makes them count."""
        desk = self._desk
        deidentifier = desk.deidentifier(link.repair)
        stored: list[Header] = []
        declared: list[Header] = []
        for header in images.new:
            clean = desk.seen_clean(header.source)
            done = desk.files.store(header, deidentifier, pixels_seen_clean=clean)
            if isinstance(done, Refusal):
                self.refusals.append(done)
                continue
            stored.append(header)
            if clean:
                declared.append(header)
        desk.files.settle()
        desk.keys.remember_uids(desk.remembering.take())
        if not stored:
            return ()
        uids = [uid for uid, _ in _by_scan(stored, desk.replacements)]
        desk.files.sweep(study_of(uids[0]))
        imaged = [Imaged(uid, desk.files.headers(uid)) for uid in uids]
        seen = list(_by_scan(declared, desk.replacements))
        with desk.study.store.change(who=desk.study.who, now=desk.study.now) as change:
            outcomes = record(change, desk.study.protocol, link, imaged)
            for uid, headers in seen:
                what = f"{len(headers)} images"
                change.note(what="pixels declared clean", record=f"scan:{uid}", new=what)
        return outcomes


def _by_scan(headers: Sequence[Header], uids: UidMap) -> Iterator[tuple[str, list[Header]]]:
    """Yield the UID and headers of every scan of a study: one for each kind of imaging."""
    kinds: dict[Modality, list[Header]] = {}
    for header in headers:
        kinds.setdefault(header.modality, []).append(header)
    for modality in sorted(kinds, key=list(Modality).index):
        study_uid = uids.replacement(kinds[modality][0].study_uid)
        yield scan_uid(study_uid, modality), kinds[modality]


def _is_copy(one: Header, other: Header) -> bool:
    """Whether two files hold the same, wherever they lie."""
    frames = tuple(replace(frame, source=one.source) for frame in other.frames)
    return replace(other, source=one.source, frames=frames) == one


def _contradiction(header: Header, kept: Header) -> Refusal:
    return Refusal(
        header.source.label,
        "it claims to be an image that another file holds differently",
        f"what {kept.source.label} holds",
        next_step="ask for the right one; the other file is used",
    )


def _notes(images: _Images) -> tuple[str, ...]:
    return (f"{images.copies} files are copies of others",) if images.copies else ()
