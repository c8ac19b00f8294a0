"""The key file: the only place that knows who the subjects are."""

from __future__ import annotations

import os
import sqlite3
import stat
from contextlib import closing
from dataclasses import replace
from datetime import date, datetime

import pytest

from imgtrack.domain.errors import Broken, InvalidInput, Refused, Unavailable
from imgtrack.store.keys import Identity, create_keys, is_key_file, open_keys

JANE = Identity("S001", "Doe^Jane", "00471-A", date(1950, 3, 31))
JOHN = Identity("S002", "Doe, John Paul", "471-a", date(1950, 3, 31))
BARE = Identity("S003", "Müller")
EVERYONE = [JANE, JOHN, BARE]


@pytest.fixture
def path(tmp_path):
    return tmp_path / "keys.sqlite"


@pytest.fixture
def keys(path):
    with create_keys(path) as opened:
        opened.add(EVERYONE)
        yield opened


def test_identities_come_back(keys, path):
    keys.close()
    with open_keys(path) as again:
        assert again.all() == EVERYONE
        assert again.identity("S002") == JOHN
        assert again.identity("S999") is None


def test_only_the_owner_may_read_any_of_its_files(keys, path):
    modes = {each.name: stat.S_IMODE(each.stat().st_mode) for each in path.parent.iterdir()}
    assert set(modes) == {"keys.sqlite", "keys.sqlite-wal", "keys.sqlite-shm"}
    assert set(modes.values()) == {0o600}


def test_a_key_file_others_may_read_is_refused(keys, path):
    keys.close()
    path.chmod(0o640)
    with pytest.raises(Refused, match="others may read the key file") as caught:
        open_keys(path)
    assert caught.value.faults[0].found == "-rw-r-----"
    assert "chmod 600" in caught.value.faults[0].next_step


def test_the_same_identity_again_changes_nothing(keys):
    assert keys.add([JANE, BARE, JANE]) == 0
    assert keys.add([JANE, Identity("S004")]) == 1
    assert keys.all() == [*EVERYONE, Identity("S004")]


@pytest.mark.parametrize(
    "other",
    [
        replace(JANE, name="Roe^Jane"),
        replace(JANE, hospital_number="00471"),
        replace(JANE, birth_date=None),
    ],
)
def test_another_identity_is_refused_and_names_only_the_subject(keys, other):
    with pytest.raises(Refused) as caught:
        keys.add([Identity("S009", "New^One"), other])
    message = str(caught.value)
    assert "subject S001" in message
    assert not any(secret in message for secret in ("Jane", "Doe", "Roe", "471", "1950"))
    assert keys.all() == EVERYONE


def test_two_identities_for_one_new_subject_are_refused(keys):
    with pytest.raises(Refused, match="subject S009"):
        keys.add([Identity("S009", "One"), Identity("S009", "Two")])
    assert keys.identity("S009") is None


def test_printing_an_identity_shows_the_subject_only():
    assert repr(JANE) == "Identity(subject='S001')"


@pytest.mark.parametrize(
    ("asked", "found"),
    [
        ({"name": "DOE^JANE"}, [JANE]),
        ({"name": "doe, jane "}, [JANE]),
        ({"name": "Doe^John^Paul"}, [JOHN]),
        ({"name": "Jane Doe"}, []),
        ({"name": "Mu\u0308LLER"}, [BARE]),
        ({"hospital_number": " 00471-a"}, [JANE]),
        ({"hospital_number": "471-A"}, [JOHN]),
        ({"birth_date": date(1950, 3, 31)}, [JANE, JOHN]),
        ({"birth_date": date(1950, 3, 31), "name": "doe jane"}, [JANE]),
        ({"name": "doe^jane", "hospital_number": "471-A"}, []),
        ({"name": "Müller", "birth_date": date(1950, 3, 31)}, []),
    ],
)
def test_people_are_found_by_all_that_is_given(keys, asked, found):
    assert keys.find(**asked) == found


@pytest.mark.parametrize("asked", [{}, {"name": " ^ ", "hospital_number": " "}])
def test_nothing_finds_nobody(keys, asked):
    with pytest.raises(InvalidInput, match="nothing to look for"):
        keys.find(**asked)


@pytest.mark.parametrize(
    "identity",
    [
        Identity(" "),
        Identity("S009", "a\0b"),
        Identity("S009", hospital_number=4711),
        Identity("S009", birth_date=datetime(1950, 1, 1)),
    ],
)
def test_an_identity_that_cannot_be_kept_is_refused_without_showing_it(keys, identity):
    with pytest.raises(InvalidInput) as caught:
        keys.add([identity])
    assert "a\\x00b" not in str(caught.value)
    assert "4711" not in str(caught.value)


def test_replacements_of_uids_are_kept(keys):
    keys.remember_uid("1.2", "2.25.2")
    keys.remember_uid("1.2", "2.25.2")
    assert keys.replacement_for("1.2") == "2.25.2"
    assert keys.replacement_for("1.3") is None


def test_many_uids_at_once(keys):
    pairs = {f"1.2.{number}": f"2.25.{number}" for number in range(1300)}
    assert keys.remember_uids(pairs) == 1300
    assert keys.remember_uids(pairs | {"1.9": "2.9"}) == 1
    assert keys.replacements_for([*pairs, "unknown"]) == pairs
    assert keys.remember_uids({}) == 0


@pytest.mark.parametrize(
    "pairs",
    [{"1.2": "2.9"}, {"1.3": "2.2"}, {"1.3": "2.3", "1.4": "2.3"}, {"1.5": "2.5", "1.2": "2.8"}],
    ids=["other replacement", "replacement taken", "one for two", "one of several"],
)
def test_a_uid_keeps_its_one_partner(keys, pairs):
    keys.remember_uid("1.2", "2.2")
    with pytest.raises(Refused, match="with another partner"):
        keys.remember_uids(pairs)
    assert keys.replacements_for(["1.2", "1.3", "1.4", "1.5"]) == {"1.2": "2.2"}


def test_a_key_file_is_marked_in_its_header(keys, path, tmp_path):
    """Bytes 68 to 71 are the application ID, sqlite.org/fileformat.html section 1.3."""
    assert path.read_bytes()[68:72] == b"IMTK"
    assert is_key_file(path)
    (tmp_path / "short").write_bytes(b"SQLite format 3")
    assert not is_key_file(tmp_path / "short")


def test_a_key_file_is_not_created_over_anything(keys, path, tmp_path):
    with pytest.raises(Refused, match="a file is already there"):
        create_keys(path)
    with pytest.raises(Unavailable, match="cannot be read or written"):
        create_keys(tmp_path / "no such folder" / "keys.sqlite")


def test_a_key_file_that_does_not_fit_on_the_disk_leaves_nothing(small_disk):
    (small_disk / "ballast").write_bytes(bytes(2**21 - 2**13))
    with pytest.raises(Unavailable, match="disk full"):
        create_keys(small_disk / "keys.sqlite")
    assert [each.name for each in small_disk.iterdir()] == ["ballast"]


def test_only_a_key_file_is_opened(tmp_path, path):
    with pytest.raises(InvalidInput, match="there is no key file here"):
        open_keys(path)
    with closing(sqlite3.connect(path)) as connection:
        connection.execute("CREATE TABLE stranger (x)")
    before = path.read_bytes()
    with pytest.raises(InvalidInput, match="this is not a key file"):
        open_keys(path)
    assert path.read_bytes() == before


def test_a_newer_key_file_is_refused(keys, path):
    keys.close()
    with closing(sqlite3.connect(path)) as connection:
        connection.execute("PRAGMA user_version = 99")
    with pytest.raises(Refused, match="newer key file than program"):
        open_keys(path)


def test_a_damaged_key_file_says_so(keys, path):
    keys.close()
    content = path.read_bytes()
    path.write_bytes(content[:100] + os.urandom(len(content) - 100))
    with pytest.raises(Broken, match="the database file is damaged"), open_keys(path) as broken:
        broken.all()
