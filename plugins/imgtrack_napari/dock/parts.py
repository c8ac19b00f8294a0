"""Labels and buttons as the dock uses them: each with its tooltip, none taking the focus."""

from __future__ import annotations

from typing import TYPE_CHECKING

from qtpy.QtCore import Qt
from qtpy.QtWidgets import (
    QBoxLayout,
    QHBoxLayout,
    QLabel,
    QPushButton,
    QSizePolicy,
    QVBoxLayout,
    QWidget,
)

if TYPE_CHECKING:
    from collections.abc import Callable

    from qtpy.QtWidgets import QLayout

GAP = 4
"""Between neighbours, in pixels."""


def label(words: str = "", weight: str = "") -> QLabel:
    """Return a label that breaks its lines; ``weight`` is ``strong`` or ``quiet``."""
    made = QLabel(words)
    made.setTextFormat(Qt.TextFormat.PlainText)
    made.setWordWrap(True)
    made.setProperty("weight", weight)
    made.setSizePolicy(QSizePolicy.Policy.Ignored, QSizePolicy.Policy.Preferred)
    return made


def button(
    words: str,
    tip: str,
    act: Callable[[], object],
    *,
    shape: str = "",
    checkable: bool = False,
) -> QPushButton:
    """Return a button; it takes no focus itself: the question it stands on does.

    Parameters
    ----------
    words, tip
        On it, and in its tooltip with the key.
    act
        Called without arguments when it is clicked.
    shape
        ``row``, ``link`` or nothing for a plain one.
    checkable
        Whether it shows an answer; its state is set by the answers alone.
    """
    made = QPushButton(words)
    made.setToolTip(tip)
    made.setAccessibleName(words)
    made.setAccessibleDescription(tip)
    made.setProperty("shape", shape)
    made.setCheckable(checkable)
    made.setFocusPolicy(Qt.FocusPolicy.NoFocus)
    made.setAutoDefault(False)
    made.pressed.connect(lambda: _to_question(made))
    made.clicked.connect(lambda _checked=False: act())
    if shape == "row":  # as wide as there is room for, so that long words never widen the dock
        made.setSizePolicy(QSizePolicy.Policy.Ignored, QSizePolicy.Policy.Fixed)
    return made


def _to_question(widget: QWidget) -> None:
    """Give the focus to the question a button stands on: keys act on whole questions."""
    above = widget.parentWidget()
    while above is not None and above.focusPolicy() is not Qt.FocusPolicy.StrongFocus:
        above = above.parentWidget()
    if above is not None:
        above.setFocus(Qt.FocusReason.MouseFocusReason)


def column(*parts: QWidget | QLayout) -> QVBoxLayout:
    """Return widgets under each other."""
    layout = QVBoxLayout()
    _fill(layout, parts)
    return layout


def row(*parts: QWidget | QLayout | None) -> QHBoxLayout:
    """Return widgets beside each other; ``None`` is a gap that takes what is left."""
    layout = QHBoxLayout()
    _fill(layout, parts)
    return layout


def _fill(layout: QBoxLayout, parts: tuple[QWidget | QLayout | None, ...]) -> None:
    layout.setContentsMargins(0, 0, 0, 0)
    layout.setSpacing(GAP)
    for each in parts:
        if each is None:
            layout.addStretch(1)
        elif isinstance(each, QWidget):
            layout.addWidget(each, 1 if isinstance(each, QLabel) else 0)
        else:
            layout.addLayout(each)


def empty(layout: QBoxLayout) -> None:
    """Take everything out of a layout and let it go."""
    while item := layout.takeAt(0):
        if (widget := item.widget()) is not None:
            widget.hide()
            widget.deleteLater()


def tone(widget: QWidget, name: str) -> None:
    """Give a label one of the tones of the look; an empty name is plain words."""
    set_state(widget, "tone", name)


def set_state(widget: QWidget, name: str, value: str) -> None:
    """Set what the style sheet looks at, and paint anew where it changed."""
    if widget.property(name) != value:
        widget.setProperty(name, value)
        widget.style().unpolish(widget)
        widget.style().polish(widget)


def show_words(widget: QLabel, words: str) -> None:
    """Show words, or nothing at all in place of an empty line."""
    if widget.text() != words:
        widget.setText(words)
    widget.setVisible(bool(words))
