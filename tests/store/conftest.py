"""One study on each kind of database; every test that asks for ``store`` runs on both."""

from __future__ import annotations

import shutil
import sqlite3
import subprocess
import sys
from contextlib import closing, contextmanager
from pathlib import Path

import psycopg
import pytest

from imgtrack.store import guards, schema
from imgtrack.store.database import create, open_store, sqlite_url, upgrade

HERE = Path(__file__).parent
PATIENCE = 10.0

sys.path.insert(0, str(HERE))  # for the helpers beside the tests, which are no package


@pytest.fixture(scope="session")
def make_clock():
    from store_samples import Clock

    return Clock


@pytest.fixture
def clock(make_clock):
    return make_clock()


@pytest.fixture(scope="session")
def template(server, make_clock):
    """Name of a PostgreSQL database with an empty study, to be copied."""
    server.execute("CREATE DATABASE empty_study TEMPLATE template0")
    create(server.url("empty_study"), who="JD", now=make_clock()).close()
    return "empty_study"


@pytest.fixture(scope="session")
def template_file(tmp_path_factory, make_clock):
    """A SQLite file with an empty study, to be copied."""
    path = tmp_path_factory.mktemp("template") / "study.sqlite"
    create(sqlite_url(path), who="JD", now=make_clock()).close()
    return path


@pytest.fixture
def url(dialect, request, tmp_path):
    """URL of a study that holds nothing yet."""
    if dialect == "postgresql":
        template = request.getfixturevalue("template")
        return request.getfixturevalue("server").database(template)
    path = tmp_path / "study.sqlite"
    shutil.copy(request.getfixturevalue("template_file"), path)
    return sqlite_url(path)


@pytest.fixture
def store(url):
    with open_store(url, patience=PATIENCE) as opened:
        yield opened


@pytest.fixture
def filled(store, clock):
    """A store with every kind of record in it."""
    fill(store, clock)
    return store


def fill(store, clock):
    from store_samples import RECORDS

    with store.change(who="JD", now=clock) as change:
        change.add(RECORDS)


@pytest.fixture(scope="session")
def standing_studies():
    opened = {}
    yield opened
    for store in opened.values():
        store.close()


@pytest.fixture
def standing(dialect, request, standing_studies):
    """A filled store that many tests share, because none of them changes it."""
    if dialect not in standing_studies:
        standing_studies[dialect] = request.getfixturevalue("filled_for_good")
    return standing_studies[dialect]


@pytest.fixture
def filled_for_good(url, clock):
    opened = open_store(url, patience=PATIENCE)
    fill(opened, clock)
    return opened


@pytest.fixture
def behind(url, dialect):
    """Run SQL behind the program's back."""

    @contextmanager
    def connected():
        if dialect == "postgresql":
            with psycopg.connect(url) as connection:
                yield connection
        else:
            path = url.removeprefix("sqlite:///")
            with closing(sqlite3.connect(path)) as connection, connection:
                yield connection

    def run(*statements: str) -> list:
        with connected() as connection:
            for statement in statements:
                cursor = connection.execute(statement)
            return cursor.fetchall() if cursor.description else []

    return run


@pytest.fixture
def tamper(behind, dialect):
    """Run SQL with the guards taken down, and put them up again as if nothing had been."""

    def run(*statements: str) -> None:
        every = guards.guards(dialect)
        on = " ON {0}" if dialect == "postgresql" else ""
        down = [f"DROP TRIGGER {each.name}" + on.format(each.table) for each in every]
        behind(*down, *statements, *(each.statement for each in every))

    return run


@pytest.fixture
def writer(url):
    """Start second processes that write; see store_writer.py. Whatever still runs is killed."""
    started = []

    def start(way: str, *, first: int = 1000, count: int = 1) -> subprocess.Popen[str]:
        command = [sys.executable, HERE / "store_writer.py", url, way, str(first), str(count)]
        process = subprocess.Popen(
            command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
        )
        started.append(process)
        assert process.stdout.readline() == "ready\n"
        return process

    yield start
    for process in started:
        process.kill()
        process.communicate()


class LaterSchema:
    """Makes the program one revision newer than it is, with the migration in ``later``."""

    def __init__(self, monkeypatch, url, clock):
        self._monkeypatch = monkeypatch
        self._url = url
        self._clock = clock

    def announce(self) -> None:
        """From now on the program knows the revision ``later``."""
        folders = (*schema.VERSION_FOLDERS, HERE / "later")
        self._monkeypatch.setattr(schema, "REVISIONS", (*schema.REVISIONS, "later"))
        self._monkeypatch.setattr(schema, "VERSION_FOLDERS", folders)

    def withdraw(self) -> None:
        """From now on the program is what it was."""
        self._monkeypatch.undo()

    def __call__(self) -> None:
        """Bring the study to the revision ``later``."""
        self.announce()
        upgrade(self._url, who="JD", now=self._clock)


@pytest.fixture
def later_schema(monkeypatch, url, clock):
    return LaterSchema(monkeypatch, url, clock)


@pytest.fixture
def small_disk(tmp_path):
    """A file system of two megabytes, where the tests may mount one."""
    folder = tmp_path / "small"
    folder.mkdir()
    mount = ["mount", "-t", "tmpfs", "-o", "size=2m", "none", folder]
    if subprocess.run(mount, capture_output=True, check=False).returncode:
        pytest.skip("only root may mount a small file system")
    yield folder
    subprocess.run(["umount", folder], check=True)
