"""The storage receiver over real associations on this machine; the caller is pynetdicom's own."""

from __future__ import annotations

import socket
import ssl
import threading
import time
from contextlib import contextmanager
from io import BytesIO
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest
import trustme
from pydicom import dcmread, uid
from pydicom.data import get_testdata_file
from pydicom.dataset import Dataset, FileMetaDataset
from pydicom.sequence import Sequence
from pynetdicom import AE
from pynetdicom.sop_class import Verification

from imgtrack.dicom.receive import Caller, Limits, Received, Receiver, Tls, listen
from imgtrack.dicom.sources import Refusal
from imgtrack.domain.errors import Broken, Fault, InvalidInput, Unavailable

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from pynetdicom.association import Association

HERE = "127.0.0.1"
CALLERS = [Caller("SCANNER", "127.0.0.0/8"), Caller("ELSEWHERE", "192.0.2.7")]
QUICK = Limits(request_seconds=5, message_seconds=5, idle_seconds=5)
SYNTAXES = [uid.ExplicitVRLittleEndian, uid.JPEG2000Lossless, uid.RLELossless]
CLASSES = [
    Verification,
    uid.MRImageStorage,
    uid.EnhancedMRImageStorage,
    uid.CTImageStorage,
]


@contextmanager
def receiver(
    on_object: Callable[[Received], Refusal | None] = lambda _: None, **how: Any
) -> Iterator[Receiver]:
    with listen(HERE, 0, "IMGTRACK", CALLERS, on_object, **({"limits": QUICK} | how)) as running:
        yield running


def call(to: Receiver, title: str = "SCANNER", called: str = "IMGTRACK", **how: Any) -> Association:
    entity = AE(title)
    entity.acse_timeout = entity.dimse_timeout = entity.network_timeout = 5
    for each in CLASSES:
        syntaxes = [uid.ImplicitVRLittleEndian] if each == Verification else SYNTAXES
        for syntax in syntaxes:
            entity.add_requested_context(each, syntax)
    return entity.associate(HERE, to.port, ae_title=called, **how)


def image(sop_class: str = uid.MRImageStorage, number: int = 1) -> Dataset:
    dataset = Dataset()
    dataset.SOPClassUID, dataset.SOPInstanceUID = sop_class, f"1.2.3.{number}"
    dataset.PatientName = "Miller^A"
    dataset.Rows, dataset.Columns, dataset.BitsAllocated = 4, 3, 16
    dataset.PixelData = bytes(range(24))
    if sop_class == uid.EnhancedMRImageStorage:
        group = Dataset()
        group.PlanePositionSequence = Sequence([Dataset()])
        group.PlanePositionSequence[0].ImagePositionPatient = [1, 2, 3]
        dataset.PerFrameFunctionalGroupsSequence = Sequence([group])
    dataset.file_meta = FileMetaDataset()
    dataset.file_meta.TransferSyntaxUID = uid.ExplicitVRLittleEndian
    return dataset


def soon(holds: Callable[[], bool]) -> bool:
    """Whether something holds within three seconds."""
    end = time.monotonic() + 3
    while not holds() and time.monotonic() < end:
        time.sleep(0.01)
    return holds()


def test_echo_is_answered() -> None:
    with receiver() as running:
        association = call(running)
        assert association.send_c_echo().Status == 0x0000
        association.release()


@pytest.mark.parametrize("sop_class", [uid.MRImageStorage, uid.EnhancedMRImageStorage])
def test_objects_are_handed_on_as_files(sop_class: str) -> None:
    got: list[Received] = []
    with receiver(got.append) as running:
        association = call(running)
        assert association.send_c_store(image(sop_class)).Status == 0x0000
        association.release()
    (received,) = got
    assert (received.sop_class_uid, received.sop_instance_uid) == (sop_class, "1.2.3.1")
    assert (received.ae_title, received.address) == ("SCANNER", HERE)
    assert "Miller" not in repr(received)
    read = dcmread(BytesIO(received.content))
    assert [(each.tag, each.value) for each in read] == [
        (each.tag, each.value) for each in image(sop_class)
    ]
    assert read.file_meta.TransferSyntaxUID == uid.ExplicitVRLittleEndian
    assert read.file_meta.MediaStorageSOPInstanceUID == "1.2.3.1"


def test_compressed_objects_stay_compressed() -> None:
    got: list[Received] = []
    original = dcmread(get_testdata_file("MR_small_jp2klossless.dcm"))
    with receiver(got.append) as running:
        association = call(running)
        assert association.send_c_store(original).Status == 0x0000
        association.release()
    read = dcmread(BytesIO(got[0].content))
    assert read.file_meta.TransferSyntaxUID == uid.JPEG2000Lossless
    assert read.PixelData == original.PixelData


def test_other_storage_classes_are_not_accepted() -> None:
    with receiver() as running:
        association = call(running)
        accepted = {context.abstract_syntax for context in association.accepted_contexts}
        assert accepted == set(CLASSES) - {uid.CTImageStorage}
        association.release()


def raising(error: Exception) -> Callable[[Received], Refusal | None]:
    def on_object(_: Received) -> Refusal | None:
        raise error

    return on_object


@pytest.mark.parametrize(
    ("on_object", "status", "comment"),
    [
        # Statuses: PS3.4 table B.2-1. The comment is of VR LO, 64 characters at most.
        (lambda _: Refusal("a.dcm", "the side differs", found="L"), 0xC000, "the side differs"),
        (raising(Unavailable(Fault("the disk is full", "/a/b"))), 0xA700, "the disk is full"),
        (raising(Broken(Fault("ä\\b " + "x" * 80))), 0xC000, "?/b " + "x" * 60),
    ],
)
def test_a_refusal_becomes_the_status(
    on_object: Callable[[Received], Refusal | None], status: int, comment: str
) -> None:
    with receiver(on_object) as running:
        association = call(running)
        response = association.send_c_store(image())
        assert response.Status == status
        assert response.ErrorComment == comment
        assert association.send_c_echo().Status == 0x0000
        association.release()


def test_a_fault_of_the_program_fails_the_one_object_only() -> None:
    """Reference: pynetdicom answers 0xC211 when a handler raises."""
    with receiver(raising(ZeroDivisionError())) as running:
        association = call(running)
        assert association.send_c_store(image()).Status == 0xC211
        assert association.send_c_echo().Status == 0x0000
        association.release()


@pytest.mark.parametrize(
    ("title", "called", "reason"),
    [
        # Reasons of A-ASSOCIATE-RJ: PS3.8 table 9-21.
        ("STRANGER", "IMGTRACK", (1, 1, 3)),
        ("ELSEWHERE", "IMGTRACK", (1, 1, 3)),  # known, but from another address
        ("SCANNER", "ANOTHER", (1, 1, 7)),
    ],
)
def test_strangers_are_rejected(title: str, called: str, reason: tuple[int, int, int]) -> None:
    with receiver() as running:
        association = call(running, title, called)
        assert association.is_rejected
        answer = association.acceptor.primitive
        assert (answer.result, answer.result_source, answer.diagnostic) == reason
        friend = call(running)
        assert friend.is_established
        friend.release()


def test_connections_from_unknown_networks_are_closed_at_once() -> None:
    callers = [Caller("SCANNER", "192.0.2.0/24"), Caller("SCANNER", "2001:db8::/32")]
    with (
        listen(HERE, 0, "IMGTRACK", callers, lambda _: None) as running,
        socket.create_connection((HERE, running.port), timeout=3) as connection,
    ):
        assert closed(connection)


def closed(connection: socket.socket) -> bool:
    """Whether the other side closes a connection, in order or not, within its time-out."""
    try:
        while connection.recv(100):
            pass
    except ConnectionResetError:
        pass
    except TimeoutError:
        return False
    return True


def test_only_so_many_associations_are_open_at_once() -> None:
    limits = Limits(associations=2, request_seconds=5, message_seconds=5, idle_seconds=5)
    with receiver(limits=limits) as running:
        first, second = call(running), call(running)
        third = call(running)
        assert first.is_established
        assert second.is_established
        assert third.is_rejected
        answer = third.acceptor.primitive
        assert (answer.result, answer.result_source, answer.diagnostic) == (2, 3, 2)
        first.release()
        fourth = call(running)
        assert fourth.is_established
        for each in (second, fourth):
            each.release()


def test_connections_are_bounded_too(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("imgtrack.dicom.associations.SPARE_CONNECTIONS", 1)
    limits = Limits(associations=1, request_seconds=1, message_seconds=1, idle_seconds=1)
    idle: list[socket.socket] = []
    with receiver(limits=limits) as running:
        for _ in range(2):
            idle.append(socket.create_connection((HERE, running.port), timeout=3))
            assert soon(lambda: len(running._server.active_associations) == len(idle))
        with socket.create_connection((HERE, running.port), timeout=3) as one_more:
            assert closed(one_more)
        for each in idle:
            each.close()
        assert soon(lambda: not running._server.active_associations)


def test_who_connects_and_says_nothing_is_dropped() -> None:
    limits = Limits(request_seconds=0.2, message_seconds=0.2, idle_seconds=0.2)
    with (
        receiver(limits=limits) as running,
        socket.create_connection((HERE, running.port), timeout=3) as connection,
    ):
        assert closed(connection)


@pytest.mark.parametrize(
    ("sent", "status"),
    [
        # Statuses: PS3.4 table B.2-1.
        (b"\x08\x00\x18\x00UI\x40\x00short", 0xC000),
        (b"this is no data set at all, whatever it says it is", 0xC000),
        ("another instance", 0xA900),
        ("another class", 0xA900),
    ],
)
def test_broken_and_false_objects_get_their_status(
    sent: bytes | str, status: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    from pynetdicom.dsutils import encode

    if isinstance(sent, str):
        other = image(number=2) if "instance" in sent else image(uid.EnhancedMRImageStorage)
        data = encode(other, is_implicit_vr=False, is_little_endian=True)
    else:
        data = sent
    got: list[Received] = []
    with receiver(got.append) as running:
        association = call(running)
        with monkeypatch.context() as patch:
            patch.setattr("pynetdicom.association.encode", lambda *_: data)
            assert association.send_c_store(image()).Status == status
        assert association.send_c_store(image()).Status == 0x0000
        association.release()
    assert len(got) == 1


def test_an_endless_object_is_cut_off() -> None:
    got: list[Received] = []
    limits = Limits(object_bytes=100_000, request_seconds=5, message_seconds=5, idle_seconds=5)
    with receiver(got.append, limits=limits) as running:
        association = call(running)
        for number in range(3):  # of 60,000 bytes each, counted one by one
            small = image(number=number)
            small.PixelData = bytes(60_000)
            assert association.send_c_store(small).Status == 0x0000
        large = image()
        large.PixelData = bytes(3_000_000)
        association.send_c_store(large)
        assert soon(lambda: association.is_aborted)
    assert len(got) == 3


def test_objects_are_handed_on_one_at_a_time() -> None:
    inside, most = [0], [0]

    def on_object(_: Received) -> None:
        inside[0] += 1
        most[0] = max(most[0], inside[0])
        time.sleep(0.02)
        inside[0] -= 1

    def send(to: Receiver, number: int) -> None:
        association = call(to)
        assert association.send_c_store(image(number=number)).Status == 0x0000
        association.release()

    with receiver(on_object) as running:
        threads = [threading.Thread(target=send, args=(running, each)) for each in range(1, 5)]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
    assert most == [1]


def test_stopping_breaks_off_associations_and_frees_the_port() -> None:
    limits = Limits(request_seconds=0.5, message_seconds=5, idle_seconds=5)
    with receiver(limits=limits) as running:
        association = call(running)
        assert association.is_established
        assert running.address == HERE
        idle = socket.create_connection((HERE, running.port), timeout=3)
        assert soon(lambda: len(running._server.active_associations) == 2)
    assert soon(lambda: association.is_aborted)
    running.stop()  # again does nothing
    again = listen(HERE, running.port, "IMGTRACK", CALLERS, lambda _: None)
    again.stop()
    assert closed(idle)
    idle.close()
    assert soon(lambda: not [each for each in threading.enumerate() if "Acceptor" in each.name])


def test_stopping_waits_for_the_object_that_is_being_handed_on() -> None:
    begun, done = threading.Event(), threading.Event()

    def on_object(_: Received) -> None:
        begun.set()
        time.sleep(0.2)
        done.set()

    with receiver(on_object) as running:
        association = call(running)
        sender = threading.Thread(target=association.send_c_store, args=(image(),))
        sender.start()
        assert begun.wait(3)
    assert done.is_set()
    sender.join()


def test_limits_are_positive() -> None:
    with pytest.raises(InvalidInput) as caught:
        Limits(associations=0, idle_seconds=-1)
    assert [fault.what.split()[0] for fault in caught.value.faults] == [
        "associations",
        "idle_seconds",
    ]


def test_a_port_in_use_cannot_be_had() -> None:
    with receiver() as running, pytest.raises(Unavailable) as caught:
        listen(HERE, running.port, "IMGTRACK", CALLERS, lambda _: None)
    assert str(running.port) in str(caught.value)


def test_all_faults_of_the_settings_are_told_together(tmp_path: Path) -> None:
    callers = [Caller("A\\B", "127.0.0.1"), Caller("SCANNER", "hospital")]
    missing = Tls(tmp_path / "no.pem", tmp_path / "no.key")
    with pytest.raises(InvalidInput) as caught:
        listen(HERE, 70_000, " " * 3, callers, lambda _: None, tls=missing)
    whats = [fault.what for fault in caught.value.faults]
    assert whats == [
        "this is no AE title",
        "this is no AE title",
        "this is no port",
        "this is no address",
        "the certificates cannot be used",
    ]
    with pytest.raises(InvalidInput, match="nobody may send"):
        listen(HERE, 0, "IMGTRACK", [], lambda _: None)


@pytest.fixture(scope="module")
def authority() -> trustme.CA:
    return trustme.CA(key_type=trustme.KeyType.ECDSA)


@pytest.fixture(scope="module")
def certificates(authority: trustme.CA, tmp_path_factory: pytest.TempPathFactory) -> Tls:
    folder = tmp_path_factory.mktemp("certificates")
    server = authority.issue_cert("receiver.example", HERE)
    server.cert_chain_pems[0].write_to_path(folder / "receiver.pem")
    server.private_key_pem.write_to_path(folder / "receiver.key")
    authority.cert_pem.write_to_path(folder / "authority.pem")
    return Tls(folder / "receiver.pem", folder / "receiver.key", folder / "authority.pem")


def client(authority: trustme.CA, *, known: bool) -> ssl.SSLContext:
    context = ssl.create_default_context()
    authority.configure_trust(context)
    if known:
        authority.issue_cert("scanner.example").configure_cert(context)
    return context


def test_objects_come_encrypted(authority: trustme.CA, certificates: Tls) -> None:
    got: list[Received] = []
    tls = Tls(certificates.certificate, certificates.key)
    with receiver(got.append, tls=tls) as running:
        context = client(authority, known=False)
        association = call(running, tls_args=(context, "receiver.example"))
        assert association.send_c_store(image()).Status == 0x0000
        association.release()
        with socket.create_connection((HERE, running.port), timeout=3) as unencrypted:
            unencrypted.sendall(b"\x01\x00\x00\x00\x00\x44" + bytes(0x44))
            assert closed(unencrypted)
    assert len(got) == 1


def test_callers_show_a_certificate_when_asked(authority: trustme.CA, certificates: Tls) -> None:
    with receiver(tls=certificates) as running:
        context = client(authority, known=False)
        with (
            socket.create_connection((HERE, running.port), timeout=3) as plain,
            pytest.raises(ssl.SSLError, match=r"(?i)certificate"),
            context.wrap_socket(plain, server_hostname="receiver.example") as nobody,
        ):
            nobody.recv(1)
        context = client(authority, known=True)
        association = call(running, tls_args=(context, "receiver.example"))
        assert association.send_c_echo().Status == 0x0000
        association.release()


def test_a_certificate_that_is_none_is_refused(certificates: Tls) -> None:
    wrong = Tls(certificates.certificate, certificates.certificate)
    with pytest.raises(InvalidInput, match="certificates"):
        listen(HERE, 0, "IMGTRACK", CALLERS, lambda _: None, tls=wrong)
