"""One question on its card: sign, title, answer, controls, and what is to be said about it."""

from __future__ import annotations

from typing import TYPE_CHECKING

from qtpy.QtCore import Qt, Signal
from qtpy.QtWidgets import QFrame, QSizePolicy

from imgtrack.domain.form import (
    FatFraction,
    GapSlices,
    Graded,
    Implants,
    Landmarks,
    Measured,
    Note,
    Ratio,
    State,
)
from imgtrack_napari.dock.beside import beside_words
from imgtrack_napari.dock.drawn import Drawn
from imgtrack_napari.dock.gaps import Gaps
from imgtrack_napari.dock.implants import ImplantList
from imgtrack_napari.dock.note import NoteField
from imgtrack_napari.dock.number import Number
from imgtrack_napari.dock.options import Options
from imgtrack_napari.dock.parts import button, column, label, row, set_state, show_words, tone
from imgtrack_napari.dock.ratio import RatioParts
from imgtrack_napari.dock.reasons import Reasons
from imgtrack_napari.events import Event
from imgtrack_napari.keys import Act, tip
from imgtrack_napari.look import Sign

if TYPE_CHECKING:
    from qtpy.QtGui import QMouseEvent

    from imgtrack.domain.form import Question
    from imgtrack_napari.dock.body import Body
    from imgtrack_napari.session import Session

LENGTH_PX = 84
"""Room kept for a length beside its title."""

BODIES = {
    Measured: Drawn,
    Landmarks: Drawn,
    GapSlices: Gaps,
    Ratio: RatioParts,
    FatFraction: Drawn,
    Implants: ImplantList,
    Note: NoteField,
}


def body_of(session: Session, question: Question) -> Body:
    """Return the controls of a question, by its kind."""
    if isinstance(question.asks, Graded) and question.asks.scale.value_range is not None:
        return Number(session, question)
    return BODIES.get(type(question.asks), Options)(session, question)


class Card(QFrame):
    """One question.

    The card takes the focus as a whole; number keys and letters then act on it.

    Parameters
    ----------
    session
        Told what the reader does; asked what to show.
    question
        Of the form.
    """

    explains = Signal(str)
    """Words on what is under the pointer or was chosen."""

    def __init__(self, session: Session, question: Question) -> None:
        super().__init__()
        self.session = session
        self.question = question
        self.setObjectName("question")
        self.setAccessibleName(question.title)
        self.setFocusPolicy(Qt.FocusPolicy.StrongFocus)
        self.sign = label()
        self.sign.setWordWrap(False)
        self.sign.setFixedWidth(16)
        self.title = label(question.title)
        self.title.setToolTip(question.help or question.title)
        self.value = label("", "strong")
        self.value.setWordWrap(False)
        self.value.setSizePolicy(QSizePolicy.Policy.Minimum, QSizePolicy.Policy.Preferred)
        self.value.setAlignment(Qt.AlignmentFlag.AlignRight | Qt.AlignmentFlag.AlignVCenter)
        self._keeps_room = isinstance(question.asks, Measured)
        if self._keeps_room:  # so that the title breaks its lines alike with a length and without
            self.value.setMinimumWidth(LENGTH_PX)
        self.body = body_of(session, question)
        self.body.explains.connect(self._explain)
        self.why = label("", "quiet")
        self.implied = label("", "quiet")
        self.beside = label("", "quiet")
        self.beside.setObjectName(f"{question.name}:beside")
        self.differs = label()
        self.notice = label()
        self.reasons = Reasons(session, question.name)
        self._open = False
        self.leftover = button(
            "Take away what no longer applies  Del",
            tip(Act.CLEAR, "take away every answer that does not go with an earlier one"),
            self.take_leftovers,
        )
        self.leftover.setObjectName(f"{question.name}:leftover")
        self._lay_out()

    def _lay_out(self) -> None:
        self.unseen = button(
            f"{Sign.NOT_ASSESSABLE} N",
            tip(Act.NOT_ASSESSABLE),
            self.toggle_reasons,
            shape="link",
            checkable=True,
        )
        self.unseen.setObjectName(f"{self.question.name}:unseen")
        self.unseen.setAccessibleName(f"{self.question.title}: not assessable")
        head = row(self.sign, self.title, self.value, self.unseen)
        head.setStretch(2, 0)
        below = (self.beside, self.why, self.implied, self.differs, self.notice, self.leftover)
        whole = column(head, self.body, self.reasons, *below)
        whole.setContentsMargins(7, 5, 7, 6)
        self.setLayout(whole)
        tone(self.implied, "implied")
        tone(self.differs, "differs")
        tone(self.notice, "missing")

    # ---------------------------------------------------------------- what it is

    @property
    def name(self) -> str:
        """Name of the question."""
        return self.question.name

    @property
    def is_asked(self) -> bool:
        """Whether it is to be answered now."""
        return self.session.standing.is_asked(self.name)

    @property
    def can_be_unseen(self) -> bool:
        """Whether "not assessable" is an answer to it."""
        return self.is_asked and not isinstance(self.question.asks, Note)

    @property
    def is_missing(self) -> bool:
        """Whether it keeps the reading from being signed."""
        return any(each.question == self.name for each in self.session.standing.missing)

    # ---------------------------------------------------------------- what keys do

    def pick(self, digit: str) -> bool:
        """Take a number key, for a reason while these are open."""
        if not self.is_asked or not self.session.may_change:
            return False
        if self._open or self.reasons.reason is not None:
            given = self.reasons.pick(digit)
            self._open = self._open and self.reasons.reason is None
            self.refresh()
            return given
        return self.body.pick(digit)

    def toggle_reasons(self) -> None:
        """Open or close the reasons; closing takes a reason that was given away."""
        if not self.can_be_unseen or not self.session.may_change:
            self.refresh()
            return
        if self.reasons.reason is not None:
            self._open = False
            self.session.clear(self.name)
        elif self.body.known_reason is not None:
            self.session.not_assessable(self.name, self.body.known_reason)
        else:
            self._open = not self._open
        self.setFocus()
        self.refresh()

    @property
    def is_leftover(self) -> bool:
        """Whether an answer is there that does not go with an earlier one."""
        return not self.is_asked and self.is_missing and self.name in self.session.answers

    @property
    def _leftovers(self) -> list[str]:
        """Names of all questions with such an answer, in the order of the form."""
        standing = self.session.standing
        names = [each.question for each in standing.missing if each.question]
        return [name for name in names if not standing.is_asked(name)]

    def take_leftovers(self) -> None:
        """Take away every answer that does not go with an earlier one, as one change."""
        self.session.put(dict.fromkeys(self._leftovers))

    def next_reasons(self) -> None:
        """Open the reasons; for gap slices first of the whole, then of the plane in use."""
        body = self.body
        if self._open and isinstance(body, Gaps):
            self.toggle_reasons()
            body.toggle_plane()
        else:
            self.toggle_reasons()

    def close_reasons(self) -> bool:
        """Close reasons none of which was given; return whether they were open."""
        was_open, self._open = self._open, False
        if was_open:
            self.refresh()
        return was_open

    def show_image(self) -> bool:
        """Bring up the first image it was measured on; return whether there is one."""
        images = self.body.images()
        if not images or self.session.viewing.show_image(images[0]) is None:
            return False
        self.session.tell(Event.VIEW)
        return True

    # ---------------------------------------------------------------- what it shows

    def refresh(self) -> None:
        """Show where the question stands."""
        asked = self.is_asked
        is_unseen = self.reasons.reason is not None
        self.body.refresh()
        self.body.setVisible(asked and not is_unseen and not self._open)
        self.reasons.refresh()
        self.reasons.setVisible(asked and (is_unseen or self._open))
        self.unseen.setVisible(self.can_be_unseen)
        self.unseen.setChecked(is_unseen or self._open)
        self.unseen.setEnabled(self.session.may_change)
        tone(self.title, "" if asked else "dim")
        self.value.setText(self._value())
        self.value.setVisible(self._keeps_room or bool(self.value.text()))
        tone(self.value, "implied" if self.body.proposed else "")
        self._show_sign()
        standing = self.session.standing
        lack = "" if is_unseen else self.body.lack
        show_words(self.why, lack if asked else self._why_not())
        beside = beside_words(self.question, self.session.beside)
        show_words(self.beside, beside)
        tone(self.beside, "differs" if beside.startswith(Sign.DIFFERS) else "")
        show_words(self.implied, self._implied())
        differs = standing.mismatches.get(self.name, "")
        show_words(self.differs, f"{Sign.DIFFERS} {differs}" if differs else "")
        self.leftover.setVisible([self.name] == self._leftovers[:1])
        notice = standing.notices.get(self.name, "") or self._fault()
        show_words(self.notice, f"{Sign.LOOK} {notice}" if notice else "")

    def _value(self) -> str:
        if self.reasons.reason is not None:
            return self.reasons.reason.value
        return self.body.summary() if self.is_asked else ""

    def _show_sign(self) -> None:
        sign, name = self._sign()
        self.sign.setText(sign)
        tone(self.sign, name)

    def _sign(self) -> tuple[str, str]:
        standing = self.session.standing
        state = standing.asking[self.name].state if self.name in standing.asking else State.LATER
        is_unseen = state is State.NOT_ASSESSABLE or self.reasons.reason is not None
        if self.is_missing:
            return Sign.MISSING, "missing"
        if is_unseen:
            return Sign.NOT_ASSESSABLE, "unseen"
        if state is not State.ASKED:
            return "", ""
        if self.name in standing.mismatches:
            return Sign.DIFFERS, "differs"
        is_answered = self.name in self.session.answers
        return (Sign.WHOLE, "whole") if is_answered else (Sign.OPTIONAL, "dim")

    def _why_not(self) -> str:
        stand = self.session.standing.asking.get(self.name)
        if stand is None or stand.state is State.LATER:
            return "waits for an answer above"
        if stand.state is State.NOT_ASSESSABLE and stand.reason is not None:
            return f"not assessable: {stand.reason.value}, as said above"
        return f"not asked: {stand.words}"

    def _implied(self) -> str:
        words = self.session.standing.implied.get(self.name, "") if self.is_asked else ""
        return f"{Sign.IMPLIED} {words.partition(': ')[2] or words}" if words else ""

    def _fault(self) -> str:
        """Return what is wrong with an answer that was given."""
        if self.name not in self.session.answers or (self.is_asked and self.body.is_partial):
            return ""
        missing = (each for each in self.session.standing.missing if each.question == self.name)
        words = next(missing, None)
        return words.words.partition(": ")[2] if words else ""

    def explanation(self) -> str:
        """Return the criteria of the chosen level, or how to answer."""
        return self.body.explanation()

    def _explain(self, words: str) -> None:
        self.explains.emit(words or self.explanation())

    # ---------------------------------------------------------------- focus

    def set_current(self, *, current: bool) -> None:
        """Show whether keys act on it."""
        set_state(self, "current", "true" if current else "false")

    def mousePressEvent(self, event: QMouseEvent) -> None:  # noqa: N802 - Qt's name
        """Become the card that keys act on."""
        super().mousePressEvent(event)
        self.setFocus(Qt.FocusReason.MouseFocusReason)
