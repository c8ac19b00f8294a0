"""Schema revisions: each has its migration, old ones come up to date, newer are refused."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from pathlib import Path

import pytest
import sqlalchemy as sa
from alembic.config import Config
from alembic.script import ScriptDirectory
from store_samples import RECORDS, records_of, repair

from imgtrack.domain.errors import Broken, InvalidInput, Refused
from imgtrack.domain.subjects import Repair
from imgtrack.store import guards, schema, snapshot
from imgtrack.store.connection import Database
from imgtrack.store.database import create, open_store, sqlite_url, upgrade
from imgtrack.store.tables import METADATA
from imgtrack.store.verify import verify

NEWEST = schema.REVISIONS[-1]
KEPT = sorted((Path(__file__).parent / "kept").glob("*.sql"))


def test_every_revision_has_its_migration_in_order():
    config = Config()
    config.set_main_option("script_location", str(schema.MIGRATIONS))
    scripts = ScriptDirectory.from_config(config).walk_revisions()
    assert tuple(reversed([script.revision for script in scripts])) == schema.REVISIONS


def test_a_database_of_every_revision_is_kept():
    assert [path.stem for path in KEPT] == list(schema.REVISIONS)


def _described(connection):
    inspector = sa.inspect(connection)
    return {
        table: {
            "columns": [
                (each["name"], str(each["type"]), each["nullable"])
                for each in inspector.get_columns(table)
            ],
            "key": inspector.get_pk_constraint(table),
            "links": sorted(map(str, inspector.get_foreign_keys(table))),
            "unique": sorted(map(str, inspector.get_unique_constraints(table))),
            "checks": sorted(
                (each["name"], each["sqltext"]) for each in inspector.get_check_constraints(table)
            ),
        }
        for table in inspector.get_table_names()
        if table != "alembic_version"
    }


def test_the_migrations_end_at_the_tables_the_program_uses(store, new_url, clock):
    engine = Database(_empty(new_url())).engine
    with engine.begin() as connection:
        METADATA.create_all(connection)
        wanted = _described(connection)
    engine.dispose()
    with store.look() as look:
        assert _described(look.connection) == wanted


def _empty(url):
    if url.startswith("sqlite"):
        Path(url.removeprefix("sqlite:///")).touch()
    return url


def _load(kept: Path, into: Path) -> str:
    with closing(sqlite3.connect(into)) as connection:
        connection.executescript(kept.read_text(encoding="utf-8"))
    return sqlite_url(into)


@pytest.mark.parametrize("kept", KEPT, ids=lambda path: path.stem)
def test_a_kept_database_comes_up_to_date_and_goes_on(kept, dialect, new_url, tmp_path, clock):
    url = _load(kept, tmp_path / "kept.sqlite")
    if dialect == "postgresql":
        url = _laid(url, new_url(), kept.stem)
    assert upgrade(url, who="JD", now=clock) == (kept.stem, schema.REVISIONS[-1])
    with open_store(url) as store:
        with store.look() as look:
            assert verify(look) == []
            assert guards.missing(look.connection) == []
            found = [record for kind in {type(r) for r in RECORDS} for record in look.all(kind)]
            kept_records = records_of(kept.stem)
            assert len(found) == len(kept_records) + 1  # and the amendment made when it was kept
            assert all(r in found for r in kept_records if not isinstance(r, Repair))
            assert look.get(Repair, "S001-R").site == "amended when kept"
        with store.change(who="JD", now=clock) as change:
            change.add([repair(9)])
        with store.look() as look:
            assert verify(look) == []


def _laid(source_url, target_url, revision):
    source, target = Database(source_url), Database(target_url)
    with source.reading() as there, target.writing("JD") as here:
        snapshot.lay(there, here, revision)
    source.close()
    target.close()
    return target_url


def test_an_older_schema_is_refused_until_it_is_upgraded(filled, url, clock, later_schema):
    later_schema.announce()
    with pytest.raises(Refused) as caught:
        open_store(url)
    (fault,) = caught.value.faults
    assert "later" in fault.expected
    assert NEWEST in fault.found
    assert "`imgtrack upgrade`" in fault.next_step
    assert upgrade(url, who="AB", now=clock) == (NEWEST, "later")
    with open_store(url) as opened, opened.look() as look:
        *_, entry = look.log()
        assert (entry.who, entry.what, entry.record) == ("AB", "schema upgraded", "schema")
        assert entry.new == f'{{"from":"{NEWEST}","to":"later"}}'
        assert verify(look) == []
        assert all(record == look.get(type(record), record.key) for record in RECORDS)


def test_upgrading_what_is_up_to_date_changes_nothing(filled, url, clock):
    with filled.look() as look:
        head = look.head()
    assert upgrade(url, who="AB", now=clock) == (schema.REVISIONS[-1],) * 2
    with filled.look() as look:
        assert look.head() == head


def test_a_migration_that_fails_leaves_everything_as_it_was(filled, url, clock, later_schema):
    with filled.look() as look:
        head = look.head()
    later_schema.announce()

    def broken_clock():
        raise LookupError("no time")

    with pytest.raises(LookupError):
        upgrade(url, who="AB", now=broken_clock)
    later_schema.withdraw()
    with filled.look() as look:
        assert look.head() == head
        assert verify(look) == []


@pytest.mark.parametrize("dialect", ["sqlite"])
def test_a_link_that_leads_nowhere_stops_a_migration(filled, url, clock, behind, later_schema):
    behind("PRAGMA foreign_keys = OFF", "UPDATE scans SET repair = 'nobody'")
    later_schema.announce()
    with pytest.raises(Broken, match="scans: a row names another that is not there"):
        upgrade(url, who="AB", now=clock)
    later_schema.withdraw()
    open_store(url).close()


def test_a_newer_schema_is_refused_by_name(filled, url, clock, behind):
    behind("UPDATE alembic_version SET version_num = '0099'")
    for attempt in (lambda: open_store(url), lambda: upgrade(url, who="JD", now=clock)):
        with pytest.raises(Refused, match="newer schema than program") as caught:
            attempt()
        (fault,) = caught.value.faults
        assert "0099" in fault.found
        assert schema.REVISIONS[-1] in fault.expected


def test_a_store_that_is_open_notices_a_newer_schema(filled, clock, behind):
    behind("UPDATE alembic_version SET version_num = '0099'")
    with pytest.raises(Refused, match="newer schema"), filled.look():
        pass
    with pytest.raises(Refused, match="newer schema"), filled.change(who="JD", now=clock):
        pass


def test_a_study_is_not_created_over_another(filled, url, clock):
    with pytest.raises(Refused, match="a study is already there"):
        create(url, who="JD", now=clock)
    with filled.look() as look:
        assert verify(look) == []


def test_a_study_is_not_created_among_other_tables(new_url, clock):
    url = _empty(new_url())
    engine = Database(url).engine
    with engine.begin() as connection:
        connection.exec_driver_sql("CREATE TABLE stranger (x INTEGER)")
    engine.dispose()
    with pytest.raises(Refused, match=r"not empty.*found tables stranger"):
        create(url, who="JD", now=clock)


def test_a_database_without_a_study_is_not_opened(new_url, clock):
    url = _empty(new_url())
    with pytest.raises(InvalidInput, match="there is no study in this database"):
        open_store(url)
    with pytest.raises(InvalidInput, match="there is no study in this database"):
        upgrade(url, who="JD", now=clock)
