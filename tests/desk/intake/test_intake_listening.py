"""Scans over the network go the same way as files: sent by a DICOM library's own sender."""

from __future__ import annotations

from dataclasses import replace

import intake_samples as samples
import pydicom
import pytest
from pynetdicom import AE

from imgtrack.desk.intake.listening import spool_of, take_received
from imgtrack.desk.intake.listing import list_scans
from imgtrack.desk.intake.outcome import Fate
from imgtrack.desk.intake.placing import place_study
from imgtrack.desk.intake.run import take_in
from imgtrack.dicom.receive import Caller, Received, listen
from imgtrack.domain.errors import Refused

QUIET = 5.0


class Seconds:
    """A clock that is set by hand."""

    def __init__(self) -> None:
        self.at = 100.0

    def __call__(self) -> float:
        return self.at


@pytest.fixture
def clock():
    return Seconds()


@pytest.fixture
def spool(enrolled, clock):
    return spool_of(enrolled, clock)


def arrive(spool, folder, **changes):
    for path in sorted(samples.write_study(folder, **changes).iterdir()):
        ds = pydicom.dcmread(path, stop_before_pixels=True)
        came = Received(path.read_bytes(), ds.SOPClassUID, ds.SOPInstanceUID, "MR1", "127.0.0.1")
        assert spool.keep(came) is None


def kept(spool):
    return sorted(path.parent.name for path in spool.folder.rglob("*") if path.is_file())


def test_what_is_sent_is_taken_in_once_nothing_more_comes(enrolled, spool, clock, scans):
    samples.write_study(scans)
    with listen("127.0.0.1", 0, "IMGTRACK", [Caller("MR1", "127.0.0.1")], spool.keep) as running:
        entity = AE("MR1")
        entity.add_requested_context(pydicom.uid.MRImageStorage)
        sender = entity.associate("127.0.0.1", running.port, ae_title="IMGTRACK")
        assert sender.is_established
        states = [sender.send_c_store(pydicom.dcmread(path)).Status for path in scans.iterdir()]
        sender.release()
    assert set(states) == {0}
    assert not spool.is_ready(QUIET)
    clock.at += QUIET
    assert spool.is_ready(QUIET)
    report = take_received(enrolled, spool)
    assert (report.found, report.studies[0].fate) == (9, Fate.TAKEN_IN)
    assert kept(spool) == []
    assert not spool.is_ready(QUIET)
    assert take_in(enrolled, [scans]).studies[0].fate is Fate.AS_RECORDED


def test_nothing_came(enrolled, spool):
    assert take_received(enrolled, spool) is None


def test_what_waits_or_is_refused_is_kept_apart(enrolled, spool, scans):
    arrive(spool, scans / "a", PatientID="X", PatientName="X", PatientBirthDate="")
    samples.write(scans / "b", "x.dcm", samples.image(study="1.2.2", BurnedInAnnotation="YES"))
    content = (scans / "b" / "x.dcm").read_bytes()
    spool.keep(Received(content, "1.2", "../../escape", "MR1", "127.0.0.1"))
    report = take_received(enrolled, spool)
    assert {outcome.fate for outcome in report.studies} == {Fate.WAITING, Fate.REFUSED}
    assert kept(spool) == ["held"] * 9 + ["refused"]
    assert take_received(enrolled, spool) is None
    code = next(each.code for each in report.studies if each.code)
    place_study(enrolled, code, "S2-L", reason="told by phone")
    assert kept(spool) == ["refused"]
    assert [each.scan.repair for each in list_scans(enrolled)] == ["S2-L"]


def test_what_an_interrupted_receiver_left_is_taken_in(enrolled, spool, scans, clock):
    arrive(spool, scans)
    spool.hold()
    again = spool_of(enrolled, clock)
    assert take_received(enrolled, again).studies[0].fate is Fate.TAKEN_IN


def test_a_spool_that_is_full_refuses_the_object(enrolled, spool, scans):
    samples.write_study(scans)
    spool.arriving.rmdir()
    spool.arriving.write_text("in the way")
    refusal = spool.keep(Received(b"x", "1.2", "1.3", "MR1", "127.0.0.1"))
    assert refusal.reason == "it cannot be kept"


def test_only_a_coordinator_receives(enrolled, spool):
    with pytest.raises(Refused, match="R1 may not take scans in"):
        take_received(replace(enrolled, who="R1"), spool)


def test_only_the_owner_may_look_into_the_spool(spool):
    assert {path.stat().st_mode & 0o777 for path in spool.folder.iterdir()} == {0o700}
