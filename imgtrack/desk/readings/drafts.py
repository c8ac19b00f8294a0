"""Save a draft: durable when the call returns, whole whenever the program dies."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from datetime import datetime, timedelta
from typing import TYPE_CHECKING, Any

from imgtrack.desk.cases.lists import MAY_READ
from imgtrack.desk.cases.opening import own_case, taken_over
from imgtrack.domain.errors import Fault, Refused
from imgtrack.domain.reading import Reading
from imgtrack.store.drafts import draft_of, keep_draft

if TYPE_CHECKING:
    from imgtrack.desk.cases.screen import BlindCase
    from imgtrack.desk.study import Study
    from imgtrack.domain.cases import Draft
    from imgtrack.store.database import Look

LONGEST_PAUSE = timedelta(minutes=2)
"""Reading time counts up to here between two saves; what is longer is a pause and counts so much.
Our choice, no source."""


def save_draft(
    study: Study,
    case: BlindCase,
    answers: Mapping[str, Any],
    proposals: Mapping[str, Any] | None = None,
) -> int:
    """Keep the answers of an open case as they are now, complete or not.

    Parameters
    ----------
    study
        Open, with the reader at the desk.
    case
        As `open_case` gave it.
    answers
        All answers so far, images by their alias. They take the place of the ones before.
    proposals
        What the program proposed so far, see `imgtrack.domain.form.proposals`; ``None`` leaves what
        was kept.

    Returns
    -------
    int
        Number of the save, from 1.

    Raises
    ------
    Refused
        When another window opened the case since, it is signed, or it is not theirs. What was
        saved before is kept.
    InvalidInput
        When an answer is no JSON value.
    Unavailable
        When the database cannot be written now; the draft before is kept.
    """
    study.require(MAY_READ, f"save case {case.code}")
    own_case(study, case.code, f"save case {case.code}")
    with study.store.change(who=study.who, now=study.now) as change:
        saved = with_time(current_draft(change, case), study.now())
        kept = saved.proposals if proposals is None else proposals
        version = saved.version + 1
        keep_draft(change, replace(saved, answers=answers, proposals=kept, version=version))
    return saved.version + 1


def current_draft(look: Look, case: BlindCase) -> Draft:
    """Return the draft of an open case.

    Raises
    ------
    Refused
        When the case is signed, or another window opened it since.
    """
    draft = draft_of(look, case.code)
    if draft is None:
        what = "signed" if look.where(Reading, case_code=case.code) else "not open"
        raise Refused(Fault(f"this case is {what}", case.code, next_step="open the next case"))
    if draft.session != case.session:
        raise Refused(taken_over(case.code))
    return draft


def with_time(draft: Draft, now: datetime) -> Draft:
    """Return a draft with the reading time since it was last saved, at most the longest pause."""
    since = max(timedelta(0), min(now - draft.saved_at, LONGEST_PAUSE))
    active = draft.active_seconds + since.total_seconds()
    return replace(draft, saved_at=now, active_seconds=active)
