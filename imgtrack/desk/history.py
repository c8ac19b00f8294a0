"""What the log says of one thing: a case, a scan, a repair, or all that a person did."""

from __future__ import annotations

from typing import TYPE_CHECKING

from imgtrack.desk.intake.listing import scan_named
from imgtrack.domain.cases import Case
from imgtrack.domain.errors import Fault, InvalidInput
from imgtrack.domain.imaging import Scan, study_of
from imgtrack.domain.protocol import Role
from imgtrack.domain.subjects import Repair

if TYPE_CHECKING:
    from collections.abc import Collection

    from imgtrack.desk.study import Study
    from imgtrack.domain.log import Entry
    from imgtrack.store.database import Look


def history(study: Study, about: str = "") -> list[Entry]:
    """Return the entries of the log about something, oldest first.

    Parameters
    ----------
    study
        Open, with a coordinator at the desk: the log tells what readers must not know.
    about
        Code of a case, which stands for its scan; a scan, as
        `imgtrack.desk.intake.listing.scan_named` reads it; code of a repair or of a person.
        Everything when empty.

    Raises
    ------
    InvalidInput
        When nothing goes by that name.
    Refused
        A person who is no coordinator.
    """
    study.require([Role.COORDINATOR], "read the log")
    with study.store.look() as look:
        if not about:
            return list(look.log())
        if study.protocol.person_coded(about) is not None:
            return [entry for entry in look.log() if entry.who == about]
        keys = _keys(look, about)
        return [entry for entry in look.log() if _concerns(entry, keys)]


def _keys(look: Look, about: str) -> set[str]:
    """Return the keys by which entries about something can be known."""
    case = look.get(Case, about)
    if case is not None:
        return _keys_of_scan(look, case.scan)
    repair = look.get(Repair, about)
    if repair is None:
        return _keys_of_scan(look, _scan(look, about).uid)
    scans = look.values(Scan, "uid", repair=about)
    return {about}.union(*(_keys_of_scan(look, uid) for uid in scans))


def _scan(look: Look, about: str) -> Scan:
    try:
        return scan_named(look, about)
    except InvalidInput as error:
        expected = "the code of a case, a repair or a person, or a scan"
        found = error.faults[0].found
        raise InvalidInput(Fault("nothing goes by this name", about, expected, found)) from error


def _keys_of_scan(look: Look, uid: str) -> set[str]:
    return {uid, study_of(uid), *look.values(Case, "code", scan=uid)}


def _concerns(entry: Entry, keys: Collection[str]) -> bool:
    """Whether an entry is about one of the keys, or about a record that names it whole."""
    _, _, key = entry.record.partition(":")
    told = (f'"{name}"' for name in keys)
    return key in keys or key.split("/")[0] in keys or any(name in entry.new for name in told)
