"""Keep a database of today's schema for the upgrade tests: ``python tests/store/keep.py``.

Run it once for every new revision, before the one after it is written, and commit what it writes
to ``kept/REVISION.sql``. Files of earlier revisions are never written again.
"""

from __future__ import annotations

import sqlite3
import sys
import tempfile
from contextlib import closing
from pathlib import Path

from store_samples import RECORDS, Clock, repair

from imgtrack.store.database import create, sqlite_url
from imgtrack.store.schema import REVISIONS


def keep(target: Path) -> None:
    """Write a study with every kind of record as SQL text."""
    if target.exists():
        sys.exit(f"{target.name} is kept already")
    clock = Clock()
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder, "study.sqlite")
        with create(sqlite_url(path), who="JD", now=clock) as store:
            with store.change(who="JD", now=clock) as change:
                change.add(RECORDS)
            with store.change(who="JD", now=clock) as change:
                change.amend(repair(1, site="amended when kept"), reason="to keep an amendment")
        with closing(sqlite3.connect(path)) as connection:
            target.write_text("\n".join(connection.iterdump()) + "\n", encoding="utf-8")


if __name__ == "__main__":
    keep(Path(__file__).parent / "kept" / f"{REVISIONS[-1]}.sql")
