"""A free text."""

from __future__ import annotations

from typing import TYPE_CHECKING

from qtpy.QtCore import QEvent, Qt, QTimer
from qtpy.QtGui import QKeyEvent
from qtpy.QtWidgets import QPlainTextEdit

from imgtrack.domain.form import Note
from imgtrack_napari.dock.body import Body
from imgtrack_napari.dock.parts import column

if TYPE_CHECKING:
    from qtpy.QtCore import QObject
    from qtpy.QtWidgets import QWidget

    from imgtrack.domain.form import Question
    from imgtrack_napari.session import Session

PAUSE_MS = 500
"""A text is kept after a pause this long in typing, and when the field is left."""


class NoteField(Body):
    """A field for words; what is typed is kept without a button."""

    def __init__(self, session: Session, question: Question) -> None:
        super().__init__(session, question)
        self.longest = question.asks.longest if isinstance(question.asks, Note) else 0
        self.field = QPlainTextEdit()
        self.field.setObjectName(self.name)
        self.field.setFixedHeight(58)
        self.field.setPlaceholderText("anything worth saying; name nobody")
        tip = f"{question.title}: at most {self.longest} letters, kept as you type (Esc leaves it)"
        self.field.setToolTip(tip)
        self._pause = QTimer(self)
        self._pause.setSingleShot(True)
        self._pause.setInterval(PAUSE_MS)
        self._pause.timeout.connect(self._keep)
        self.field.textChanged.connect(self._typed)
        self.field.installEventFilter(self)
        self.setLayout(column(self.field))

    @property
    def _kept(self) -> str:
        return str(self.answer.get("text", ""))

    def eventFilter(self, _watched: QObject, event: QEvent) -> bool:  # noqa: N802 - Qt's name
        """Keep what was typed as soon as the field is left, and let Tab leave it."""
        if event.type() == QEvent.Type.FocusOut:
            self.flush()
        is_tab = isinstance(event, QKeyEvent) and event.key() in {
            Qt.Key.Key_Tab,
            Qt.Key.Key_Backtab,
        }
        if is_tab and event.type() == QEvent.Type.ShortcutOverride:
            event.ignore()  # else the field takes the key for itself
            return True
        return False

    def _typed(self) -> None:
        if self.field.toPlainText() != self._kept:
            self._pause.start()

    def _keep(self) -> None:
        self.session.write(self.name, self.field.toPlainText()[: self.longest])

    def refresh(self) -> None:
        """Show the text, unless it is being typed."""
        is_busy = self._pause.isActive()
        if not is_busy and self.field.toPlainText() != self._kept:
            self.field.setPlainText(self._kept)
        self.field.setEnabled(self.session.may_change)

    def flush(self) -> None:
        """Keep at once what was typed."""
        if self._pause.isActive():
            self._pause.stop()
            self._keep()

    def typing(self) -> QWidget:
        """Return the field."""
        return self.field
