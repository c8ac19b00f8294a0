"""Pass phrases: a reading is signed by who knows the phrase, and guessing is slow.

Only an Argon2 hash is kept (RFC 9106, by argon2-cffi). Each refused attempt is logged; after some
of them further attempts have to wait, twice as long each time, whichever desk they come from.
"""

from __future__ import annotations

import math
from datetime import timedelta
from itertools import takewhile
from typing import TYPE_CHECKING

from argon2 import PasswordHasher
from argon2.exceptions import InvalidHashError, VerificationError

from imgtrack.desk.refusal import refusal
from imgtrack.domain.cases import PassPhrase
from imgtrack.domain.errors import Fault, InvalidInput, Refused
from imgtrack.domain.protocol import Role

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import datetime

    from imgtrack.desk.study import Study
    from imgtrack.store.database import Look

STANDARD = PasswordHasher()
"""With the parameters argon2-cffi ships: those RFC 9106 recommends where memory is short."""

SHORTEST = 8
"""Fewest characters of a pass phrase (NIST SP 800-63B, section 5.1.1.2: at least 8)."""

FREE_ATTEMPTS = 3
FIRST_WAIT = timedelta(seconds=2)
LONGEST_WAIT = timedelta(minutes=5)

WRONG = "wrong pass phrase"
"""The act by which the log counts attempts."""
PROOFS = ("reading added", "pass phrase added")
"""Acts of a person that show a right phrase and end a row of wrong ones."""
MOST_COUNTED = 20


def set_pass_phrase(
    study: Study, new: str, *, old: str = "", hasher: PasswordHasher = STANDARD
) -> None:
    """Set the pass phrase of the person at the desk.

    Parameters
    ----------
    study
        Open, with the person at the desk.
    new
        The phrase from now on.
    old
        The phrase until now; empty when there is none.
    hasher
        Parameters of the hash; kept with it, so that later checks use the same.

    Raises
    ------
    InvalidInput
        When the new phrase is too short.
    Refused
        When the person is not of the study, or the old phrase is wrong.
    """
    study.require(Role, "set a pass phrase")
    if len(new) < SHORTEST:
        raise InvalidInput(
            Fault(
                "the pass phrase is too short",
                "pass phrase",
                f"{SHORTEST} characters or more, as a few words",
                f"{len(new)} characters",
                "choose a longer one",
            )
        )
    if needs_old(study):
        check_pass_phrase(study, old, "set a pass phrase")
    _record(study, study.who, hasher.hash(new))


def clear_pass_phrase(study: Study, person: str) -> None:
    """Clear the pass phrase of someone who forgot it, so that they can set a new one.

    Raises
    ------
    Refused
        When the person at the desk is no coordinator.
    InvalidInput
        When the study has no such person.
    """
    study.require([Role.COORDINATOR], "clear a pass phrase")
    if study.protocol.person_coded(person) is None:
        known = ", ".join(each.code for each in study.protocol.person)
        raise InvalidInput(Fault("the study has no such person", "study.toml", known, person))
    _record(study, person, "")


def needs_old(study: Study) -> bool:
    """Whether the person at the desk has a pass phrase, which is asked for before it changes."""
    with study.store.look() as look:
        return has_pass_phrase(look, study.who)


def has_pass_phrase(look: Look, person: str) -> bool:
    """Whether a person can sign."""
    return bool(encoded_of(look, person))


def check_pass_phrase(study: Study, phrase: str, act: str) -> None:
    """Refuse an act unless the phrase is that of the person at the desk.

    Parameters
    ----------
    study
        Open; no change of it under way.
    phrase
        As typed.
    act
        What it is for, in plain words; the log keeps it.

    Raises
    ------
    Refused
        When there is no phrase, it is another one, or too many attempts went wrong just now.
        Every wrong attempt is logged.
    """
    with study.store.look() as look:
        encoded = encoded_of(look, study.who)
        wrong = _wrong_in_a_row(look, study.who)
    if not encoded:
        raise refusal(study, act, _none_set(study.who))
    _require_patience(wrong, study.now())
    if not _matches(encoded, phrase):
        with study.store.change(who=study.who, now=study.now) as change:
            change.note(what=WRONG, record=f"person:{study.who}", new=act)
        raise Refused(
            Fault(
                "the pass phrase is wrong",
                "pass phrase",
                f"that of {study.who}",
                f"wrong attempt {len(wrong) + 1}",
                "type it again, or ask the coordinator to clear it",
            )
        )


def encoded_of(look: Look, person: str) -> str:
    """Return the hash a person's phrase is checked against; empty when there is none."""
    return next(reversed(look.values(PassPhrase, "encoded", person=person)), "")


def _matches(encoded: str, phrase: str) -> bool:
    try:
        return STANDARD.verify(encoded, phrase)
    except (VerificationError, InvalidHashError):
        return False


def _record(study: Study, person: str, encoded: str) -> None:
    with study.store.change(who=study.who, now=study.now) as change:
        number = len(change.values(PassPhrase, "key", person=person)) + 1
        key = f"{person}/{number}"
        change.add([PassPhrase(key, person, encoded, study.who, study.now())])


def _wrong_in_a_row(look: Look, person: str) -> list[datetime]:
    """Return when the person's latest attempts went wrong, the newest first."""
    entries = look.acts_of(person, (WRONG, *PROOFS), newest=MOST_COUNTED)
    return [entry.at for entry in takewhile(lambda entry: entry.what == WRONG, entries)]


def _require_patience(wrong: Sequence[datetime], now: datetime) -> None:
    if len(wrong) < FREE_ATTEMPTS:
        return
    wait = min(FIRST_WAIT * 2 ** (len(wrong) - FREE_ATTEMPTS), LONGEST_WAIT)
    left = wrong[0] + wait - now
    if left > timedelta(0):
        raise Refused(
            Fault(
                "too many wrong pass phrases",
                "pass phrase",
                "a pause before the next attempt",
                f"{len(wrong)} wrong in a row",
                f"wait {math.ceil(left.total_seconds())} seconds and type it again",
            )
        )


def _none_set(person: str) -> Fault:
    return Fault(
        f"{person} has no pass phrase yet",
        "pass phrase",
        "one",
        "none",
        f"run: imgtrack people --set-pass-phrase --as {person}",
    )
