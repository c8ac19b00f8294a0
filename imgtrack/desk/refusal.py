"""Refusals that leave a trace: who asked for what that is not theirs."""

from __future__ import annotations

from typing import TYPE_CHECKING

from imgtrack.domain.errors import Fault, Refused

if TYPE_CHECKING:
    from imgtrack.desk.study import Study


def refusal(study: Study, act: str, fault: Fault) -> Refused:
    """Log that the person at the desk was refused an act, and return the error to raise.

    Parameters
    ----------
    study
        Open; no change of it under way.
    act
        What was asked for, as the log keeps it: ``open case K7Q2M9XD``.
    fault
        What the person is told; it must not tell whose or which the refused thing is.
    """
    with study.store.change(who=study.who, now=study.now) as change:
        change.note(what="refused", record=f"person:{study.who}", new=act)
    return Refused(fault)
