"""A study on a desk of its own, with a clock that stands still."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from pathlib import Path

import pytest

from imgtrack.desk import study as studies

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
