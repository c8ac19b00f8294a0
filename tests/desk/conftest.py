"""A study on a desk of its own, with a clock that stands still."""

from __future__ import annotations

import shutil
import sys
from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from pathlib import Path

import pytest

from imgtrack.desk import study as studies

sys.path.insert(0, str(Path(__file__).parent))  # for the helpers beside the tests

NOW = datetime(2031, 9, 1, 12, 0, tzinfo=UTC)


def now() -> datetime:
    return NOW


@pytest.fixture
def study(tmp_path: Path) -> Iterator[studies.Study]:
    with studies.start(tmp_path / "study", name="Test study", who="C1", now=now) as made:
        yield made


@pytest.fixture
def sheet(tmp_path: Path) -> Callable[..., Path]:
    """Write a sheet of lines and return its path."""

    def write(*lines: str, name: str = "sheet.csv") -> Path:
        path = tmp_path / name
        path.write_text("\n".join(lines) + "\n", "utf-8")
        return path

    return write


@pytest.fixture
def clock():
    from reading_desk import Clock

    return Clock()


@pytest.fixture(scope="session")
def prepared(tmp_path_factory):
    """A folder with a study nobody has changed, to be copied."""
    from reading_desk import prepare

    return prepare(tmp_path_factory.mktemp("prepared") / "desk").parent


@pytest.fixture
def reading_study(tmp_path, clock, prepared):
    """Start a study for reading, as often as it is called; words of its protocol may differ."""
    from reading_desk import opened

    made = []

    def begin(name: str = "desk", **how):
        shutil.copytree(prepared, tmp_path / name)
        made.append(opened(tmp_path / name / "study", clock, **how))
        return made[-1]

    yield begin
    for study in made:
        study.close()
