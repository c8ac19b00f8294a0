"""Open the next case that can be read, passing over those whose images cannot.

The order of the list stays: a case that was passed over is tried first the next time.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from imgtrack.desk.cases.lists import OPENABLE, my_cases
from imgtrack.desk.cases.opening import open_case, own_case
from imgtrack.desk.cases.unreadable import ImagesUnreadable
from imgtrack.desk.readings.settle import readings_beside
from imgtrack.desk.readings.verdicts import settles_by_pick

if TYPE_CHECKING:
    from imgtrack.desk.cases.images import Shelf
    from imgtrack.desk.cases.screen import BlindCase
    from imgtrack.desk.readings.settle import AnswerSet
    from imgtrack.desk.study import Study


@dataclass(frozen=True, slots=True)
class PassedOver:
    """A case that was left out because its images cannot be read.

    Attributes
    ----------
    code
        Of the case.
    why
        What is wrong, in words that name no file.
    """

    code: str
    why: str


@dataclass(frozen=True, slots=True)
class Opening:
    """What came of opening the next case.

    Attributes
    ----------
    case
        ``None`` when no case of the list can be read now.
    passed
        Cases before it whose images cannot be read; the log says what is wrong with them.
    beside
        First readings the protocol shows beside a case that settles them; else none.
    is_pick
        Whether one of them is to be picked, so that the case cannot be signed in a window.
    """

    case: BlindCase | None
    passed: tuple[PassedOver, ...]
    beside: tuple[AnswerSet, ...] = ()
    is_pick: bool = False


def open_next_readable(study: Study, *, shelf: Shelf | None = None) -> Opening:
    """Open the first case of the list whose images can all be read.

    Parameters
    ----------
    study
        Open, with the reader at the desk.
    shelf
        Where the images lie; the study's folder when ``None``.

    Raises
    ------
    Refused
        When the person reads nothing in this study, or the case is signed meanwhile.
    Unavailable
        When the database cannot be read or written now.
    """
    passed: list[PassedOver] = []
    for listed in my_cases(study):
        if listed.state not in OPENABLE:
            continue
        try:
            case = open_case(study, listed.code, shelf=shelf, with_pixels=True)
        except ImagesUnreadable as error:
            passed.append(PassedOver(listed.code, error.why))
        else:
            kept = own_case(study, case.code, f"open case {case.code}")
            is_pick = settles_by_pick(kept, study.protocol)
            return Opening(case, tuple(passed), readings_beside(study, case.code), is_pick)
    return Opening(None, tuple(passed))
