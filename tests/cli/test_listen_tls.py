"""`imgtrack listen` as a process of its own, over TLS: from an association to a scan of the study.

Certificates by trustme, the sender by pynetdicom. PS3.15 section B names the TLS profiles.
"""

from __future__ import annotations

import os
import re
import signal
import socket
import ssl
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from threading import Thread

import pydicom
import pytest
import trustme
from pydicom.uid import MRImageStorage
from pynetdicom import AE

sys.path.insert(0, str(Path(__file__).parents[1] / "desk" / "intake"))

import intake_samples as samples

from imgtrack.desk import study as studies
from imgtrack.desk.intake.listing import list_scans

HERE, NAME = "127.0.0.1", "receiver.example"
SECONDS = 20.0


class Listening:
    """A running `imgtrack listen`, with what it says."""

    def __init__(self, *words: object) -> None:
        program = Path(sys.executable).parent / "imgtrack"
        self.process = subprocess.Popen(
            [program, "listen", *map(str, words)],
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
            env=os.environ | {"PYTHONUNBUFFERED": "1", "COLUMNS": "200"},
        )
        self.lines: list[str] = []
        self.reader = Thread(target=self._read, daemon=True)
        self.reader.start()

    def _read(self) -> None:
        assert self.process.stdout is not None
        for line in self.process.stdout:
            self.lines.append(line)

    def said(self, pattern: str) -> re.Match[str]:
        """Wait until something is said that matches."""
        end = time.monotonic() + SECONDS
        while time.monotonic() < end:
            if found := re.search(pattern, "".join(self.lines)):
                return found
            if self.process.poll() is not None:
                break
            time.sleep(0.05)
        raise AssertionError(f"{pattern!r} was not said, but: {''.join(self.lines)}")

    def stop(self) -> int:
        """Press Ctrl-C and return the exit code."""
        if self.process.poll() is None:
            self.process.send_signal(signal.SIGINT)
        code = self.process.wait(SECONDS)
        self.reader.join(SECONDS)
        if self.process.stdout is not None:
            self.process.stdout.close()
        return code


@pytest.fixture(scope="module")
def authority() -> trustme.CA:
    return trustme.CA(key_type=trustme.KeyType.ECDSA)


@pytest.fixture
def listening(tmp_path: Path, authority: trustme.CA) -> Iterator[Listening]:
    samples.start_enrolled(tmp_path, *samples.ENROLMENT)
    own = authority.issue_cert(NAME, HERE)
    own.cert_chain_pems[0].write_to_path(tmp_path / "receiver.pem")
    own.private_key_pem.write_to_path(tmp_path / "receiver.key")
    authority.cert_pem.write_to_path(tmp_path / "authority.pem")
    files = ("receiver.pem", "receiver.key", "authority.pem")
    certificate, key, authorities = (tmp_path / name for name in files)
    running = Listening(
        *("--study", tmp_path / "study", "--caller", f"MR1@{HERE}", "--port", 0, "--quiet", 0.3),
        *("--certificate", certificate, "--key", key, "--authorities", authorities),
    )
    yield running
    running.stop()


def trusting(authority: trustme.CA, shown_by: trustme.CA | None) -> ssl.SSLContext:
    """Return how a caller encrypts that trusts one authority and shows a certificate of another."""
    context = ssl.create_default_context()
    authority.configure_trust(context)
    if shown_by is not None:
        shown_by.issue_cert("scanner.example").configure_cert(context)
    return context


def call(port: int, title: str = "MR1", context: ssl.SSLContext | None = None):
    entity = AE(title)
    entity.add_requested_context(MRImageStorage)
    entity.acse_timeout = entity.network_timeout = 5
    entity.connection_timeout = 5
    tls = None if context is None else (context, NAME)
    return entity.associate(HERE, port, ae_title="IMGTRACK", tls_args=tls)


def is_turned_away(port: int, context: ssl.SSLContext) -> bool:
    """Whether the handshake fails on either side; with TLS 1.3 the caller learns it on reading."""
    try:
        with (
            socket.create_connection((HERE, port), timeout=5) as plain,
            context.wrap_socket(plain, server_hostname=NAME) as secure,
        ):
            secure.recv(1)
    except TimeoutError:
        return False
    except (ssl.SSLError, ConnectionError):
        return True
    return False


def is_closed(connection: socket.socket) -> bool:
    """Whether the other end hangs up."""
    try:
        while connection.recv(64):
            pass
    except TimeoutError:
        return False
    except ConnectionError:
        return True
    return True


def test_a_scan_comes_encrypted_and_becomes_one_of_the_study(
    listening: Listening, authority: trustme.CA, tmp_path: Path
) -> None:
    port = int(listening.said(r"Listening as IMGTRACK on \S+ port (\d+)\.")[1])
    files = sorted(samples.write_study(tmp_path / "originals").iterdir())
    association = call(port, context=trusting(authority, authority))
    assert association.is_established
    assert {association.send_c_store(pydicom.dcmread(path)).Status for path in files} == {0}
    association.release()
    listening.said(r"S1-R m03")
    listening.said(r"Files: 9 found = 9 accepted")
    assert listening.stop() == 0
    assert "Stopped" in "".join(listening.lines)
    with studies.open_study(tmp_path / "study", who="C1", now=samples.now) as study:
        (listed,) = list_scans(study)
    assert (listed.scan.repair, listed.scan.timepoint) == ("S1-R", "m03")
    assert len(list((tmp_path / "study" / "scans").rglob("*.dcm"))) == 9


def test_a_wrong_certificate_none_and_no_encryption_are_refused(
    listening: Listening, authority: trustme.CA, tmp_path: Path
) -> None:
    port = int(listening.said(r"port (\d+)\.")[1])
    stranger = trustme.CA(key_type=trustme.KeyType.ECDSA)
    wrong = {
        "of another authority": trusting(authority, stranger),
        "none": trusting(authority, None),
        "distrusts the receiver": trusting(stranger, authority),
    }
    for what, context in wrong.items():
        assert is_turned_away(port, context), what
    with socket.create_connection((HERE, port), timeout=5) as plain:
        plain.sendall(b"\x01\x00\x00\x00\x00\x44" + bytes(0x44))
        assert is_closed(plain)
    other = call(port, "OTHER", trusting(authority, authority))
    assert other.is_rejected
    known = call(port, context=trusting(authority, authority))
    assert known.is_established  # it still listens
    known.release()
    assert listening.stop() == 0
    assert not (tmp_path / "study" / "scans").exists()
