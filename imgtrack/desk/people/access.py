"""Logins of a PostgreSQL server for the people of a study."""

from __future__ import annotations

from typing import TYPE_CHECKING

from imgtrack.domain.errors import Fault, InvalidInput
from imgtrack.domain.protocol import Role
from imgtrack.store import roles

if TYPE_CHECKING:
    from imgtrack.desk.study import Study


def grant(study: Study, person: str, login: str) -> Role:
    """Bind a login to what a person of the study may do, and return the person's role.

    Parameters
    ----------
    study
        Open, with a coordinator at the desk, through the login that owns the tables.
    person
        Code of the person. After a change of role, or of what the protocol shows, grant again.
    login
        Name of the login on the server, as its administrator made it.

    Raises
    ------
    InvalidInput
        When the study has no such person.
    Refused
        When the person at the desk is no coordinator, the study is no PostgreSQL database, or
        the login cannot be bound.
    """
    study.require([Role.COORDINATOR], "grant access")
    found = study.protocol.person_coded(person)
    if found is None:
        known = ", ".join(each.code for each in study.protocol.person)
        raise InvalidInput(Fault("the study has no such person", "study.toml", known, person))
    design = study.protocol.reading
    access = roles.Access(
        login,
        person,
        found.role,
        one_reader=design.readers_per_scan == 1,
        shows_readings=design.settle_shows_readings,
    )
    with study.store.change(who=study.who, now=study.now) as change:
        roles.grant(change, access)
    return found.role


def revoke(study: Study, login: str) -> None:
    """Take back everything a login was granted.

    Raises
    ------
    Refused
        As `grant`.
    """
    study.require([Role.COORDINATOR], "revoke access")
    with study.store.change(who=study.who, now=study.now) as change:
        roles.revoke(change, login)
