"""The record of what was proposed to the reader of a case: every proposal and its decision."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from imgtrack.domain.form.proposals import Decision, numbers_of

if TYPE_CHECKING:
    from collections.abc import Collection, Mapping


MOST = 100
"""Proposals of one question that are kept, the latest; no reader asks for so many."""


class ProposalRecord:
    """What was proposed, in the layout of `imgtrack.domain.form.proposals`.

    Undoing an answer takes nothing back here: the reader has seen the proposal.

    Parameters
    ----------
    made
        What the draft holds.
    """

    def __init__(self, made: Mapping[str, Any]) -> None:
        self._made: dict[str, list[dict[str, Any]]] = {
            name: [dict(entry) for entry in entries] for name, entries in made.items()
        }

    @property
    def now(self) -> dict[str, list[dict[str, Any]]]:
        """The record as it is; never changed in place."""
        return {name: [dict(entry) for entry in made] for name, made in self._made.items()}

    def show(self, answers: Mapping[str, Any], before: Mapping[str, Any]) -> None:
        """Note that answers are proposed, beside what the reader had answered by then."""
        for name, value in answers.items():
            entry = {
                "value": value,
                "before": numbers_of(before.get(name) or {}),
                "decision": Decision.OPEN.value,
            }
            self._made[name] = [*self._made.get(name, ()), entry][-MOST:]

    def decide(self, accepted: Collection[str] = ()) -> bool:
        """Note for what stands open whether it is accepted; return whether anything was open."""
        is_open = False
        for name, entries in self._made.items():
            for entry in entries:
                if entry["decision"] == Decision.OPEN:
                    is_open = True
                    taken = Decision.ACCEPTED if name in accepted else Decision.REJECTED
                    entry["decision"] = taken.value
        return is_open
