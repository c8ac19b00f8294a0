"""Associations of the storage receiver: who may open one, and what becomes of what they send."""

from __future__ import annotations

import ssl
import threading
from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass, field, fields
from io import BytesIO
from ipaddress import IPv4Network, IPv6Network, ip_address
from socketserver import TCPServer
from typing import TYPE_CHECKING, Any, cast
from weakref import WeakKeyDictionary, WeakSet

from pydicom.dataset import Dataset
from pynetdicom import evt
from pynetdicom.pdu import P_DATA_TF
from pynetdicom.transport import ThreadedAssociationServer

from imgtrack.dicom.archives import READ_FAULTS
from imgtrack.dicom.elements import Elements, Unreadable
from imgtrack.dicom.envelope import unseal
from imgtrack.dicom.sources import Refusal
from imgtrack.dicom.values import Values, Vocabulary
from imgtrack.domain.errors import Fault, ImgtrackError, InvalidInput, Unavailable

if TYPE_CHECKING:
    import socket

    from pynetdicom.ae import ApplicationEntity
    from pynetdicom.association import Association
    from pynetdicom.dimse_primitives import C_STORE
    from pynetdicom.events import Event, EventHandlerType
    from pynetdicom.pdu_primitives import A_ASSOCIATE

Network = IPv4Network | IPv6Network

SUCCESS = 0x0000
OUT_OF_RESOURCES = 0xA700
DOES_NOT_MATCH = 0xA900
CANNOT_UNDERSTAND = 0xC000
"""Status of C-STORE (PS3.4 table B.2-1)."""

SPARE_CONNECTIONS = 16
"""Connections that may be open besides the associations, those being closed included."""

CALLER_NOT_KNOWN = (0x01, 0x01, 0x03)
LIMIT_EXCEEDED = (0x02, 0x03, 0x02)
"""Result, source and reason of A-ASSOCIATE-RJ (PS3.8 table 9-21)."""

VOCABULARY = Vocabulary(("TransferSyntaxUID", "SOPClassUID", "SOPInstanceUID"))
LAST_LOOKED_AT = 0x00080018

COMMAND = 0x01
"""Bit of the message control header that marks a command (PS3.8 section E.2)."""

LONGEST_COMMENT = 64
"""Characters of Error Comment (0000,0902), VR LO."""


@dataclass(frozen=True, slots=True)
class Limits:
    """What one receiver takes on at once.

    Attributes
    ----------
    associations
        Associations open at the same time.
    pdu_bytes
        Longest protocol data unit asked for.
    object_bytes
        Longest object; a caller that sends a longer one is cut off.
    request_seconds, message_seconds, idle_seconds
        How long to wait for an association request or TLS handshake, for the rest of a message,
        and for the next message.

    Raises
    ------
    InvalidInput
        If one is not positive.
    """

    associations: int = 4
    pdu_bytes: int = 128 * 1024
    object_bytes: int = 2 * 1024**3
    request_seconds: float = 15
    message_seconds: float = 60
    idle_seconds: float = 120

    def __post_init__(self) -> None:
        faults = [
            Fault(f"{each.name} must be positive", found=repr(getattr(self, each.name)))
            for each in fields(self)
            if not getattr(self, each.name) > 0
        ]
        if faults:
            raise InvalidInput(faults)


@dataclass(frozen=True, slots=True)
class Received:
    """One object as it came.

    Attributes
    ----------
    content
        The object as the bytes of a DICOM file, with file meta information.
    sop_class_uid, sop_instance_uid
        What it is, as its data set says.
    ae_title, address
        Who sent it.
    """

    content: bytes = field(repr=False)
    sop_class_uid: str
    sop_instance_uid: str
    ae_title: str
    address: str


OnObject = Callable[[Received], Refusal | None]
"""Takes an object, or says why not. Called from the receiver's threads, one at a time."""


class Server(ThreadedAssociationServer):
    """Takes connections from known networks only, and no more than a few at once.

    Parameters
    ----------
    entity
        Title, presentation contexts and time-outs.
    address
        Where to listen.
    networks
        Networks each caller may come from, by AE title.
    on_object
        Takes the objects.
    limits
        What is taken on at once.
    context
        Certificates; ``None`` for unencrypted connections.
    """

    block_on_close = False

    def __init__(
        self,
        entity: ApplicationEntity,
        address: tuple[str, int],
        networks: Mapping[str, Collection[Network]],
        on_object: OnObject,
        *,
        limits: Limits,
        context: ssl.SSLContext | None,
    ) -> None:
        self._networks = [network for each in networks.values() for network in each]
        self._limits = limits
        handlers: list[EventHandlerType] = [
            (evt.EVT_REQUESTED, _Gate(networks, limits.associations)),
            (evt.EVT_PDU_RECV, _Counter(limits.object_bytes)),
            (evt.EVT_C_STORE, _store, [on_object, threading.Lock()]),
        ]
        contexts = entity.supported_contexts
        super().__init__(entity, address, entity.ae_title, contexts, context, handlers)

    def get_request(self) -> tuple[socket.socket, tuple[str, int]]:
        """Return the next connection, or raise OSError, which the server takes as none.

        Some more connections than associations are let in, to be answered with a rejection.
        """
        listening = cast("socket.socket", self.socket)
        connection, peer = listening.accept()
        most = self._limits.associations + SPARE_CONNECTIONS
        crowded = len(self.active_associations) >= most
        try:
            if crowded or not _is_in(peer[0], self._networks):
                raise ConnectionRefusedError
            return self._prepared(connection), peer
        except OSError:
            connection.close()
            raise

    def _prepared(self, connection: socket.socket) -> socket.socket:
        connection.settimeout(self._limits.request_seconds)
        if self.ssl_context is None:
            return connection
        return self.ssl_context.wrap_socket(
            connection, server_side=True, do_handshake_on_connect=False
        )

    def finish_request(self, request: Any, client_address: Any) -> None:
        """Begin an association, after the TLS handshake; runs in a thread of its own."""
        if isinstance(request, ssl.SSLSocket):
            request.do_handshake()
        request.settimeout(self._limits.message_seconds)
        super().finish_request(request, client_address)

    def handle_error(self, request: Any, client_address: Any) -> None:
        """Let a connection that failed go; the library would print its error."""

    def shutdown(self) -> None:
        """Stop listening and free the port."""
        TCPServer.shutdown(self)
        self.server_close()


class _Gate:
    """Lets associations of known callers in, so many at once and no more.

    Parameters
    ----------
    networks
        Networks each caller may come from, by AE title.
    most
        Associations open at the same time.
    """

    def __init__(self, networks: Mapping[str, Collection[Network]], most: int) -> None:
        self._networks, self._most = networks, most
        self._open: WeakSet[Association] = WeakSet()
        self._lock = threading.Lock()

    def __call__(self, event: Event) -> None:
        association = event.assoc
        requestor = association.requestor
        title = cast("A_ASSOCIATE", requestor.primitive).calling_ae_title.strip()
        if not _is_in(requestor.address, self._networks.get(title, ())):
            _reject(association, CALLER_NOT_KNOWN)
        elif not self._has_room_for(association):
            _reject(association, LIMIT_EXCEEDED)

    def _has_room_for(self, association: Association) -> bool:
        with self._lock:
            still_open = {each for each in self._open if _is_open(each)}
            has_room = len(still_open) < self._most
            self._open = WeakSet(still_open | ({association} if has_room else set()))
        return has_room


def _is_open(association: Association) -> bool:
    ended = association.is_released or association.is_aborted or association.is_rejected
    return association.is_alive() and not ended


def _reject(association: Association, reason: tuple[int, int, int]) -> None:
    association.acse.send_reject(*reason)
    association.kill()


class _Counter:
    """Counts the bytes of the message each association is sending, and cuts off what is too long.

    Parameters
    ----------
    most
        Bytes an object may have.
    """

    def __init__(self, most: int) -> None:
        self._most = most
        self._bytes: WeakKeyDictionary[Association, int] = WeakKeyDictionary()

    def __call__(self, event: Event) -> None:
        if not isinstance(event.pdu, P_DATA_TF):
            return
        for item in event.pdu.presentation_data_value_items:
            value = item.presentation_data_value or b"\0"
            so_far = 0 if value[0] & COMMAND else self._bytes.get(event.assoc, 0)
            self._bytes[event.assoc] = so_far + len(value)
        if self._bytes.get(event.assoc, 0) > self._most:
            event.assoc.abort()


def _is_in(address: str, networks: Collection[Network]) -> bool:
    ip = ip_address(address)
    mapped = getattr(ip, "ipv4_mapped", None) or ip
    return any(mapped in network for network in networks)


def _store(event: Event, on_object: OnObject, one_at_a_time: threading.Lock) -> Dataset:
    content = event.encoded_dataset()
    identifiers = _identifiers(content)
    if identifiers is None:
        return _status(CANNOT_UNDERSTAND, "the data set cannot be read")
    request = cast("C_STORE", event.request)
    if identifiers != (request.AffectedSOPClassUID, request.AffectedSOPInstanceUID):
        return _status(DOES_NOT_MATCH, "the data set is not the object that was announced")
    requestor = event.assoc.requestor
    received = Received(content, *identifiers, requestor.ae_title.strip(), requestor.address)
    try:
        with one_at_a_time:
            refusal = on_object(received)
    except Unavailable as error:
        return _status(OUT_OF_RESOURCES, error.faults[0].what)
    except ImgtrackError as error:
        return _status(CANNOT_UNDERSTAND, error.faults[0].what)
    return _status(SUCCESS) if refusal is None else _status(CANNOT_UNDERSTAND, refusal.reason)


def _status(code: int, comment: str = "") -> Dataset:
    """Return a response status; the comment names what is wrong, never what was found."""
    status = Dataset()
    status.Status = code
    if comment:
        plain = comment.encode("ascii", "replace").decode().replace("\\", "/")
        status.ErrorComment = plain[:LONGEST_COMMENT]
    return status


def _identifiers(content: bytes) -> tuple[str, str] | None:
    """Return SOP Class and Instance UID of an object; ``None`` when it cannot be read."""
    elements: Elements = {}
    try:
        envelope = unseal(BytesIO(content).read, VOCABULARY)
        envelope.walk.until(LAST_LOOKED_AT, elements)
    except (Unreadable, *READ_FAULTS):
        return None
    values = Values(elements, VOCABULARY, [])
    sop_class, instance = values.text("SOPClassUID"), values.text("SOPInstanceUID")
    return (sop_class, instance) if sop_class and instance else None
