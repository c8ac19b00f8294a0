"""A number on a scale that is an index."""

from __future__ import annotations

from typing import TYPE_CHECKING

from qtpy.QtWidgets import QLineEdit

from imgtrack.domain.form import Graded
from imgtrack_napari.dock.body import Body
from imgtrack_napari.dock.parts import label, row

if TYPE_CHECKING:
    from qtpy.QtWidgets import QWidget

    from imgtrack.domain.form import Question
    from imgtrack_napari.session import Session


class Number(Body):
    """A field for a number between two bounds."""

    def __init__(self, session: Session, question: Question) -> None:
        super().__init__(session, question)
        asks = question.asks
        bounds = asks.scale.value_range if isinstance(asks, Graded) else None
        self._low, self._high = (bounds.low, bounds.high) if bounds else (0.0, 0.0)
        words = f"{self._low:g} to {self._high:g}"
        self.field = QLineEdit()
        self.field.setObjectName(self.name)
        self.field.setMaximumWidth(110)
        self.field.setToolTip(f"{question.title}: a number, {words} (Enter keeps it)")
        self.field.editingFinished.connect(self._keep)
        self.setLayout(row(self.field, label(words, "quiet")))

    def _keep(self) -> None:
        text = self.field.text().strip().replace(",", ".")
        if text == self._kept:
            return
        value = _number(text)
        if not text:
            self.session.clear(self.name)
        elif value is not None and self._low <= value <= self._high:
            self.session.put({self.name: {"value": value}})
        else:
            self.session.say(
                f"Not kept: {self.question.title} is a number from {self._low:g} to {self._high:g}"
            )

    @property
    def _kept(self) -> str:
        value = self.answer.get("value")
        return "" if value is None else f"{value:g}"

    def refresh(self) -> None:
        """Show the number, unless it is being typed."""
        if not self.field.hasFocus():
            self.field.setText(self._kept)
        self.field.setEnabled(self.session.may_change)

    def typing(self) -> QWidget:
        """Return the field."""
        return self.field


def _number(text: str) -> float | None:
    try:
        return float(text)
    except ValueError:
        return None
