"""Answers over time: every change can be undone and done again."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

Answers = Mapping[str, Any]

MOST = 500
"""How many changes can be undone."""


class History:
    """The answers of one case and how they came to be.

    Parameters
    ----------
    answers
        What the case was opened with.

    Attributes
    ----------
    now
        The answers as they are; never changed in place.
    """

    def __init__(self, answers: Answers) -> None:
        self.now: Answers = dict(answers)
        self._before: list[Answers] = []
        self._after: list[Answers] = []

    @property
    def can_undo(self) -> bool:
        """Whether there is a change to undo."""
        return bool(self._before)

    @property
    def can_redo(self) -> bool:
        """Whether there is a change to do again."""
        return bool(self._after)

    def put(self, changes: Answers) -> bool:
        """Set answers together, ``None`` taking one away; return whether anything changed."""
        merged = {**self.now, **changes}
        answers = {name: value for name, value in merged.items() if value is not None}
        if answers == self.now:
            return False
        self._before = [*self._before, self.now][-MOST:]
        self._after = []
        self.now = answers
        return True

    def undo(self) -> bool:
        """Go back by one change; return whether there was one."""
        if not self._before:
            return False
        self._after.append(self.now)
        self.now = self._before.pop()
        return True

    def redo(self) -> bool:
        """Do the last undone change again; return whether there was one."""
        if not self._after:
            return False
        self._before.append(self.now)
        self.now = self._after.pop()
        return True
