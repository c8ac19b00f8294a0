"""Below the steps, always in the same place: criteria, what to click next, messages, cautions."""

from __future__ import annotations

from typing import TYPE_CHECKING

from qtpy.QtCore import Qt
from qtpy.QtWidgets import QLabel, QWidget

from imgtrack.domain.cautions import CAUTION
from imgtrack_napari.dock.parts import button, column, label, row, tone
from imgtrack_napari.keys import Act, tip

if TYPE_CHECKING:
    from imgtrack_napari.session import Session

CRITERIA_PX, MESSAGE_PX, CAUTION_PX = 74, 74, 48
"""Heights kept for the three texts, so that nothing moves when they change."""


class Foot(QWidget):
    """Texts that change without moving anything."""

    def __init__(self, session: Session) -> None:
        super().__init__()
        self._session = session
        self.setObjectName("foot")
        self.setAttribute(Qt.WidgetAttribute.WA_StyledBackground)
        self.criteria = _fixed(CRITERIA_PX)
        self.criteria.setObjectName("criteria")
        self.message = _fixed(MESSAGE_PX)
        self.message.setObjectName("message")
        self.accept = button("Accept  A", tip(Act.ACCEPT), session.hand.accept)
        self.reject = button("Reject  R", tip(Act.REJECT), session.hand.cancel)
        self.accept.setObjectName("accept")
        self.reject.setObjectName("reject")
        self.caution = _fixed(CAUTION_PX)
        self.caution.setObjectName("caution")
        self.caution.setText(CAUTION)
        self.caution.setToolTip(CAUTION)
        whole = column(self.criteria, row(self.message, self.accept, self.reject), self.caution)
        whole.setContentsMargins(8, 6, 8, 4)
        self.setLayout(whole)

    def explain(self, words: str) -> None:
        """Show criteria, or how to answer."""
        self.criteria.setText(words)
        self.criteria.setToolTip(words)

    def refresh(self) -> None:
        """Show what to click next while drawing, what to decide, or the last message."""
        tool, proposal = self._session.hand.tool, self._session.hand.proposal
        self.accept.setVisible(proposal is not None)
        self.reject.setVisible(proposal is not None)
        if tool is not None:
            title = self._session.question(tool.question).title
            asks = f"{title}: {tool.asks} (Esc leaves it)"
            self.message.setText(tool.refused or asks)
            tone(self.message, "missing" if tool.refused else "implied")
            return
        words = proposal.words if proposal else self._session.message
        self.message.setText(words)
        self.message.setToolTip(words)
        quiet = "missing" if words.startswith("Not ") else "dim"
        tone(self.message, "implied" if proposal else quiet)


def _fixed(height: int) -> QLabel:
    made = label()
    made.setFixedHeight(height)
    made.setAlignment(Qt.AlignmentFlag.AlignTop)
    return made
