"""Both kinds of database, and a screen for every process that runs tests.

Every test that asks for ``dialect`` runs on each kind.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from imgtrack.store.database import sqlite_url

sys.path.insert(0, str(Path(__file__).parent))  # for the helpers beside the tests


SCREEN = pytest.StashKey[subprocess.Popen[bytes]]()


def pytest_configure(config):
    """Give each of several test processes a screen of its own, where there is a virtual one.

    Windows of two processes on one screen take the keyboard focus from each other.
    """
    if hasattr(config, "workerinput") and os.environ.get("DISPLAY") and shutil.which("Xvfb"):
        come, tell = os.pipe()
        options = ["-displayfd", str(tell), "-screen", "0", "1920x1200x24", "-nolisten", "tcp"]
        watched = ["sh", "-c", 'Xvfb "$@" & read _; kill $!', "sh", *options]
        config.stash[SCREEN] = subprocess.Popen(
            watched, pass_fds=[tell], stdin=subprocess.PIPE, stderr=subprocess.DEVNULL
        )  # its standard input closes with this process, after every window of it is gone
        os.close(tell)
        with os.fdopen(come) as told:
            os.environ["DISPLAY"] = f":{told.readline().strip()}"
        os.environ.pop("XAUTHORITY", None)


@pytest.fixture(scope="session")
def server():
    """A running PostgreSQL server; skips where there is none."""
    import postgres_server

    folder = postgres_server.programs()
    if folder is None:
        pytest.skip(postgres_server.ABSENT)
    running = postgres_server.Server(folder)
    yield running
    running.stop()


@pytest.fixture(params=["sqlite", pytest.param("postgresql", marks=pytest.mark.postgres)])
def dialect(request):
    return request.param


@pytest.fixture
def new_url(dialect, request, tmp_path):
    """Return the URL of a new, empty place for a study, as often as it is called."""
    numbers = iter(range(100))

    def make() -> str:
        if dialect == "postgresql":
            return request.getfixturevalue("server").database()
        return sqlite_url(tmp_path / f"study{next(numbers)}.sqlite")

    return make
