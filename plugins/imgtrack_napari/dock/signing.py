"""Signing: what is missing, where grade and measurements differ, the pass phrase, the next case."""

from __future__ import annotations

import re
from functools import partial
from typing import TYPE_CHECKING

from qtpy.QtCore import Qt, Signal
from qtpy.QtWidgets import QFrame, QLineEdit

from imgtrack.domain.errors import ImgtrackError
from imgtrack_napari.dock.parts import button, column, empty, label, row, show_words, tone
from imgtrack_napari.keys import Act, tip
from imgtrack_napari.look import Sign

if TYPE_CHECKING:
    from imgtrack_napari.session import Session
    from imgtrack_napari.standing import Missing


class Signing(QFrame):
    """The end of the last step."""

    wants = Signal(str)
    """Name of a question to go to."""

    def __init__(self, session: Session) -> None:
        super().__init__()
        self.session = session
        self.setObjectName("question")
        self._shown: tuple[object, ...] | None = None
        self.state = label("", "strong")
        self.differs = label()
        tone(self.differs, "differs")
        self.follows = label("", "quiet")
        tone(self.follows, "implied")
        self.list = column()
        self.phrase = QLineEdit()
        self.phrase.setObjectName("pass phrase")
        self.phrase.setEchoMode(QLineEdit.EchoMode.Password)
        self.phrase.setPlaceholderText("pass phrase")
        self.phrase.setToolTip(tip(Act.SIGN, "your pass phrase; Enter signs"))
        self.phrase.returnPressed.connect(self.sign)
        self.phrase.textChanged.connect(self.refresh)
        self.signs = button("Sign  Enter", "sign this reading (Enter in the field)", self.sign)
        self.signs.setObjectName("sign")
        self.refused = label()
        tone(self.refused, "missing")
        self.refused.hide()
        self.after = button("Next case  F4", tip(Act.NEXT_CASE), self.next_case)
        self.after.setObjectName("next case")
        self.after.setFocusPolicy(Qt.FocusPolicy.StrongFocus)
        field = row(self.phrase, self.signs)
        says = (self.follows, self.state, self.list, self.differs)
        whole = column(*says, field, self.refused, self.after)
        whole.setContentsMargins(7, 6, 7, 7)
        self.setLayout(whole)

    def sign(self) -> bool:
        """Sign with the phrase that was typed; return whether it was signed."""
        if not self.signs.isEnabled():
            return False
        phrase = self.phrase.text()
        self.phrase.clear()
        if self.session.sign(phrase):
            self.refresh()
            self.after.setFocus()
            return True
        show_words(self.refused, f"{Sign.LOOK} {self.session.message}")
        return False

    def next_case(self) -> bool:
        """Open the next case once this one is signed; return whether that was possible."""
        if not self.session.may_leave:
            self.session.say("Sign this case first; or close the window, your answers are kept.")
            return False
        try:
            return self.session.open_next()
        except ImgtrackError as error:
            self.session.say("Not opened: " + "; ".join(map(str, error.faults)))
            return False

    def refresh(self) -> None:
        """Show what is missing, or that nothing is, or that it is signed."""
        signed, standing = self.session.signed, self.session.standing
        is_open = self.session.may_change
        self.phrase.setVisible(is_open)
        self.signs.setVisible(is_open)
        self.signs.setEnabled(is_open and standing.can_sign and bool(self.phrase.text()))
        self.after.setVisible(signed is not None)
        self.state.setText(self._state())
        tone(self.state, "whole" if signed or standing.can_sign else "missing")
        given = signed.mismatches if signed else tuple(standing.mismatches.values())
        words = "\n".join(f"{Sign.DIFFERS} {each}" for each in given)
        tail = "\nRecorded with the reading." if signed else "\nYou may sign; it is recorded."
        show_words(self.differs, words + tail if words else "")
        if self.phrase.text() or not is_open:
            show_words(self.refused, "")
        show_words(self.follows, self._follows())
        self._list()

    def _follows(self) -> str:
        """Return the grades that nobody is asked for and the measurements imply."""
        form = self.session.form
        asked = form.names if form else ()
        implied = self.session.standing.implied.items()
        lines = [f"{Sign.IMPLIED} {words}" for name, words in implied if name not in asked]
        return "\n".join(["From your measurements:", *lines]) if lines else ""

    def _state(self) -> str:
        if self.session.case is None:
            return "No case is open."
        if signed := self.session.signed:
            return f"{Sign.WHOLE} Signed at {signed.signed_at:%H:%M} UTC."
        count = len(self.session.standing.missing)
        return f"{Sign.MISSING} {count} missing:" if count else f"{Sign.WHOLE} Nothing is missing."

    def _list(self) -> None:
        missing = () if self.session.signed else self.session.standing.missing
        if missing == self._shown:
            return
        self._shown = missing
        empty(self.list)
        for each in missing:
            made = button(
                f"{Sign.MISSING} {self._title(each)}",
                tip(Act.END, f"{each.words}; go to it"),
                partial(self.wants.emit, each.question),
                shape="row",
            )
            made.setProperty("weight", "quiet")
            made.setObjectName(f"missing:{each.question}")
            self.list.addWidget(made)

    def _title(self, missing: Missing) -> str:
        """Return the title alone where a question just waits for its answer; it has one line."""
        is_open = missing.question and missing.question not in self.session.answers
        words = self.session.question(missing.question).title if is_open else missing.words
        return re.sub(r" \([^)]*\)", "", words)
