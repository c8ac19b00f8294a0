"""Both kinds of database; every test that asks for ``dialect`` runs on each."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

from imgtrack.store.database import sqlite_url

sys.path.insert(0, str(Path(__file__).parent))  # for the helpers beside the tests


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
