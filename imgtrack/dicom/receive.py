"""A DICOM storage receiver: takes images from allowed callers and hands them on as bytes."""

from __future__ import annotations

import re
import ssl
import threading
from dataclasses import dataclass
from ipaddress import ip_network
from typing import TYPE_CHECKING, Self

from pydicom import uid
from pynetdicom.ae import ApplicationEntity
from pynetdicom.sop_class import Verification  # type: ignore[attr-defined] # made at run time

from imgtrack.dicom.associations import SPARE_CONNECTIONS, Limits, Received, Server
from imgtrack.domain.errors import Fault, InvalidInput, Unavailable

if TYPE_CHECKING:
    from collections.abc import Collection
    from pathlib import Path
    from types import TracebackType

    from imgtrack.dicom.associations import Network, OnObject

__all__ = ["Caller", "Limits", "Received", "Receiver", "Tls", "listen"]

STORAGE_CLASSES = (
    uid.MRImageStorage,
    uid.EnhancedMRImageStorage,
    uid.LegacyConvertedEnhancedMRImageStorage,
    uid.ComputedRadiographyImageStorage,
    uid.DigitalXRayImageStorageForPresentation,
    uid.DigitalXRayImageStorageForProcessing,
)

TRANSFER_SYNTAXES = (
    uid.ExplicitVRLittleEndian,
    uid.ImplicitVRLittleEndian,
    uid.DeflatedExplicitVRLittleEndian,
    uid.ExplicitVRBigEndian,
    uid.JPEGBaseline8Bit,
    uid.JPEGExtended12Bit,
    uid.JPEGLossless,
    uid.JPEGLosslessSV1,
    uid.JPEGLSLossless,
    uid.JPEGLSNearLossless,
    uid.JPEG2000Lossless,
    uid.JPEG2000,
    uid.RLELossless,
)

DEFAULT_LIMITS = Limits()

POLL_SECONDS = 0.05
"""How often a receiver looks whether it is to stop."""

_AE_TITLE = re.compile(r"[ -\[\]-~]{1,16}")


@dataclass(frozen=True, slots=True)
class Caller:
    """Who may send.

    Attributes
    ----------
    ae_title
        Calling AE title.
    address
        Address or network it must come from, as ``192.0.2.7`` or ``192.0.2.0/24``.
    """

    ae_title: str
    address: str


@dataclass(frozen=True, slots=True)
class Tls:
    """Certificates for encrypted connections (PS3.15 section B, TLS 1.2 or later).

    Attributes
    ----------
    certificate, key
        Files with the receiver's certificate chain and private key, PEM.
    authorities
        File with the authorities whose certificates callers must show; ``None`` asks for none.
    """

    certificate: Path
    key: Path
    authorities: Path | None = None


class Receiver:
    """A receiver that is listening; stop it, or leave its ``with`` block.

    Attributes
    ----------
    address, port
        Where it listens.
    """

    def __init__(self, server: Server) -> None:
        self._server = server
        self.address, self.port = str(server.server_address[0]), int(server.server_address[1])
        self._thread = threading.Thread(target=server.serve_forever, args=(POLL_SECONDS,))
        self._thread.start()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        traceback: TracebackType | None,
    ) -> None:
        self.stop()

    def stop(self) -> None:
        """Take no more, break off open associations, and free the port.

        An object being handed on is waited for. A connection that never asked for an association
        ends by its own time-out.
        """
        if self._thread.is_alive():
            self._server.shutdown()
            self._thread.join()
        for association in self._server.active_associations:
            if association.is_established:
                association.abort(block=False)
                association.join()


def listen(
    address: str,
    port: int,
    ae_title: str,
    callers: Collection[Caller],
    on_object: OnObject,
    *,
    tls: Tls | None = None,
    limits: Limits = DEFAULT_LIMITS,
) -> Receiver:
    """Start a receiver for C-STORE and C-ECHO and return it running.

    Parameters
    ----------
    address, port
        Where to listen; port 0 takes any free one.
    ae_title
        Title callers must call; 1 to 16 characters.
    callers
        Who may send; a caller with another title, or from another address, is rejected.
    on_object
        Called with each object. A refusal, or an error of our own, becomes the status of the
        C-STORE response with the reason as its comment.
    tls
        Certificates; ``None`` listens unencrypted.
    limits
        What is taken on at once.

    Raises
    ------
    InvalidInput
        With everything that is wrong with titles, addresses and certificates.
    Unavailable
        When the port cannot be had.
    """
    networks, faults = _allowed(ae_title, port, callers)
    context = None
    if tls is not None:
        context, more = _context(tls)
        faults += more
    if faults:
        raise InvalidInput(faults)
    entity = _entity(ae_title, limits)
    try:
        server = Server(
            entity, (address, port), networks, on_object, limits=limits, context=context
        )
    except OSError as error:
        where, found = f"{address} port {port}", error.strerror or str(error)
        fault = Fault("this port cannot be had", where, "", found, "choose another one")
        raise Unavailable(fault) from None
    return Receiver(server)


def _entity(ae_title: str, limits: Limits) -> ApplicationEntity:
    entity = ApplicationEntity(ae_title)
    entity.require_called_aet = True
    entity.maximum_associations = limits.associations + SPARE_CONNECTIONS
    entity.maximum_pdu_size = limits.pdu_bytes
    entity.acse_timeout = limits.request_seconds
    entity.dimse_timeout = limits.message_seconds
    entity.network_timeout = limits.idle_seconds
    entity.add_supported_context(Verification)
    for storage_class in STORAGE_CLASSES:
        entity.add_supported_context(storage_class, list(TRANSFER_SYNTAXES))
    return entity


def _allowed(
    ae_title: str, port: int, callers: Collection[Caller]
) -> tuple[dict[str, list[Network]], list[Fault]]:
    """Return the networks each caller may come from, and everything that is wrong."""
    faults = [
        Fault("this is no AE title", "", "1 to 16 plain characters without backslash", repr(title))
        for title in (ae_title, *(caller.ae_title for caller in callers))
        if not _AE_TITLE.fullmatch(title) or not title.strip()
    ]
    if not 0 <= port <= 0xFFFF:
        faults.append(Fault("this is no port", "", "0 to 65535", str(port)))
    if not callers:
        faults.append(Fault("nobody may send", expected="at least one caller"))
    networks: dict[str, list[Network]] = {}
    for caller in callers:
        try:
            network = ip_network(caller.address, strict=False)
        except ValueError:
            faults.append(Fault("this is no address", caller.ae_title, "", repr(caller.address)))
        else:
            networks.setdefault(caller.ae_title.strip(), []).append(network)
    return networks, faults


def _context(tls: Tls) -> tuple[ssl.SSLContext, list[Fault]]:
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.minimum_version = ssl.TLSVersion.TLSv1_2
    try:
        context.load_cert_chain(tls.certificate, tls.key)
        if tls.authorities is not None:
            context.load_verify_locations(tls.authorities)
            context.verify_mode = ssl.CERT_REQUIRED
    except OSError as error:
        found = error.strerror or type(error).__name__
        return context, [Fault("the certificates cannot be used", str(tls.certificate), "", found)]
    return context, []
