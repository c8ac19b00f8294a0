"""A study as a place: its folder, protocol, store, key file, and who is at the desk."""

from __future__ import annotations

import os
import shutil
import tomllib
from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import datetime
from importlib import resources
from pathlib import Path
from typing import TYPE_CHECKING, Self

from imgtrack.desk import protocols
from imgtrack.desk.refusal import refusal
from imgtrack.domain.errors import Fault, InvalidInput, Unavailable
from imgtrack.domain.protocol import Protocol, Role, read_protocol
from imgtrack.store import database
from imgtrack.store.keys import Keys, create_keys, open_keys
from imgtrack.store.study_files import is_new_or_empty

if TYPE_CHECKING:
    from collections.abc import Iterable

Clock = Callable[[], datetime]

PROTOCOL_FILE = "study.toml"
SETTINGS_FILE = "settings.toml"
DATABASE_FILE = "study.sqlite"


@dataclass(frozen=True, slots=True)
class Study:
    """An open study.

    Attributes
    ----------
    folder
        The study folder, with ``study.toml`` and ``settings.toml``.
    protocol, text
        The protocol of the folder and the text it was read from.
    store
        The durable records.
    keys_path
        The key file, the only place where a subject code meets an identity.
    who
        Code of the person at the desk.
    now
        Clock giving aware UTC times.
    notice
        What opening the study changed, in plain words; empty for nothing.
    """

    folder: Path
    protocol: Protocol
    text: str
    store: database.Store
    keys_path: Path
    who: str
    now: Clock
    notice: str = ""

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """Give the database back; the study cannot be used afterwards."""
        self.store.close()

    def keys(self) -> Keys:
        """Open the key file."""
        return open_keys(self.keys_path)

    def require(self, roles: Iterable[Role], act: str) -> None:
        """Refuse, and log the refusal, unless the person at the desk has one of the roles."""
        allowed = tuple(roles)
        person = self.protocol.person_coded(self.who)
        if person is not None and person.role in allowed:
            return
        found = f"{self.who} is {person.role.value}" if person else f"{self.who} is not in it"
        fault = Fault(
            f"{self.who} may not {act}",
            PROTOCOL_FILE,
            "a person with role " + " or ".join(role.value for role in allowed),
            found,
            "give --as CODE of such a person, or ask the coordinator",
        )
        raise refusal(self, act, fault)


def start(
    folder: Path, *, name: str, who: str, now: Clock, url: str = "", keys: Path | None = None
) -> Study:
    """Make a new study: a commented protocol, settings, an empty store and an empty key file.

    Parameters
    ----------
    folder
        Must not exist yet, or be empty.
    name
        Name of the study for the protocol.
    who
        Code of the coordinator who starts it.
    url
        Database URL; a SQLite file in the folder when empty.
    keys
        Where the key file goes; beside the study folder when ``None``.

    Raises
    ------
    InvalidInput
        The folder or key file is in use, or the name cannot stand in a protocol. Nothing is left
        behind.
    """
    template = resources.files("imgtrack.desk").joinpath("starter.toml").read_text("utf-8")
    text = template.format(name=name.replace("\\", "\\\\").replace('"', '\\"'), who=who)
    protocol = read_protocol(text)
    keys_path = (keys or folder.parent / f"{folder.resolve().name}-keys" / "keys.sqlite").resolve()
    _require_free(folder, keys_path)
    existed = folder.exists()
    try:
        _lay_folder(folder, text, url, keys_path)
        store = database.create(_url(folder, url), who=who, now=now)
        with store.change(who=who, now=now) as change:
            change.add([protocols.version_of(protocol, text, who=who, at=now())])
        keys_path.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
        create_keys(keys_path).close()
    except BaseException:
        _sweep(folder, keep=existed)
        raise
    return Study(folder, protocol, text, store, keys_path, who, now)


def join(folder: Path, *, who: str, now: Clock, url: str, keys: Path | None = None) -> Study:
    """Open a further site's desk on a database that already holds a study.

    The folder gets the protocol in force and settings that name the database; the site keeps a
    key file of its own.
    """
    keys_path = (keys or folder.parent / f"{folder.resolve().name}-keys" / "keys.sqlite").resolve()
    _require_free(folder, keys_path)
    store = database.open_store(url)
    with store.look() as look:
        text = protocols.in_force(look).text
    protocol = read_protocol(text)
    _lay_folder(folder, text, url, keys_path)
    keys_path.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
    create_keys(keys_path).close()
    return Study(folder, protocol, text, store, keys_path, who, now)


def open_study(folder: Path, *, who: str = "", now: Clock) -> Study:
    """Open a study and hold its protocol file against the protocol in force.

    Parameters
    ----------
    folder
        The study folder.
    who
        Code of the person at the desk; the protocol's only coordinator when empty.

    Raises
    ------
    InvalidInput
        The folder is no study, or ``study.toml`` has faults (all reported together).
    Refused
        The protocol changed after readings were signed, which needs an amendment.
    """
    study = open_for_amendment(folder, who=who, now=now)
    try:
        notice = protocols.accept_if_changed(
            study.store, study.protocol, study.text, who=study.who, now=now
        )
    except BaseException:
        study.close()
        raise
    return replace(study, notice=notice)


def open_for_amendment(folder: Path, *, who: str = "", now: Clock) -> Study:
    """Open a study without holding its protocol file against the protocol in force."""
    protocol, text = protocol_of(folder)
    url, keys_path = settings(folder)
    person = who or only_coordinator(protocol)
    return Study(folder, protocol, text, database.open_store(url), keys_path, person, now)


def protocol_of(folder: Path) -> tuple[Protocol, str]:
    """Return the protocol of a study folder and its text."""
    path = folder / PROTOCOL_FILE
    try:
        text = path.read_text("utf-8")
    except FileNotFoundError as error:
        raise InvalidInput(
            Fault(
                "this is not a study folder",
                str(folder),
                f"a file {PROTOCOL_FILE}",
                "none",
                "go into the study folder, give --study FOLDER, or run: imgtrack start FOLDER",
            )
        ) from error
    except UnicodeDecodeError as error:
        raise InvalidInput(
            Fault("not readable as text", str(path), "UTF-8", str(error), "save it as UTF-8")
        ) from error
    return read_protocol(text, where=str(path)), text


def settings(folder: Path) -> tuple[str, Path]:
    """Return the database URL and the path of the key file of a study folder."""
    path = folder / SETTINGS_FILE
    try:
        data = tomllib.loads(path.read_text("utf-8"))
        return _url(folder, data["database"]), (folder / data["keys"]).resolve()
    except (OSError, tomllib.TOMLDecodeError, KeyError, UnicodeDecodeError) as error:
        raise InvalidInput(
            Fault(
                "the settings cannot be read",
                str(path),
                'database = "" or a URL, and keys = "path of the key file"',
                f"{type(error).__name__}: {error}",
                "mend or restore the file",
            )
        ) from error


def _url(folder: Path, url: str) -> str:
    return url or database.sqlite_url(folder / DATABASE_FILE)


def folder_faults(folder: Path) -> list[Fault]:
    """Return the fault of a folder that is in use, where a new or empty one is needed."""
    if is_new_or_empty(folder):
        return []
    found = "a file" if folder.is_file() else "files in it"
    where, expected = str(folder), "an empty or new folder"
    return [Fault("the folder is in use", where, expected, found, "choose another folder")]


def _require_free(folder: Path, keys_path: Path) -> None:
    faults = folder_faults(folder)
    if keys_path.exists():
        faults.append(
            Fault(
                "a key file is already there",
                str(keys_path),
                "no file",
                "a file",
                "choose another place with --keys PATH",
            )
        )
    if faults:
        raise InvalidInput(faults)


def _lay_folder(folder: Path, text: str, url: str, keys_path: Path) -> None:
    keys = Path(os.path.relpath(keys_path, folder.resolve())).as_posix()
    try:
        folder.mkdir(parents=True, exist_ok=True)
        (folder / PROTOCOL_FILE).write_text(text, "utf-8")
        (folder / SETTINGS_FILE).write_text(
            "# Where this desk keeps its records. Leave database empty for a file in this folder,\n"
            "# or give a URL, as postgresql://user@server/study (password through PGPASSWORD).\n"
            f'database = "{url}"\n'
            "# The key file links subject codes to people. Keep it apart, and out of back-ups.\n"
            f'keys = "{keys}"\n',
            "utf-8",
        )
    except OSError as error:
        raise Unavailable(
            Fault(
                "the study folder cannot be written",
                str(folder),
                "a place with room and permission to write",
                error.strerror or str(error),
                "choose another folder or make room",
            )
        ) from error


def _sweep(folder: Path, *, keep: bool) -> None:
    """Remove what an unsuccessful start wrote."""
    if not folder.is_dir():
        return
    if keep:
        for path in folder.iterdir():
            path.unlink()
    else:
        shutil.rmtree(folder)


def only_coordinator(protocol: Protocol) -> str:
    """Return the code of the only coordinator; several are a fault, as it is not clear who."""
    coordinators = protocol.people(Role.COORDINATOR)
    if len(coordinators) == 1:
        return coordinators[0].code
    raise InvalidInput(
        Fault(
            "it is not clear who is at the desk",
            PROTOCOL_FILE,
            "a code, as the study has several coordinators",
            ", ".join(person.code for person in coordinators),
            "give --as CODE or set IMGTRACK_AS",
        )
    )
