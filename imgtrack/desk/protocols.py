"""Put a protocol in force, and amend it once readings stand under it."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime
from typing import TYPE_CHECKING

from imgtrack.desk.reasons import AMENDMENT_REASON, reason_faults
from imgtrack.domain.errors import Fault, InvalidInput, Refused
from imgtrack.domain.imaging import Scan
from imgtrack.domain.reading import ProtocolVersion, Reading
from imgtrack.domain.subjects import Repair, Score

if TYPE_CHECKING:
    from collections.abc import Iterator

    from imgtrack.domain.protocol import Protocol
    from imgtrack.store.database import Look, Store

Clock = Callable[[], datetime]


def version_of(
    protocol: Protocol, text: str, *, who: str, at: datetime, reason: str = ""
) -> ProtocolVersion:
    """Return the record that puts a protocol in force from a moment on."""
    return ProtocolVersion(f"{protocol.hash}@{at.isoformat()}", text, who, at, reason)


def in_force(look: Look) -> ProtocolVersion:
    """Return the latest protocol put in force."""
    versions = look.all(ProtocolVersion)
    if not versions:
        raise InvalidInput(
            Fault("the database holds no protocol", "", "a study", "none", "run: imgtrack start")
        )
    return versions[-1]


def hash_in_force(look: Look) -> str:
    """Return the hash of the protocol in force."""
    return in_force(look).key.partition("@")[0]


def accept_if_changed(store: Store, protocol: Protocol, text: str, *, who: str, now: Clock) -> str:
    """Put a changed protocol in force while nothing has been read; say so in the returned notice.

    Raises
    ------
    Refused
        Readings stand under the protocol in force.
    InvalidInput
        The new text would orphan what is recorded already.
    """
    with store.look() as look:
        if hash_in_force(look) == protocol.hash:
            return ""
        if readings := look.count(Reading):
            raise Refused(
                Fault(
                    "the protocol was changed after readings were signed",
                    "study.toml",
                    f"the protocol in force, {hash_in_force(look)[:12]}",
                    f"{protocol.hash[:12]}, with {readings} readings signed",
                    'undo the change, or run: imgtrack protocol --amend "REASON"',
                )
            )
    _replace(store, protocol, text, who=who, now=now, reason="")
    return f"study.toml was changed; its new text is in force now ({protocol.hash[:12]})."


def amend(
    store: Store, protocol: Protocol, text: str, *, who: str, now: Clock, reason: str
) -> bool:
    """Put a changed protocol in force although readings exist; return whether it had changed."""
    if faults := reason_faults(reason, "--amend", what=AMENDMENT_REASON):
        raise InvalidInput(faults)
    with store.look() as look:
        if hash_in_force(look) == protocol.hash:
            return False
    _replace(store, protocol, text, who=who, now=now, reason=reason.strip())
    return True


def _replace(
    store: Store, protocol: Protocol, text: str, *, who: str, now: Clock, reason: str
) -> None:
    with store.change(who=who, now=now) as change:
        if faults := list(_orphans(protocol, change)):
            raise InvalidInput(faults)
        change.add([version_of(protocol, text, who=who, at=now(), reason=reason)])


def _timepoints_used(look: Look) -> set[str]:
    scans = {scan.timepoint for scan in look.all(Scan)}
    return (scans | {score.timepoint for score in look.all(Score)}) - {""}


def _orphans(protocol: Protocol, look: Look) -> Iterator[Fault]:
    """Yield what is recorded under names that the new protocol no longer has."""
    names = {point.name for point in protocol.timepoint}
    recorded = {
        "timepoint": (
            _timepoints_used(look),
            names,
        ),
        "score": (
            {score.name for score in look.all(Score)},
            {rule.name for rule in protocol.score},
        ),
        "site": (
            {repair.site for repair in look.all(Repair)} - {""},
            set(protocol.study.sites),
        ),
    }
    for what, (used, known) in recorded.items():
        for name in sorted(used - known):
            yield Fault(
                f"the {what} '{name}' holds records and is not in the protocol any more",
                "study.toml",
                f"a {what} named '{name}'",
                ", ".join(sorted(known)) or "none",
                "put it back; records are never moved to another name",
            )
