"""What the key file keeps for intake: the secret, studies that wait, and older layouts of it."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from dataclasses import replace
from datetime import date

import pytest

from imgtrack.store.connection import PATIENCE_SECONDS, connect_sqlite
from imgtrack.store.keys import Identity, create_keys, open_keys
from imgtrack.store.waiting import WaitingState, WaitingStudy

FIRST_LAYOUT = """
PRAGMA application_id = 0x494D544B;
PRAGMA user_version = 1;
CREATE TABLE identities (
    subject TEXT NOT NULL CHECK (subject <> ''), name TEXT NOT NULL,
    hospital_number TEXT NOT NULL, birth_date DATE,
    folded_name TEXT NOT NULL, folded_number TEXT NOT NULL, PRIMARY KEY (subject)
);
CREATE INDEX ix_identities_folded_name ON identities (folded_name);
CREATE INDEX ix_identities_folded_number ON identities (folded_number);
CREATE TABLE uids (original TEXT NOT NULL, replacement TEXT NOT NULL,
    PRIMARY KEY (original), UNIQUE (replacement));
INSERT INTO identities VALUES ('S001', 'Doe^Jane', 'P1', '1950-03-31', 'doe jane', 'p1');
INSERT INTO uids VALUES ('1.2', '2.25.2');
"""
"""A key file as the first layout was, with one identity and one UID."""

STUDY = WaitingStudy(
    code="W-ABCDEFGH",
    study_uid="1.2.3",
    reason="nobody has this number",
    examined_on=date(2031, 6, 1),
    modalities=("DX", "MR"),
    claim={"name": "Müller^Jörg", "number": "P1", "birth date": ""},
    files=(("/scans/a\udc80.dcm", ""), ("/scans/b.zip", "deep/ü.dcm")),
)


@pytest.fixture
def path(tmp_path):
    return tmp_path / "keys.sqlite"


@pytest.fixture
def keys(path):
    with create_keys(path) as opened:
        yield opened


def test_the_secret_is_drawn_once_and_for_each_file_anew(keys, path, tmp_path):
    assert len(keys.secret()) == 32
    with open_keys(path) as again, create_keys(tmp_path / "other.sqlite") as other:
        assert again.secret() == keys.secret()
        assert other.secret() != keys.secret()


def test_waiting_studies_come_back_as_they_were(keys):
    """Names of files that are no text (surrogates, PEP 383) among them."""
    keys.wait(STUDY)
    assert keys.waiting() == [STUDY]
    assert keys.waiting_under("W-ABCDEFGH") == STUDY
    assert keys.waiting_under("W-OTHER") is None
    keys.wait(replace(STUDY, state=WaitingState.PLACED, examined_on=None))
    (found,) = keys.waiting()
    assert (found.state, found.examined_on) == (WaitingState.PLACED, None)


def test_waiting_studies_are_listed_by_day(keys):
    earlier = replace(STUDY, code="W-B", study_uid="1.2.4", examined_on=date(2031, 5, 1))
    keys.wait(STUDY)
    keys.wait(earlier)
    assert keys.waiting() == [earlier, STUDY]


def test_printing_a_waiting_study_names_nobody():
    shown = repr(STUDY)
    assert not any(secret in shown for secret in ("Müller", "P1", "1.2.3", "/scans"))


def test_a_key_file_of_the_first_layout_is_brought_up_to_date(path):
    with closing(sqlite3.connect(path)) as connection:
        connection.executescript(FIRST_LAYOUT)
    path.chmod(0o600)
    with open_keys(path) as keys:
        secret = keys.secret()
        assert keys.identity("S001") == Identity("S001", "Doe^Jane", "P1", date(1950, 3, 31))
        assert keys.replacement_for("1.2") == "2.25.2"
        keys.wait(STUDY)
    with open_keys(path) as keys:
        assert keys.secret() == secret
        assert keys.waiting() == [STUDY]


def test_a_key_file_whose_making_was_interrupted_is_laid_out(path):
    path.touch(mode=0o600)
    with closing(connect_sqlite(path, PATIENCE_SECONDS)) as connection:
        connection.execute("PRAGMA application_id = 0x494D544B")
        connection.execute("PRAGMA journal_mode = WAL")
    with open_keys(path) as keys:
        assert keys.all() == []
        assert len(keys.secret()) == 32
