"""Why something is not assessable: reasons as buttons with number keys, and words beside them."""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING

from qtpy.QtWidgets import QGridLayout, QLineEdit, QWidget

from imgtrack.domain.form import Reason
from imgtrack_napari.dock.parts import GAP, button

if TYPE_CHECKING:
    from collections.abc import Mapping
    from typing import Any

    from qtpy.QtWidgets import QPushButton

    from imgtrack_napari.session import Session

REASONS = tuple(each for each in Reason if each is not Reason.NOT_STATED)
"""The reasons a reader may give."""

SHARES = (2, 3)
"""Of the width, for the two columns: the longest reason is in the second."""


class Reasons(QWidget):
    """The reasons for one question, or for one part of it.

    Parameters
    ----------
    session
        Told the reason.
    name, part
        Of the question; ``part`` is a plane of the gap slices or empty.
    """

    def __init__(self, session: Session, name: str, part: str = "") -> None:
        super().__init__()
        self._session, self._name, self._part = session, name, part
        self.buttons = {reason: self._button(reason, at) for at, reason in enumerate(REASONS, 1)}
        self.note = QLineEdit()
        self.note.setPlaceholderText("in words; needed with “other”")
        self.note.setToolTip("say more about why it is not assessable (Enter keeps it)")
        self.note.setObjectName(f"{name}:{part}:why")
        self.note.editingFinished.connect(self._say)
        grid = QGridLayout(self)
        grid.setContentsMargins(0, 0, 0, 0)
        grid.setSpacing(GAP)
        for column, share in enumerate(SHARES):
            grid.setColumnStretch(column, share)
        for place, made in enumerate(self.buttons.values()):
            grid.addWidget(made, place // 2, place % 2)
        grid.addWidget(self.note, len(REASONS), 0, 1, 2)

    def _button(self, reason: Reason, number: int) -> QPushButton:
        made = button(
            f"{number}   {reason.value}",
            f"not assessable: {reason.value} (key {number})",
            partial(self.give, reason),
            shape="row",
            checkable=True,
        )
        made.setObjectName(f"{self._name}:{self._part}:{reason.value}")
        return made

    @property
    def _given(self) -> Mapping[str, Any]:
        answer = self._session.answers.get(self._name) or {}
        return (answer.get(self._part) or {}) if self._part else answer

    @property
    def reason(self) -> Reason | None:
        """The reason that was given."""
        found = self._given.get("not_assessable")
        return Reason(found) if found is not None and "because" not in self._given else None

    def give(self, reason: Reason) -> None:
        """Give a reason; the same again takes it away."""
        if reason is self.reason:
            self._session.clear(self._name, self._part)
            return
        self._session.not_assessable(self._name, reason, self.note.text(), self._part)
        if reason is Reason.OTHER and not self.note.text().strip():
            self.note.setFocus()

    def pick(self, digit: str) -> bool:
        """Give the reason of a number key."""
        place = int(digit) - 1
        if not 0 <= place < len(REASONS):
            return False
        self.give(REASONS[place])
        return True

    def _say(self) -> None:
        if self.reason is not None and self.note.text() != self._given.get("note", ""):
            self._session.not_assessable(self._name, self.reason, self.note.text(), self._part)

    def refresh(self) -> None:
        """Press the button of the reason that was given."""
        for reason, made in self.buttons.items():
            made.setChecked(reason is self.reason)
            made.setEnabled(self._session.may_change)
        if not self.note.hasFocus():
            self.note.setText(self._given.get("note", ""))
