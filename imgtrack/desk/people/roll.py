"""Who is in the study, and who can sign."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from imgtrack.desk.cases.lists import training_of
from imgtrack.desk.people.pass_phrases import has_pass_phrase
from imgtrack.domain.protocol import Person, Role

if TYPE_CHECKING:
    from imgtrack.desk.study import Study
    from imgtrack.domain.training import Training


@dataclass(frozen=True, slots=True)
class Standing:
    """One person of the study.

    Attributes
    ----------
    person
        Code and role.
    can_sign
        Whether a pass phrase is set.
    training
        Where a reader stands with the training set; ``None`` for other roles.
    """

    person: Person
    can_sign: bool
    training: Training | None


def people(study: Study) -> tuple[Standing, ...]:
    """Return everyone of the study, in the order of the protocol.

    Raises
    ------
    Refused
        When the person at the desk is no coordinator.
    """
    study.require([Role.COORDINATOR], "see who can sign")
    with study.store.look() as look:
        return tuple(
            Standing(
                person,
                has_pass_phrase(look, person.code),
                training_of(look, study.protocol, person.code)
                if person.role is Role.READER
                else None,
            )
            for person in study.protocol.person
        )
