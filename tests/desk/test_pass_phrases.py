"""Pass phrases: kept as a hash only, asked before every signature, slow to guess."""

from __future__ import annotations

import pytest
from argon2 import PasswordHasher, Type
from argon2.low_level import hash_secret
from reading_desk import PHRASE, QUICK, desk_of, log_of, with_phrase

from imgtrack.desk.people.pass_phrases import (
    STANDARD,
    check_pass_phrase,
    clear_pass_phrase,
    encoded_of,
    needs_old,
    set_pass_phrase,
)
from imgtrack.domain.cases import PassPhrase
from imgtrack.domain.errors import InvalidInput, Refused


def check(desk, phrase=PHRASE):
    check_pass_phrase(desk, phrase, "sign case X")


def encoded(study, person):
    with study.store.look() as look:
        return encoded_of(look, person)


def test_the_hash_is_argon2id_with_parameters_an_rfc_recommends():
    """RFC 9106, section 4: the second recommended option is argon2id with t=3, p=4, m=2^16 KiB, a
    128-bit salt and a 256-bit tag."""
    assert (STANDARD.type, STANDARD.time_cost, STANDARD.parallelism) == (Type.ID, 3, 4)
    assert (STANDARD.memory_cost, STANDARD.salt_len, STANDARD.hash_len) == (2**16, 16, 32)


def test_the_hash_names_its_algorithm_and_never_the_phrase(reading_study):
    study = reading_study()
    set_pass_phrase(desk_of(study, "R1"), PHRASE)
    kept = encoded(study, "R1")
    assert kept.startswith("$argon2id$v=19$m=65536,t=3,p=4$")
    with study.store.look() as look:
        assert all(PHRASE not in f"{entry}" for entry in look.log())
        assert kept not in repr(look.all(PassPhrase))


def test_a_hash_made_elsewhere_with_known_salt_is_accepted(reading_study):
    """The reference C library behind argon2-cffi is asked directly for the encoded form."""
    study = reading_study()
    made = hash_secret(PHRASE.encode(), b"somesalt", 2, 256, 1, 32, Type.ID).decode()
    with study.store.change(who="R1", now=study.now) as change:
        change.add([PassPhrase("R1/1", "R1", made, "R1", study.now())])
    check(desk_of(study, "R1"))
    with pytest.raises(Refused, match="wrong"):
        check(desk_of(study, "R1"), PHRASE.upper())


def test_only_the_latest_phrase_counts_and_the_old_one_is_asked_first(reading_study):
    study = reading_study()
    assert not needs_old(desk_of(study, "R1"))
    desk = with_phrase(study, "R1")
    assert needs_old(desk)
    with pytest.raises(Refused, match="wrong"):
        set_pass_phrase(desk, "another long phrase", old="guess", hasher=QUICK)
    set_pass_phrase(desk, "another long phrase", old=PHRASE, hasher=QUICK)
    check(desk, "another long phrase")
    with pytest.raises(Refused, match="wrong"):
        check(desk)


def test_people_do_not_share_phrases(reading_study):
    study = reading_study()
    with_phrase(study, "R1")
    with pytest.raises(Refused, match="R2 has no pass phrase yet"):
        check(desk_of(study, "R2"))
    set_pass_phrase(desk_of(study, "R2"), "four fast foxes", hasher=QUICK)
    with pytest.raises(Refused, match="wrong"):
        check(desk_of(study, "R2"))


def test_a_short_phrase_is_refused(reading_study):
    with pytest.raises(InvalidInput, match="8 characters or more"):
        set_pass_phrase(desk_of(reading_study(), "R1"), "seven77")


def test_who_is_not_of_the_study_sets_none(reading_study):
    with pytest.raises(Refused, match="Z9 may not set a pass phrase"):
        set_pass_phrase(desk_of(reading_study(), "Z9"), PHRASE)


def test_a_forgotten_phrase_is_cleared_by_the_coordinator(reading_study):
    study = reading_study()
    desk = with_phrase(study, "R1")
    with pytest.raises(Refused, match="R2 may not clear"):
        clear_pass_phrase(desk_of(study, "R2"), "R1")
    with pytest.raises(InvalidInput, match="no such person"):
        clear_pass_phrase(study, "Z9")
    clear_pass_phrase(study, "R1")
    with pytest.raises(Refused, match="no pass phrase yet"):
        check(desk)
    set_pass_phrase(desk, "four fast foxes", hasher=QUICK)
    check(desk, "four fast foxes")


def wrong(desk):
    with pytest.raises(Refused) as caught:
        check(desk, "guess")
    return caught.value.faults[0]


def test_wrong_attempts_are_logged_and_slowed(reading_study, clock):
    study = reading_study()
    desk = with_phrase(study, "R1")
    for number in (1, 2, 3):
        assert wrong(desk).found == f"wrong attempt {number}"
    assert log_of(study)[-3:] == [("R1", "wrong pass phrase", "person:R1")] * 3
    for wait in (2, 4, 8):  # doubled with each
        assert wrong(desk).next_step == f"wait {wait} seconds and type it again"
        with pytest.raises(Refused, match="too many wrong"):
            check(desk)  # the right one has to wait as well
        clock.move(seconds=wait)
        assert wrong(desk).what == "the pass phrase is wrong"
    clock.move(seconds=16)
    check(desk)
    with pytest.raises(Refused, match="no pass phrase"):
        check(desk_of(study, "R2"))  # who has none, and no wait either


def test_the_wait_has_an_end(reading_study, clock):
    study = reading_study()
    desk = with_phrase(study, "R1")
    for _ in range(25):
        wrong(desk)
        clock.move(minutes=5)
    check(desk)
    wrong(desk)
    assert wrong(desk).next_step.startswith("wait 300 seconds")
    clock.move(hours=1)
    set_pass_phrase(desk, "four fast foxes", old=PHRASE, hasher=QUICK)
    assert wrong(desk).found == "wrong attempt 1"


def test_a_hash_that_is_none_lets_nobody_in(reading_study):
    study = reading_study()
    with study.store.change(who="C1", now=study.now) as change:
        change.add([PassPhrase("R1/1", "R1", "plain", "C1", study.now())])
    with pytest.raises(Refused, match="wrong"):
        check(desk_of(study, "R1"), "plain")


def test_a_new_hash_is_salted():
    quick = PasswordHasher(time_cost=1, memory_cost=8, parallelism=1)
    assert quick.hash(PHRASE) != quick.hash(PHRASE)
