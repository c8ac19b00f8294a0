"""Whose images these are, by what the key file knows; never by the nearest guess."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from imgtrack.store.identities import folded, folded_name

if TYPE_CHECKING:
    from imgtrack.dicom.records import Claim
    from imgtrack.store.keys import Identity, Keys


@dataclass(frozen=True, slots=True)
class Match:
    """The subject a claim belongs to, or why it is not certain.

    Attributes
    ----------
    subject
        Subject code; empty when nobody, or nobody for certain, was found.
    reason
        Why not, naming subject codes only; empty when one was found.
    is_conflict
        Whether the key file contradicts itself or the claim, rather than knowing nothing.
    """

    subject: str = ""
    reason: str = ""
    is_conflict: bool = False


def subject_of(keys: Keys, claim: Claim) -> Match:
    """Return the subject whom a header names.

    The hospital number finds a subject unless birth date or, where no birth dates can be
    compared, name contradict it. Without a known number, name and birth date together find one,
    unless the subject has another number. Case, accents' encoding, order of the parts of a name
    and the signs between them do not count.

    Parameters
    ----------
    keys
        The key file.
    claim
        What the header says.
    """
    by_number = keys.find(hospital_number=claim.patient_id) if folded(claim.patient_id) else []
    by_name = _by_name(keys, claim)
    if by_number:
        return _by_number(by_number, by_name, claim)
    if not by_name:
        return Match(reason="nobody in the key file has this number, or this name and birth date")
    others = [each for each in by_name if folded(each.hospital_number) and folded(claim.patient_id)]
    if others:
        return _conflict(others, "name and birth date are those of {}, the number is not")
    return _only(by_name, "name and birth date")


def same_name(one: str, other: str) -> bool:
    """Whether two names have the same parts, in one of their writings (Latin, ideographic...)."""
    writings = [{_parts(group) for group in name.split("=")} - {()} for name in (one, other)]
    return not writings[0].isdisjoint(writings[1])


def _parts(name: str) -> tuple[str, ...]:
    return tuple(sorted(folded_name(name).split()))


def _by_name(keys: Keys, claim: Claim) -> list[Identity]:
    if claim.birth_date is None:
        return []
    born = keys.find(birth_date=claim.birth_date)
    return [each for each in born if same_name(each.name, claim.name)]


def _by_number(numbered: list[Identity], named: list[Identity], claim: Claim) -> Match:
    agreed = [each for each in numbered if not _contradicts(each, claim)]
    if not agreed:
        return _conflict(numbered, "the number is that of {}, birth date or name are not")
    strangers = [each for each in named if each not in agreed]
    if strangers:
        return _conflict([*agreed, *strangers], "number and name belong to {}")
    return _only(agreed, "the number")


def _contradicts(identity: Identity, claim: Claim) -> bool:
    if identity.birth_date is not None and claim.birth_date is not None:
        return identity.birth_date != claim.birth_date
    both = folded_name(identity.name) and folded_name(claim.name)
    return bool(both) and not same_name(identity.name, claim.name)


def _only(found: list[Identity], what: str) -> Match:
    if len(found) == 1:
        return Match(found[0].subject)
    return _conflict(found, what + " fit {}")


def _conflict(found: list[Identity], words: str) -> Match:
    subjects = " and ".join(sorted({each.subject for each in found}))
    return Match(reason=words.format(subjects), is_conflict=True)
