"""A signed reading as a structured report: TID 1500 in a Comprehensive 3D SR (PS3.3 A.35.13)."""

from __future__ import annotations

from typing import TYPE_CHECKING

from highdicom import sr
from highdicom.coding_schemes import CodingSchemeIdentificationItem
from pydicom.dataset import Dataset
from pydicom.sr.codedict import codes
from pydicom.uid import Comprehensive3DSRStorage

from imgtrack.dicom.structured.content import PROGRAM, Groups
from imgtrack.dicom.structured.context import codes_as_names
from imgtrack.dicom.structured.drawing import code
from imgtrack.dicom.structured.findings import findings_of
from imgtrack.dicom.structured.scheme import (
    ADJUDICATOR,
    FREE_TEXTS,
    PROCEDURES,
    READER,
    SCHEME,
    SCHEME_NAME,
    SCHEME_UID,
    SCHEME_VERSION,
)
from imgtrack.domain.imaging import Modality
from imgtrack.domain.reading import Round

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import datetime

    from imgtrack.dicom.structured.context import Context
    from imgtrack.dicom.structured.findings import Finding
    from imgtrack.domain.reading import Reading

DEVICE_UID = "2.25.217433546438712330283512637556125029292"
SERIES_NUMBER = 9001
"""Beyond what scanners count to."""


@codes_as_names()
def report_of(reading: Reading, context: Context) -> Dataset:
    """Return a signed reading as a structured report.

    Parameters
    ----------
    reading
        Signed; its answers name images by SOP Instance UID.
    context
        Images, questions and side of its scan.

    Returns
    -------
    Dataset
        With file meta information, ready to be saved. The same reading, images and version give
        the same bytes. Patient and study are what the de-identified images say; the observer is
        the reader's code; no timepoint is named.
    """
    findings = written(reading, context)
    groups = Groups(reading, context)
    content = sr.MeasurementReport(
        observation_context=_observers(reading, context),
        procedure_reported=code(PROCEDURES[context.form.modality is Modality.MR].concept),
        imaging_measurements=[
            groups.of_the_reading(),
            *map(groups.of, findings),
            *groups.of_the_implied(),
        ],
        title=codes.DCM.ImagingMeasurementReport,
    )
    moment = context.moved_moment(reading.signed_at)
    report = sr.Comprehensive3DSR(
        evidence=_evidence(findings, context),
        content=content,
        series_instance_uid=context.uid("report series", reading.key),
        series_number=SERIES_NUMBER,
        sop_instance_uid=context.uid("report", reading.key),
        instance_number=1,
        manufacturer=PROGRAM,
        manufacturer_model_name=PROGRAM,
        software_versions=context.software,
        series_description="Signed reading",
        is_complete=True,
        previous_versions=_before(reading, context),
        coding_schemes=[_scheme()],
        specific_character_set="ISO_IR 192",
        content_date=moment.date(),
        content_time=moment.time(),
    )
    stamp(report, moment)
    return report


def written(reading: Reading, context: Context) -> tuple[Finding, ...]:
    """Return the findings that a report holds: all, but free notes only where they are wanted."""
    return tuple(
        each
        for each in findings_of(reading.answers)
        if context.with_notes or each.numbers or each.words.keys() - FREE_TEXTS
    )


def stamp(dataset: Dataset, moment: datetime) -> None:
    """Put the moment of signing, UTC, in place of the moment of writing."""
    dataset.InstanceCreationDate = f"{moment:%Y%m%d}"
    dataset.InstanceCreationTime = f"{moment:%H%M%S}"
    dataset.TimezoneOffsetFromUTC = "+0000"
    for equipment in dataset.get("ContributingEquipmentSequence", ()):
        equipment.ContributionDateTime = f"{moment:%Y%m%d%H%M%S}"


def _observers(reading: Reading, context: Context) -> sr.ObservationContext:
    role = ADJUDICATOR if reading.round is Round.SETTLING else READER
    person = sr.PersonObserverIdentifyingAttributes(reading.reader, role_in_procedure=code(role))
    device = sr.DeviceObserverIdentifyingAttributes(
        uid=DEVICE_UID, name=PROGRAM, model_name=f"{PROGRAM} {context.software}"
    )
    return sr.ObservationContext(
        observer_person_context=sr.ObserverContext(codes.DCM.Person, person),
        observer_device_context=sr.ObserverContext(codes.DCM.Device, device),
    )


def _evidence(findings: Sequence[Finding], context: Context) -> list[Dataset]:
    """Return the images that were measured on; every image of the scan where there are none."""
    named = dict.fromkeys(uid for each in findings for uid, _ in each.images)
    return [context.stored[uid] for uid in named] or list(context.stored.values())


def _before(reading: Reading, context: Context) -> list[Dataset] | None:
    """Return a reference to the report of the reading that this one replaces."""
    if not reading.amends:
        return None
    before = Dataset()
    before.SOPClassUID = Comprehensive3DSRStorage
    before.SOPInstanceUID = context.uid("report", reading.amends)
    before.SeriesInstanceUID = context.uid("report series", reading.amends)
    before.StudyInstanceUID = next(iter(context.stored.values())).StudyInstanceUID
    return [before]


def _scheme() -> CodingSchemeIdentificationItem:
    scheme = CodingSchemeIdentificationItem(
        designator=SCHEME, name=SCHEME_NAME, version=SCHEME_VERSION
    )
    scheme.CodingSchemeUID = SCHEME_UID
    return scheme
