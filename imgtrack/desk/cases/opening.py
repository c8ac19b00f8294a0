"""Open a case blind: the reader's window gets pixels, geometry and questions, and nothing else."""

from __future__ import annotations

import secrets
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import replace
from datetime import timedelta
from typing import TYPE_CHECKING, Any

from imgtrack.desk.cases.images import Shelf, aliased, named
from imgtrack.desk.cases.layout import (
    EARLIER_SCANS,
    TIMEPOINT,
    Layout,
    blinded,
    lay_out,
    require_pixels,
)
from imgtrack.desk.cases.lists import (
    MAY_READ,
    OPENABLE,
    READ_BY,
    CaseState,
    first_openable,
    lines_of,
)
from imgtrack.desk.cases.unreadable import ImagesUnreadable, Trouble, Wrong, images_fault
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
    from imgtrack.store.database import Change, Look

LEFT_TO_OTHERS = timedelta(minutes=5)
"""How long a case that another window saved last is left to it by `open_next`."""

NOT_YOURS = "this case is not on your list"


def open_case(
    study: Study, code: str, *, shelf: Shelf | None = None, with_pixels: bool = False
) -> BlindCase:
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
    with_pixels
        Load all pixels before anything is claimed; else they are loaded when asked for.

    Raises
    ------
    Refused
        When the case is not theirs (logged, and told in the same words whether it exists or
        not), is signed, or is not open yet.
    ImagesUnreadable
        When its images cannot be read; the log says which. Nothing is claimed then.
    """
    study.require(MAY_READ, f"open case {code}")
    case = own_case(study, code, f"open case {code}")
    with study.store.look() as look:
        _require_openable(look, study, code)
    layout = lay_out(study, case.scan, case.code, shelf)
    if with_pixels:
        require_pixels(study, layout, code)
    with study.store.change(who=study.who, now=study.now) as change:
        _require_openable(change, study, code)
        draft = _claim(change, study, case)
    return _show(study, case, draft, layout)


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
    return _show(study, case, draft, lay_out(study, case.scan, case.code, shelf))


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


def _require_openable(look: Look, study: Study, code: str) -> None:
    lines = lines_of(look, study.protocol, study.who, study.now().date())
    state = next(line.state for line in lines if line.case.code == code)
    if state not in OPENABLE:
        raise Refused(_not_open(code, state))


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


def _show(study: Study, case: Case, draft: Draft, layout: Layout) -> BlindCase:
    opened = _laid_open(study, draft, layout)
    return blinded(
        study,
        layout,
        code=case.code,
        session=opened.session,
        answers=opened.answers,
        proposals=opened.proposals or {},
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
        answers=_moved(study, draft, draft.answers, images),
        proposals=draft.proposals and _still_shown(draft, draft.proposals, images),
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


def _still_shown(
    draft: Draft, proposals: Mapping[str, Any], images: Images
) -> dict[str, list[Any]]:
    """Return what was proposed under the aliases of now, without what lay on images that are gone.

    An answer that lies on one stops the reading; a proposal need not.
    """
    found: dict[str, list[Any]] = {}
    for name, entries in proposals.items():
        for entry in entries:
            with suppress(InvalidInput):
                moved = aliased(named({name: entry}, draft.images), images)
                found.setdefault(name, []).append(moved[name])
    return found


def _moved(
    study: Study, draft: Draft, given: Mapping[str, Any], images: Images
) -> Mapping[str, Any]:
    """Return what a draft holds under the aliases of now: the series of a scan may have changed."""
    if not draft.images:
        return given
    try:
        return aliased(named(given, draft.images), images)
    except InvalidInput as error:
        Trouble(study, draft.case_code)(Wrong.GONE.value)
        raise ImagesUnreadable(images_fault(draft.case_code, Wrong.GONE.value)) from error


def taken_over(code: str) -> Fault:
    """Return the fault of a window whose case was opened in another one since."""
    return Fault(
        "this case was opened in another window since",
        code,
        "the window that opened it last",
        next_step="go on there; all that was saved here is there",
    )
