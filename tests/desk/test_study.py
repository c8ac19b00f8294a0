"""Starting, opening and amending a study."""

from __future__ import annotations

import stat
from dataclasses import replace
from datetime import UTC, datetime

import pytest

from imgtrack.desk import protocols
from imgtrack.desk import study as studies
from imgtrack.desk.registry.enrol import enrol
from imgtrack.desk.registry.scores import take_scores
from imgtrack.domain.errors import InvalidInput, Refused, Unavailable
from imgtrack.domain.imaging import Modality, Scan
from imgtrack.domain.protocol import Role
from imgtrack.domain.reading import ProtocolVersion, Reading, Round

AT = datetime(2031, 9, 1, 12, 0, tzinfo=UTC)


def now() -> datetime:
    return AT


def rewrite(study, old, new) -> None:
    path = study.folder / studies.PROTOCOL_FILE
    text = path.read_text("utf-8")
    assert old in text
    path.write_text(text.replace(old, new), "utf-8")


def sign_a_reading(study, sheet) -> None:
    enrol(study, sheet("subject,side,operation_date", "S1,right,2031-03-03"))
    with study.store.change(who="C1", now=now) as change:
        change.add([Scan("1.2.3", "S1-R", "m03", AT.date(), Modality.MR)])
        change.add(
            [
                Reading(
                    "K1",
                    "1.2.3",
                    "R1",
                    Round.FIRST,
                    {"sugaya": "II"},
                    study.protocol.hash,
                    "0.1.0",
                    AT,
                    AT,
                )
            ]
        )


def test_a_started_study_opens_with_its_only_coordinator_at_the_desk(study):
    with studies.open_study(study.folder, now=now) as opened:
        assert (opened.who, opened.notice) == ("C1", "")
        assert opened.protocol.hash == study.protocol.hash
        assert opened.protocol.study.name == "Test study"
        with opened.store.look() as look:
            assert look.count(ProtocolVersion) == 1


def test_the_key_file_lies_apart_and_only_its_owner_may_read_it(study):
    assert not study.keys_path.is_relative_to(study.folder)
    assert stat.S_IMODE(study.keys_path.stat().st_mode) == 0o600
    assert studies.settings(study.folder)[1] == study.keys_path


def test_a_name_with_quotes_stands_in_the_protocol(tmp_path):
    name = 'The "double row" \\ study'
    with studies.start(tmp_path / "s", name=name, who="C1", now=now) as made:
        assert made.protocol.study.name == name


def test_a_folder_or_key_file_in_use_is_left_as_it_is(tmp_path):
    folder, keys = tmp_path / "s", tmp_path / "k.sqlite"
    folder.mkdir()
    (folder / "thesis.doc").write_text("x")
    keys.write_text("y")
    with pytest.raises(InvalidInput) as caught:
        studies.start(folder, name="x", who="C1", now=now, keys=keys)
    assert [fault.what for fault in caught.value.faults] == [
        "the folder is in use",
        "a key file is already there",
    ]
    assert [p.name for p in folder.iterdir()] == ["thesis.doc"]
    assert keys.read_text() == "y"


def test_a_start_that_fails_leaves_nothing_behind(tmp_path):
    url = "sqlite:////nowhere/at/all/study.sqlite"
    with pytest.raises((InvalidInput, Unavailable)):
        studies.start(tmp_path / "s", name="x", who="C1", now=now, url=url)
    assert list(tmp_path.iterdir()) == []
    (tmp_path / "empty").mkdir()
    with pytest.raises((InvalidInput, Unavailable)):
        studies.start(tmp_path / "empty", name="x", who="C1", now=now, url=url)
    assert list((tmp_path / "empty").iterdir()) == []


def test_a_folder_that_cannot_be_written(tmp_path):
    (tmp_path / "file").write_text("x")
    with pytest.raises(Unavailable, match="cannot be written"):
        studies.start(tmp_path / "file" / "s", name="x", who="C1", now=now)


def test_a_folder_that_is_no_study(tmp_path):
    with pytest.raises(InvalidInput, match=r"no study folder|not a study folder"):
        studies.open_study(tmp_path, now=now)


def test_a_protocol_that_is_no_utf8(study):
    (study.folder / studies.PROTOCOL_FILE).write_bytes(b"\xff\xfe")
    with pytest.raises(InvalidInput, match="not readable as text"):
        studies.open_study(study.folder, now=now)


@pytest.mark.parametrize("text", ["", "database = ", 'database = ""'])
def test_settings_that_cannot_be_read(study, text):
    (study.folder / studies.SETTINGS_FILE).write_text(text)
    with pytest.raises(InvalidInput, match="settings cannot be read"):
        studies.open_study(study.folder, now=now)


def test_with_two_coordinators_it_must_be_said_who_is_at_the_desk(study):
    rewrite(
        study,
        'role = "adjudicator"',
        'role = "adjudicator"\n[[person]]\ncode = "C2"\nrole = "coordinator"',
    )
    with pytest.raises(InvalidInput, match="not clear who is at the desk"):
        studies.open_study(study.folder, now=now)
    with studies.open_study(study.folder, who="C2", now=now) as opened:
        assert opened.who == "C2"


def test_before_any_reading_a_changed_protocol_is_put_in_force_and_logged(study):
    rewrite(study, "window = [77, 119]", "window = [77, 112]")
    with studies.open_study(study.folder, now=now) as opened:
        assert "its new text is in force now" in opened.notice
        with opened.store.look() as look:
            assert protocols.hash_in_force(look) == opened.protocol.hash
    with studies.open_study(study.folder, now=now) as again:
        assert again.notice == ""


def test_after_a_reading_a_change_needs_an_amendment_with_a_reason(study, sheet):
    sign_a_reading(study, sheet)
    rewrite(study, "window = [77, 119]", "window = [77, 112]")
    with pytest.raises(Refused, match="with 1 readings signed"):
        studies.open_study(study.folder, now=now)
    with studies.open_for_amendment(study.folder, now=now) as opened:
        how = {"who": "C1", "now": now}
        args = (opened.store, opened.protocol, opened.text)
        with pytest.raises(InvalidInput, match="needs a reason"):
            protocols.amend(*args, **how, reason=" ")
        assert protocols.amend(*args, **how, reason="the scanner was away")
        assert not protocols.amend(*args, **how, reason="again")
        with opened.store.look() as look:
            assert look.all(ProtocolVersion)[-1].reason == "the scanner was away"
    with studies.open_study(study.folder, now=now) as opened:
        assert opened.notice == ""


def test_a_comment_may_change_at_any_time(study, sheet):
    sign_a_reading(study, sheet)
    rewrite(study, "# The protocol of this study.", "# Our protocol.")
    with studies.open_study(study.folder, now=now) as opened:
        assert opened.notice == ""


def test_a_protocol_may_not_orphan_what_is_recorded(study, sheet):
    enrol(study, sheet("subject,side,operation_date", "S1,right,2031-03-03"))
    take_scores(study, sheet("subject,side,assessed_on,constant", "S1,r,2031-06-02,70"))
    rewrite(study, 'name = "m03"', 'name = "quarter"')
    rewrite(study, 'name = "constant"', 'name = "murley"')
    with pytest.raises(InvalidInput) as caught:
        studies.open_study(study.folder, now=now)
    assert [fault.what for fault in caught.value.faults] == [
        "the timepoint 'm03' holds records and is not in the protocol any more",
        "the score 'constant' holds records and is not in the protocol any more",
    ]


def test_a_person_without_the_role_is_refused_and_one_unknown_too(study):
    study.require([Role.COORDINATOR], "do this")
    for code in ("R1", "Z9"):
        with pytest.raises(Refused, match=f"{code} may not do this"):
            replace(study, who=code).require([Role.COORDINATOR], "do this")
