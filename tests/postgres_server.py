"""A PostgreSQL server of the tests' own: temporary, on a Unix socket only, gone afterwards."""

from __future__ import annotations

import os
import pwd
import shutil
import subprocess
import tempfile
from itertools import count
from pathlib import Path

import psycopg

DEBIAN_PROGRAMS = Path("/usr/lib/postgresql")
ABSENT = (
    "PostgreSQL server programs (initdb, postgres) not found on PATH or below"
    f" {DEBIAN_PROGRAMS}: install the package postgresql to run these tests"
)
SUPERUSER = "imgtrack"


def programs() -> Path | None:
    """Return the folder of the server programs, the newest if there are several."""
    found = shutil.which("initdb")
    folders = [Path(found).resolve().parent] if found else []
    folders += sorted(DEBIAN_PROGRAMS.glob("*/bin"), key=lambda each: int(each.parent.name))[::-1]
    for folder in folders:
        if (folder / "initdb").exists() and (folder / "postgres").exists():
            return folder
    return None


def _unprivileged() -> dict[str, object]:
    """Return how to start a process that initdb accepts: it refuses to run as root."""
    if os.geteuid() != 0:
        return {}
    for name in ("postgres", "nobody"):
        try:
            person = pwd.getpwnam(name)
        except KeyError:
            continue
        return {"user": person.pw_uid, "group": person.pw_gid, "extra_groups": []}
    raise RuntimeError("neither postgres nor nobody is a user of this machine")


def _quick_disk() -> Path | None:
    """Return the disk in memory where there is one with room; else leave it to `tempfile`."""
    memory = Path("/dev/shm")
    roomy = memory.is_dir() and shutil.disk_usage(memory).free > 2 * 2**30
    return memory if roomy and os.access(memory, os.W_OK) else None


class Server:
    """A running server; `database` makes a new database and returns its URL."""

    def __init__(self, folder: Path) -> None:
        self.person = _unprivileged()
        self.home = Path(tempfile.mkdtemp(prefix="imgtrack-pg-", dir=_quick_disk()))
        if self.person:
            os.chown(self.home, self.person["user"], self.person["group"])
        self._numbers = count(1)
        self._initialise(folder)
        self._start(folder)

    def _initialise(self, folder: Path) -> None:
        command = [folder / "initdb", "-D", self.home / "data", "-U", SUPERUSER, "-A", "trust"]
        command += ["-E", "UTF8", "--locale=C", "--no-sync"]
        done = subprocess.run(
            command, cwd=self.home, capture_output=True, text=True, check=False, **self.person
        )
        if done.returncode:
            raise RuntimeError(f"initdb failed: {done.stdout}{done.stderr}")

    def _start(self, folder: Path) -> None:
        settings = {
            "listen_addresses": "",
            "unix_socket_directories": str(self.home),
            "fsync": "off",
            "max_connections": "40",
            "autovacuum": "off",
        }
        command = [folder / "pg_ctl", "-D", self.home / "data", "-l", self.home / "log", "-w"]
        options = " ".join(f"-c {name}='{value}'" for name, value in settings.items())
        subprocess.run(
            [*command, "-o", options, "start"],
            cwd=self.home,
            stdout=subprocess.DEVNULL,
            check=True,
            **self.person,
        )
        self._stop = [folder / "pg_ctl", "-D", self.home / "data", "-m", "fast", "stop"]

    def stop(self) -> None:
        """Stop the server and remove every trace of it."""
        subprocess.run(
            self._stop, cwd=self.home, stdout=subprocess.DEVNULL, check=True, **self.person
        )
        shutil.rmtree(self.home)

    def url(self, database: str) -> str:
        return f"postgresql://{SUPERUSER}@/{database}?host={self.home}"

    def execute(self, statement: str) -> None:
        """Run one statement outside any transaction, as CREATE DATABASE needs it."""
        with psycopg.connect(self.url("postgres"), autocommit=True) as connection:
            connection.execute(statement)

    def database(self, template: str = "template0", extra: str = "") -> str:
        """Create a database and return its URL."""
        name = f"study{next(self._numbers)}"
        self.execute(f"CREATE DATABASE {name} TEMPLATE {template} {extra}")
        return self.url(name)
