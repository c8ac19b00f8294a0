"""A whole study goes into one archive and comes back, from and to either kind of database."""

from __future__ import annotations

import hashlib
import json
import os
import zipfile
from datetime import UTC, date, datetime
from pathlib import Path
from random import Random

import pytest
from store_samples import RECORDS, repair

from imgtrack.domain.errors import Broken, ImgtrackError, InvalidInput, Refused, Unavailable
from imgtrack.domain.subjects import Repair
from imgtrack.store import archive as archives
from imgtrack.store import schema
from imgtrack.store.backup import backup, restore
from imgtrack.store.database import open_store, sqlite_url
from imgtrack.store.keys import Identity, create_keys
from imgtrack.store.verify import verify

NEWEST = schema.REVISIONS[-1]
FILES = {
    "study.toml": b'name = "invented"\n',
    "scans/S001-R/m06/1.dcm": bytes(range(256)) * 5000,
    "empty.txt": b"",
    "Bilder/Größe 1: a\\b?.png": b"\x89PNG",
}


def now():
    return datetime(2025, 7, 1, 9, 0, tzinfo=UTC)


@pytest.fixture
def study(tmp_path):
    """A study folder without database."""
    folder = tmp_path / "study"
    for name, content in FILES.items():
        path = folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(content)
    os.utime(folder / "study.toml", (0, 0))  # older than a zip can tell
    return folder


@pytest.fixture
def archived(filled, url, study, tmp_path):
    """Back the study up to ``kept.zip``, or to another name."""

    def make(name="kept.zip"):
        return backup(study, url, tmp_path / name, now=now)

    return make


@pytest.fixture
def archive(archived):
    return archived().archive


def contents(folder):
    return {
        path.relative_to(folder).as_posix(): path.read_bytes()
        for path in folder.rglob("*")
        if path.is_file()
    }


def everything(store):
    with store.look() as look:
        assert verify(look) == []
        kinds = sorted({type(record) for record in RECORDS}, key=str)
        return [look.all(kind) for kind in kinds], list(look.log())


@pytest.mark.parametrize("into", ["sqlite", pytest.param("postgresql", marks=pytest.mark.postgres)])
def test_a_study_comes_back_as_it_was(filled, archived, tmp_path, request, into):
    report = archived()
    target = sqlite_url(tmp_path / "elsewhere.sqlite")
    if into == "postgresql":
        target = request.getfixturevalue("server").database()
    restored = restore(tmp_path / "kept.zip", tmp_path / "again", target)
    assert contents(tmp_path / "again") == FILES
    with open_store(target) as store:
        assert everything(store) == everything(filled)
        with store.look() as look:
            assert look.head() == (report.number, report.digest)
    assert restored == report
    assert report.records == len(RECORDS)
    assert report.files == len(FILES)
    assert report.made_at == "2025-07-01T09:00:00+00:00"
    assert report.schema == schema.REVISIONS[-1]
    assert report.skipped == ()


@pytest.mark.parametrize("dialect", ["sqlite"])
def test_a_database_in_the_study_folder_comes_back_there(filled, url, study, tmp_path):
    filled.close()
    (study / "data").mkdir()
    inside = study / "data" / "study.sqlite"
    Path(url.removeprefix("sqlite:///")).rename(inside)
    with open_store(sqlite_url(inside)) as store:  # its write-ahead log lies beside it
        expected = everything(store)
        backup(study, sqlite_url(inside), tmp_path / "kept.zip", now=now)
    (tmp_path / "again").mkdir()  # an empty folder will do
    target = sqlite_url(tmp_path / "again" / "data" / "study.sqlite")
    restore(tmp_path / "kept.zip", tmp_path / "again", target)
    with open_store(target) as store:
        assert everything(store) == expected
    assert set(contents(tmp_path / "again")) == {*FILES, "data/study.sqlite"}


def test_the_archive_holds_what_its_manifest_says(archive):
    """SHA-256 per member, FIPS 180-4; a zip any program reads."""
    with zipfile.ZipFile(archive) as packed:
        assert packed.testzip() is None
        manifest = json.loads(packed.read("manifest.json"))
        members = set(packed.namelist()) - {"manifest.json"}
        assert set(manifest["members"]) == members
        assert members == {"database.sqlite", *(f"study/{name}" for name in FILES)}
        for name, (digest, size) in manifest["members"].items():
            content = packed.read(name)
            assert (hashlib.sha256(content).hexdigest(), len(content)) == (digest, size)


def test_a_backup_is_whole_while_another_process_writes(store, url, study, writer, tmp_path):
    process = writer("many", first=0, count=2000)
    reports = [backup(study, url, tmp_path / f"{each}.zip", now=now) for each in range(2)]
    assert process.poll() is None, "the writer ended before the backup, which shows nothing"
    process.kill()
    process.wait()
    with store.look() as look:
        digests = {entry.number: entry.digest for entry in look.log()}
    for each, report in enumerate(reports):
        assert digests[report.number] == report.digest
        target = sqlite_url(tmp_path / f"{each}.sqlite")
        restore(tmp_path / f"{each}.zip", tmp_path / f"again{each}", target)
        with open_store(target) as restored, restored.look() as look:
            assert verify(look, expect_head=report.digest) == []
            assert look.count(Repair) == report.records
    assert len(digests) > reports[1].number >= reports[0].number


def test_the_key_file_and_earlier_backups_stay_out(filled, url, study, tmp_path):
    keys = create_keys(study / "who is who")
    keys.add([Identity("S001", "DOE^JANE", "4711", date(1950, 1, 1))])
    assert (study / "who is who-wal").exists()
    backup(study, url, study / "first.zip", now=now)
    (study / "linked").symlink_to(tmp_path)
    (study / "lost").symlink_to(tmp_path / "nowhere")
    os.mkfifo(study / "pipe")
    report = backup(study, url, study / "second.zip", now=now)
    keys.close()
    assert sorted(report.skipped) == [
        "first.zip: an earlier backup",
        "linked: a link to a folder",
        "lost: a link to nothing",
        "pipe: not a regular file",
        "who is who-shm: the key file, keep a copy of it elsewhere",
        "who is who-wal: the key file, keep a copy of it elsewhere",
        "who is who: the key file, keep a copy of it elsewhere",
    ]
    content = (study / "second.zip").read_bytes()
    with zipfile.ZipFile(study / "second.zip") as packed:
        content += b"".join(packed.read(name) for name in packed.namelist())
        assert {name for name in packed.namelist() if name.startswith("study/")} == {
            f"study/{name}" for name in FILES
        }
    assert b"DOE" not in content
    assert b"4711" not in content
    assert not list(study.glob(".imgtrack*"))


def test_a_file_that_goes_meanwhile_is_named(filled, url, study, tmp_path):
    def progress(done, total):
        (study / "study.toml").unlink(missing_ok=True)

    report = backup(study, url, tmp_path / "kept.zip", now=now, progress=progress)
    assert report.skipped == ("study.toml: gone before it was copied",)
    restore(tmp_path / "kept.zip", tmp_path / "again", sqlite_url(tmp_path / "again.sqlite"))
    assert set(contents(tmp_path / "again")) == set(FILES) - {"study.toml"}


def test_a_folder_that_cannot_be_listed_stops_the_backup(archived, study, monkeypatch):
    scandir = os.scandir

    def fails(path):
        if path == str(study / "scans"):
            raise PermissionError(13, "Permission denied", str(path))
        return scandir(path)

    monkeypatch.setattr(os, "scandir", fails)
    with pytest.raises(Unavailable, match="scans: a file cannot be read or written"):
        archived()


def test_a_file_whose_name_is_no_text_stops_the_backup(archived, study):
    latin = os.fsdecode("Größe.txt".encode("latin-1"))  # as old programs wrote it
    (study / "scans" / latin).touch()
    with pytest.raises(InvalidInput, match="the name of this file is no text") as caught:
        archived()
    assert "Gr\\udcf6\\udcdfe.txt" in caught.value.faults[0].where


def test_nothing_is_restored_beside_the_remains_of_another_database(archive, tmp_path):
    (tmp_path / "again.sqlite-wal").write_bytes(b"changes of a database that is gone")
    with pytest.raises(Refused, match=r"again\.sqlite-wal"):
        restore(archive, tmp_path / "again", sqlite_url(tmp_path / "again.sqlite"))


def test_progress_is_told_in_bytes_up_to_the_end(filled, url, study, tmp_path):
    seen = []
    backup(
        study, url, tmp_path / "kept.zip", now=now, progress=lambda *numbers: seen.append(numbers)
    )
    again = []
    restore(
        tmp_path / "kept.zip",
        tmp_path / "again",
        sqlite_url(tmp_path / "again.sqlite"),
        progress=lambda *numbers: again.append(numbers),
    )
    for steps in (seen, again):
        assert [done for done, _ in steps] == sorted(done for done, _ in steps)
        assert steps[-1][0] == steps[-1][1] > sum(map(len, FILES.values()))


def test_a_backup_overwrites_nothing(archive, url, study):
    before = archive.read_bytes()
    with pytest.raises(Refused, match="a file is already there"):
        backup(study, url, archive, now=now)
    assert archive.read_bytes() == before


def test_a_backup_that_fails_leaves_nothing(filled, url, study, tmp_path):
    def stop(done, total):
        raise KeyboardInterrupt

    folder = tmp_path / "backups"
    folder.mkdir()
    with pytest.raises(KeyboardInterrupt):
        backup(study, url, folder / "kept.zip", now=now, progress=stop)
    assert list(folder.iterdir()) == []
    with pytest.raises(Unavailable, match="cannot be read or written"):
        backup(study, url, tmp_path / "no such folder" / "kept.zip", now=now)


def test_a_backup_onto_a_full_disk_leaves_nothing(filled, url, study, small_disk):
    (study / "big.bin").write_bytes(os.urandom(2_500_000))
    with pytest.raises(Unavailable, match="disk full"):
        backup(study, url, small_disk / "kept.zip", now=now)
    assert list(small_disk.iterdir()) == []


def test_there_has_to_be_a_study_to_back_up(study, tmp_path):
    with pytest.raises(InvalidInput, match="there is no study database here"):
        backup(study, sqlite_url(tmp_path / "no.sqlite"), tmp_path / "kept.zip", now=now)


def test_a_study_of_an_older_schema_is_backed_up_and_restored_as_it_is(
    archived, tmp_path, later_schema, new_url
):
    """Restored, it is as old as it was; the check runs on an upgraded copy."""
    archived()
    later_schema.announce()
    target = new_url()
    report = restore(tmp_path / "kept.zip", tmp_path / "again", target)
    assert report.schema == NEWEST
    with pytest.raises(Refused, match="older schema than program"):
        open_store(target)
    older = archived("older.zip")
    assert (older.schema, older.digest) == (NEWEST, report.digest)
    later_schema.withdraw()
    with open_store(target) as store:
        assert len(everything(store)[1]) == report.number


def test_an_archive_of_a_newer_program_is_refused(archive, url, study, tmp_path, later_schema):
    later_schema()
    backup(study, url, tmp_path / "newer.zip", now=now)
    later_schema.withdraw()
    with pytest.raises(Refused, match="newer schema than program"):
        restore(tmp_path / "newer.zip", tmp_path / "again", sqlite_url(tmp_path / "a.sqlite"))
    assert not (tmp_path / "again").exists()


def test_nothing_is_restored_over_something(archive, filled, study, tmp_path):
    before = everything(filled)
    free = sqlite_url(tmp_path / "free.sqlite")
    with pytest.raises(Refused, match="not restored over something else"):
        restore(archive, study, free)
    message = "over something else" if filled.dialect == "sqlite" else "a study is already there"
    with pytest.raises(Refused, match=message):
        restore(archive, tmp_path / "again", filled.url)
    assert everything(filled) == before
    assert contents(study) == FILES
    assert not (tmp_path / "again").exists()


def altered(archive, target, change):
    """Write the archive anew with ``change`` applied to its members by name."""
    with zipfile.ZipFile(archive) as source:
        members = {name: source.read(name) for name in source.namelist()}
    change(members)
    with zipfile.ZipFile(target, "w") as packed:
        for name, content in members.items():
            packed.writestr(name, content)
        packed.comment = archives.COMMENT
    return target


def edit_manifest(files, **changes):
    manifest = json.loads(files["manifest.json"])
    files["manifest.json"] = json.dumps(manifest | changes).encode()


def rename_outwards(files, name):
    members = json.loads(files["manifest.json"])["members"]
    members[name] = members.pop("study/empty.txt")
    edit_manifest(files, members=members)
    files[name] = files.pop("study/empty.txt")


@pytest.mark.parametrize(
    ("change", "named"),
    [
        (lambda m: m.update({"study/study.toml": b"name = 'forged'"}), ["study/study.toml"]),
        (lambda m: m.pop("study/empty.txt"), ["study/empty.txt"]),
        (lambda m: m.update({"study/more.txt": b"x"}), ["study/more.txt"]),
        (
            lambda m: m.update({"study/study.toml": b"", "study/more.txt": b"x"}),
            ["study/more.txt", "study/study.toml"],
        ),
        (lambda m: m.pop("manifest.json"), ["changed.zip"]),
        (lambda m: m.update({"manifest.json": b"{"}), ["changed.zip"]),
        (lambda m: m.update({"manifest.json": b"[]"}), ["changed.zip"]),
        (lambda m: rename_outwards(m, "../outside.txt"), ["../outside.txt"]),
        (lambda m: rename_outwards(m, "/outside.txt"), ["/outside.txt"]),
        (lambda m: rename_outwards(m, "C:/outside.txt"), ["C:/outside.txt"]),
        (lambda m: rename_outwards(m, "study/../outside.txt"), ["study/../outside.txt"]),
        (lambda m: edit_manifest(m, members={"database.sqlite": ["x", "y"]}), ["changed.zip"]),
        (lambda m: edit_manifest(m, digest="f" * 64), ["log"]),
    ],
)
@pytest.mark.parametrize("dialect", ["sqlite"])
def test_a_changed_archive_is_broken_and_says_where(archive, tmp_path, change, named):
    changed = altered(archive, tmp_path / "changed.zip", change)
    before = set(tmp_path.iterdir())
    with pytest.raises(Broken) as caught:
        restore(changed, tmp_path / "again", sqlite_url(tmp_path / "again.sqlite"))
    assert [fault.where.split(str(tmp_path) + "/")[-1] for fault in caught.value.faults] == named
    assert set(tmp_path.iterdir()) == before


@pytest.mark.parametrize("dialect", ["sqlite"])
def test_one_wrong_bit_anywhere_is_found_or_does_not_matter(archive, tmp_path):
    """The zip's own book-keeping holds bytes that tell nothing, as the time of a file."""
    content = archive.read_bytes()
    random = Random(20250701)
    directory = content.rindex(b"PK\x01\x02")
    places = [random.randrange(len(content)) for _ in range(20)]
    places += [random.randrange(directory, len(content)) for _ in range(20)]
    outcomes = []
    for number, place in enumerate(places):
        wrong = bytearray(content)
        wrong[place] ^= 1 << random.randrange(8)
        (tmp_path / "damaged.zip").write_bytes(wrong)
        again, target = tmp_path / f"again{number}", tmp_path / f"again{number}.sqlite"
        try:
            restore(tmp_path / "damaged.zip", again, sqlite_url(target))
        except ImgtrackError as error:
            outcomes.append(type(error))
            assert not again.exists()
            assert not target.exists()
        else:
            assert contents(again) == FILES
    assert len(outcomes) > len(places) // 2
    assert set(outcomes) <= {Broken, InvalidInput, Unavailable}


@pytest.mark.parametrize("dialect", ["sqlite"])
@pytest.mark.parametrize("share", [0.0, 0.5, 0.99])
def test_an_archive_cut_short_is_broken(archive, tmp_path, share):
    content = archive.read_bytes()
    (tmp_path / "cut.zip").write_bytes(content[: int(len(content) * share)])
    with pytest.raises(Broken, match="the archive is damaged"):
        restore(tmp_path / "cut.zip", tmp_path / "again", sqlite_url(tmp_path / "a.sqlite"))
    assert not (tmp_path / "again").exists()


@pytest.mark.parametrize("dialect", ["sqlite"])
def test_a_record_edited_before_the_backup_is_found_on_restoring(
    filled, url, study, tmp_path, tamper
):
    tamper("UPDATE readings SET reader = 'B' WHERE key = 'r1'")
    backup(study, url, tmp_path / "kept.zip", now=now)
    with pytest.raises(Broken, match="reading:r1: a row was edited"):
        restore(tmp_path / "kept.zip", tmp_path / "again", sqlite_url(tmp_path / "again.sqlite"))
    assert not (tmp_path / "again").exists()
    assert not (tmp_path / "again.sqlite").exists()


@pytest.mark.parametrize("dialect", ["sqlite"])
def test_only_our_archives_are_restored(archive, tmp_path):
    target = sqlite_url(tmp_path / "again.sqlite")
    with pytest.raises(InvalidInput, match="there is no archive here"):
        restore(tmp_path / "no.zip", tmp_path / "again", target)
    (tmp_path / "text.zip").write_text("not a zip")
    with pytest.raises(Broken, match="the archive is damaged"):
        restore(tmp_path / "text.zip", tmp_path / "again", target)
    with zipfile.ZipFile(tmp_path / "other.zip", "w") as packed:
        packed.writestr("a.txt", "a")
    with pytest.raises(InvalidInput, match="this is not a backup of a study"):
        restore(tmp_path / "other.zip", tmp_path / "again", target)
    newer = altered(archive, tmp_path / "newer.zip", lambda m: edit_manifest(m, format=99))
    with pytest.raises(Refused, match="newer backup than program"):
        restore(newer, tmp_path / "again", target)


@pytest.mark.parametrize("dialect", ["sqlite"])
def test_a_folder_that_cannot_be_laid_takes_the_database_back(archive, tmp_path, monkeypatch):
    rename = Path.rename

    def fails(self, target):
        if target == tmp_path / "again":
            raise PermissionError(13, "Permission denied", str(target))
        return rename(self, target)

    monkeypatch.setattr(Path, "rename", fails)
    with pytest.raises(Unavailable, match="Permission denied"):
        restore(archive, tmp_path / "again", sqlite_url(tmp_path / "elsewhere.sqlite"))
    assert not (tmp_path / "elsewhere.sqlite").exists()


def test_a_restored_study_goes_on(archive, tmp_path, new_url, clock):
    target = new_url()
    restore(archive, tmp_path / "again", target)
    with open_store(target) as store:
        with store.change(who="JD", now=clock) as change:
            change.add([repair(9)])
        everything(store)
