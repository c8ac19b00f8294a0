"""Drafts: readings under way. No records: every save replaces the last, and no log tells of it.

They lie in the study's database all the same, so that a save is durable when it returns and every
desk sees it. What a signed reading says is in its record and in the log.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import sqlalchemy as sa

from imgtrack.domain.cases import Draft
from imgtrack.domain.errors import Fault, InvalidInput
from imgtrack.store import forms
from imgtrack.store.kinds import unreadable
from imgtrack.store.tables import DRAFTS

if TYPE_CHECKING:
    from datetime import datetime

    from imgtrack.store.change import Change
    from imgtrack.store.look import Look

FORMS = {
    "case_code": forms.TEXT,
    "session": forms.TEXT,
    "version": forms.INTEGER,
    "answers": forms.ANSWERS,
    "images": forms.ANSWERS,
    "shown": forms.WORDS,
    "began_at": forms.MOMENT,
    "saved_at": forms.MOMENT,
    "active_seconds": forms.NUMBER,
    "proposals": forms.or_none(forms.ANSWERS),
}


def draft_of(look: Look, case_code: str) -> Draft | None:
    """Return the draft of a case, or ``None`` when it was never opened or is signed.

    Raises
    ------
    Broken
        When the row holds what this program never writes.
    """
    query = sa.select(DRAFTS).where(DRAFTS.c.case_code == case_code)
    row = look.connection.execute(query).mappings().one_or_none()
    return None if row is None else _draft(row)


def all_drafts(look: Look) -> list[Draft]:
    """Return every draft, by the code of its case."""
    query = sa.select(DRAFTS).order_by(DRAFTS.c.case_code)
    return [_draft(row) for row in look.connection.execute(query).mappings()]


def drafts_saved(look: Look) -> dict[str, datetime]:
    """Return by case when each draft was last opened or saved."""
    form = FORMS["saved_at"]
    rows = look.connection.execute(sa.select(DRAFTS.c.case_code, DRAFTS.c.saved_at))
    return {row.case_code: form.revive(form.load(row.saved_at)) for row in rows}


def keep_draft(change: Change, draft: Draft) -> None:
    """Write a draft in the place of the one its case had, if it had one.

    Raises
    ------
    InvalidInput
        When an answer cannot be kept.
    """
    row = _row(draft)
    there = DRAFTS.c.case_code == draft.case_code
    if not change.connection.execute(sa.update(DRAFTS).where(there), row).rowcount:
        change.connection.execute(sa.insert(DRAFTS), row)


def drop_draft(change: Change, case_code: str) -> None:
    """Remove the draft of a case."""
    change.connection.execute(sa.delete(DRAFTS).where(DRAFTS.c.case_code == case_code))


def _row(draft: Draft) -> dict[str, Any]:
    row = {}
    faults = []
    for name, form in FORMS.items():
        value = getattr(draft, name)
        try:
            row[name] = form.store(form.plain(value))
        except forms.UnfitError as error:
            where = f"draft of {draft.case_code}, {name}"
            faults.append(Fault("this value cannot be kept", where, str(error), repr(value)))
    if faults:
        raise InvalidInput(faults)
    return row


def _draft(row: sa.RowMapping) -> Draft:
    try:
        return Draft(**{name: form.revive(form.load(row[name])) for name, form in FORMS.items()})
    except (TypeError, ValueError) as error:
        raise unreadable(DRAFTS.name, str(error), key=str(row["case_code"])) from error
