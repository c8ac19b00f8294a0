"""Open a case blind: the reader's window gets pixels, geometry and questions, and nothing else."""

from __future__ import annotations

import secrets
from dataclasses import replace
from datetime import timedelta
from typing import TYPE_CHECKING, Any

from imgtrack.desk.cases.images import Shelf, aliased, named
from imgtrack.desk.cases.layout import EARLIER_SCANS, TIMEPOINT, Layout, blinded, lay_out
from imgtrack.desk.cases.lists import (
    MAY_READ,
    OPENABLE,
    READ_BY,
    CaseState,
    first_openable,
    lines_of,
)
from imgtrack.desk.refusal import refusal
from imgtrack.domain.cases import Case, Draft
from imgtrack.domain.errors import Fault, InvalidInput, Refused
from imgtrack.domain.log import canonical
from imgtrack.domain.protocol import Role
from imgtrack.store.drafts import draft_of, keep_draft

if TYPE_CHECKING:
    from imgtrack.desk.cases.images import Images
    from imgtrack.desk.cases.screen import BlindCase
    from imgtrack.desk.study import Study
    from imgtrack.store.database import Change

LEFT_TO_OTHERS = timedelta(minutes=5)
"""How long a case that another window saved last is left to it by `open_next`."""

NOT_YOURS = "this case is not on your list"


def open_case(study: Study, code: str, *, shelf: Shelf | None = None) -> BlindCase:
    """Open a case of the person at the desk, at its draft where there is one.

    A window that has the case open can save no more: its last saved draft is what opens here.

    Parameters
    ----------
    study
        Open, with the reader at the desk.
    code
        Code of the case.
    shelf
        Where the images lie; the study's folder when ``None``.

    Raises
    ------
    Refused
        When the case is not theirs (logged, and told in the same words whether it exists or
        not), is signed, or is not open yet.
    Unavailable
        When its images cannot be read; the log says which.
    """
    study.require(MAY_READ, f"open case {code}")
    case = own_case(study, code, f"open case {code}")
    with study.store.change(who=study.who, now=study.now) as change:
        lines = lines_of(change, study.protocol, study.who, study.now().date())
        state = next(line.state for line in lines if line.case.code == code)
        if state not in OPENABLE:
            raise Refused(_not_open(code, state))
        draft = _claim(change, study, case)
    return _show(study, case, draft, shelf)


def open_next(
    study: Study, *, beside_others: bool = False, shelf: Shelf | None = None
) -> BlindCase | None:
    """Open the first case of the list that can be opened, or return ``None``.

    Parameters
    ----------
    study
        Open, with the reader at the desk.
    beside_others
        Leave cases to other windows of the same reader that saved them in the last minutes; else
        the first case is taken over, which is how reading goes on after a crash.
    shelf
        As for `open_case`.

    Raises
    ------
    Refused, Unavailable
        As `open_case`.
    """
    study.require(MAY_READ, "open a case")
    untouched_since = study.now() - LEFT_TO_OTHERS if beside_others else None
    with study.store.change(who=study.who, now=study.now) as change:
        lines = lines_of(change, study.protocol, study.who, study.now().date())
        case = first_openable(lines, untouched_since=untouched_since)
        if case is None:
            return None
        draft = _claim(change, study, case)
    return _show(study, case, draft, shelf)


def own_case(study: Study, code: str, act: str) -> Case:
    """Return a case of the person at the desk.

    Raises
    ------
    Refused
        When it is not theirs, or is for another role; logged.
    """
    with study.store.look() as look:
        case = look.get(Case, code)
    person = study.protocol.person_coded(study.who)
    if case is None or case.reader != study.who:
        fault = Fault(NOT_YOURS, code, "a code of your list", next_step="open the next case")
        raise refusal(study, act, fault)
    role = READ_BY.get(case.round, Role.READER)
    if person is None or person.role is not role:
        raise refusal(study, act, Fault("your role has changed", code, f"role {role.value}"))
    return case


def _not_open(code: str, state: CaseState) -> Fault:
    if state is CaseState.SIGNED:
        what, step = "this case is signed", "to correct it, amend the reading with a reason"
    elif state is CaseState.LOCKED:
        what, step = "the training set comes first", "read and pass the training cases"
    else:
        what, step = "this case is not open yet", "open the next case"
    return Fault(what, code, next_step=step)


def _claim(change: Change, study: Study, case: Case) -> Draft:
    """Make the window that opens a case the one that may save it."""
    now = study.now()
    session = secrets.token_hex(8)
    draft = draft_of(change, case.code)
    if draft is None:
        draft = Draft(case.code, session, 0, {}, {}, (), now, now)
    claimed = replace(draft, session=session, saved_at=now)
    keep_draft(change, claimed)
    return claimed


def _show(study: Study, case: Case, draft: Draft, shelf: Shelf | None) -> BlindCase:
    layout = lay_out(study, case.scan, case.code, shelf)
    opened = _laid_open(study, draft, layout)
    return blinded(
        study,
        layout,
        code=case.code,
        session=opened.session,
        answers=opened.answers,
        told=opened.shown,
        training=case.training,
    )


def _laid_open(study: Study, draft: Draft, layout: Layout) -> Draft:
    """Keep with the draft which images are shown, and log the opening."""
    images = layout.images
    is_unmasked = not study.protocol.reading.mask_timepoint
    told = ((TIMEPOINT, is_unmasked), (EARLIER_SCANS, layout.has_earlier))
    opened = replace(
        draft,
        answers=_moved(draft, images) if draft.images else draft.answers,
        images=images,
        shown=tuple(dict.fromkeys((*draft.shown, *(word for word, is_told in told if is_told)))),
    )
    with study.store.change(who=study.who, now=study.now) as change:
        current = draft_of(change, draft.case_code)
        if current is None or current.session != draft.session:
            raise Refused(taken_over(draft.case_code))
        keep_draft(change, opened)
        series = sorted({image["series"] for image in images.values()})
        change.note(
            what="case opened",
            record=f"case:{draft.case_code}",
            new=canonical({"series": series, "shown": opened.shown, "session": draft.session}),
        )
    return opened


def _moved(draft: Draft, images: Images) -> dict[str, Any]:
    """Return a draft's answers under the aliases of now: the series of a scan may have changed."""
    try:
        return aliased(named(draft.answers, draft.images), images)
    except InvalidInput as error:
        raise Refused(
            Fault(
                "images that were measured on are gone since the draft was begun",
                draft.case_code,
                next_step="tell the coordinator",
            )
        ) from error


def taken_over(code: str) -> Fault:
    """Return the fault of a window whose case was opened in another one since."""
    return Fault(
        "this case was opened in another window since",
        code,
        "the window that opened it last",
        next_step="go on there; all that was saved here is there",
    )
