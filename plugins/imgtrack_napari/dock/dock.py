"""The dock: the case, its steps, and below them what to know now."""

from __future__ import annotations

from typing import TYPE_CHECKING

from qtpy.QtCore import Qt, QTimer, Signal
from qtpy.QtWidgets import QApplication, QScrollArea, QSizePolicy, QVBoxLayout, QWidget

from imgtrack.domain.form import Step
from imgtrack_napari.dock.card import Card
from imgtrack_napari.dock.foot import Foot
from imgtrack_napari.dock.note import NoteField
from imgtrack_napari.dock.parts import button, column, empty, label, row, show_words, tone
from imgtrack_napari.dock.shortcuts import Shortcuts
from imgtrack_napari.dock.signing import Signing
from imgtrack_napari.dock.step import StepBox
from imgtrack_napari.dock.words import passed_words
from imgtrack_napari.dock.y_view import YViewLine
from imgtrack_napari.events import Event
from imgtrack_napari.help import HelpPage
from imgtrack_napari.keys import Act, tip
from imgtrack_napari.look import DARK, LIGHT, Look, style_sheet
from imgtrack_napari.marking import Marking

if TYPE_CHECKING:
    from qtpy.QtGui import QCloseEvent

    from imgtrack_napari.session import Session

LOOK_EVERY_MS = 200
"""How often the window looks whether a thread is done."""

WIDTH = 400
"""Least width, in device-independent pixels; it may be made wider."""


class Dock(QWidget):
    """The questions of the open case, and signing.

    Its keys work in the whole window it stands in, wherever the focus is, except while somebody
    types.

    Parameters
    ----------
    session
        Whose cases are read.
    """

    worn = Signal()
    """Another look was put on."""

    def __init__(self, session: Session) -> None:
        super().__init__()
        self.session = session
        self.marking = Marking(session)
        self.cards: dict[str, Card] = {}
        self.steps: dict[Step, StepBox] = {}
        self.look = DARK
        self.setObjectName("dock")
        self.setAttribute(Qt.WidgetAttribute.WA_StyledBackground)
        self.setMinimumWidth(WIDTH)
        self.setSizePolicy(QSizePolicy.Policy.Preferred, QSizePolicy.Policy.Expanding)
        self.signing = Signing(session)
        self.signing.wants.connect(self.go_to)
        self.y_view = YViewLine(session)
        self.foot = Foot(session)
        self.help = HelpPage(self)
        self._lay_out()
        self.wear(DARK)
        self._looks = QTimer(self)
        self._looks.setInterval(LOOK_EVERY_MS)
        self._looks.timeout.connect(self._look_for_found)
        self._offs = [
            session.watch(Event.CASE, self._build),
            session.watch(Event.ANSWERS, self.refresh),
            session.watch(Event.TOOL, self.refresh),
            session.watch(Event.SIGNED, self.refresh),
            session.watch(Event.STEP, self._show_step),
            session.watch(Event.MESSAGE, self.foot.refresh),
            session.watch(Event.MESSAGE, self.y_view.refresh),
            session.watch(Event.MESSAGE, self._await_found),
        ]
        self.keys = Shortcuts(self)
        self._follow_focus()
        self._build()

    # ---------------------------------------------------------------- laying out

    def _lay_out(self) -> None:
        self.code = label()
        self.code.setObjectName("code")
        self.progress = label("", "quiet")
        self.undo = button("Undo", tip(Act.UNDO), self.session.undo)
        self.redo = button("Redo", tip(Act.REDO), self.session.redo)
        self.light = button("Light", tip(Act.LIGHT), self.switch_look)
        self.ask = button("Help", tip(Act.HELP), self.help.toggle)
        self.passed = label("", "quiet")
        self.passed.setObjectName("passed over")
        tone(self.passed, "missing")
        tools = row(self.progress, self.undo, self.redo, self.light, self.ask)
        head = column(self.code, tools, self.passed)
        head.setContentsMargins(8, 6, 8, 2)
        self.pages = QWidget()
        self.pages.setObjectName("pages")
        self._column = QVBoxLayout(self.pages)
        self._column.setContentsMargins(6, 2, 6, 6)
        self._column.setSpacing(4)
        self.area = QScrollArea()
        self.area.setWidgetResizable(True)
        self.area.setFocusPolicy(Qt.FocusPolicy.NoFocus)
        self.area.setHorizontalScrollBarPolicy(Qt.ScrollBarPolicy.ScrollBarAlwaysOff)
        self.area.setVerticalScrollBarPolicy(Qt.ScrollBarPolicy.ScrollBarAlwaysOn)
        self.area.setWidget(self.pages)
        whole = column(head, self.area, self.foot)
        whole.setStretch(1, 1)
        self.setLayout(whole)

    def _build(self) -> None:
        """Lay the questions of the open case out anew."""
        self._take_away()
        form = self.session.form
        for question in form.questions if form else ():
            card = Card(self.session, question)
            card.explains.connect(self.foot.explain)
            self.cards[question.name] = card
        for number, step in enumerate(self.session.steps, 1):
            self._add_step(number, step)
        self._column.addStretch(1)
        self.signing.setVisible(Step.GRADE in self.steps)
        self.y_view.setVisible(Step.MUSCLE in self.steps)
        self.y_view.refresh()
        self._show_step()
        self.marking.begin()
        self.refresh()
        self._mark()

    def _take_away(self) -> None:
        for kept in (self.signing, self.y_view):
            kept.setParent(self)
            kept.hide()
        self.cards, self.steps = {}, {}
        empty(self._column)

    def _add_step(self, number: int, step: Step) -> None:
        cards = [card for card in self.cards.values() if card.question.step is step]
        tail = self.signing if step is Step.GRADE else None
        box = StepBox(
            self.session,
            step,
            number=number,
            cards=cards,
            toggle=lambda: self.toggle_step(step),
            head=self.y_view if step is Step.MUSCLE else None,
            tail=tail,
        )
        self.steps[step] = box
        self._column.addWidget(box)

    # ---------------------------------------------------------------- showing

    def refresh(self) -> None:
        """Show the case as the session has it."""
        session = self.session
        self.code.setText(f"Case {session.case.code}" if session.case else "No case")
        done, total = session.progress
        said = f"{done} of {total} signed" if session.reader else f"{done + 1} of {total} studies"
        self.progress.setText(said)
        show_words(self.passed, passed_words(session.passed))
        self.undo.setEnabled(session.can_undo and session.may_change)
        self.redo.setEnabled(session.can_redo and session.may_change)
        for box in self.steps.values():
            box.refresh()
        self.signing.refresh()
        self.foot.refresh()
        if self.current is not None and not self.foot_is_pointed:
            self.foot.explain(self.current.explanation())

    @property
    def foot_is_pointed(self) -> bool:
        """Whether the pointer explains something on another card."""
        return any(
            card.underMouse() for name, card in self.cards.items() if name != self.marking.name
        )

    def wear(self, look: Look) -> None:
        """Put on a look."""
        self.look = look
        sheet = style_sheet(look)
        self.setStyleSheet(sheet)
        self.help.setStyleSheet(sheet)
        self.light.setText("Dark" if look is LIGHT else "Light")
        self.worn.emit()

    def switch_look(self) -> None:
        """Change between light words on dark and dark words on light."""
        self.wear(DARK if self.look is LIGHT else LIGHT)

    # ---------------------------------------------------------------- steps

    def toggle_step(self, step: Step) -> None:
        """Go to a step; close it when it is open."""
        box = self.steps[step]
        if box.is_open:
            box.set_open(is_open=False)
            box.refresh()
        else:
            self.to_step(step)

    def to_step(self, step: Step) -> None:
        """Open a step and mark what is missing in it."""
        box = self.steps[step]
        self.marking.to_step(step)
        self._show_step()
        self._mark()
        self._into_view(box)

    def _show_step(self) -> None:
        """Open the step in use, close the others."""
        for step, box in self.steps.items():
            box.set_open(is_open=step is self.session.step)
            box.refresh()

    # ---------------------------------------------------------------- the question in use

    @property
    def current(self) -> Card | None:
        """The card that keys act on."""
        return self.cards.get(self.marking.name)

    def go_to(self, name: str) -> None:
        """Go to a question, opening its step."""
        if name in self.cards:
            self.marking.to(name)
            self._show_step()
            self._mark()

    def step_by(self, by: int) -> None:
        """Go to the question after or before."""
        before = self.marking.name
        self.marking.move(by)
        if self.marking.name == before and by > 0:
            self.to_signing()
            return
        self._show_step()
        self._mark(types=True)

    def go_on(self) -> None:
        """Go to the next question that is missing, else to signing."""
        if self.session.standing.can_sign or not self.session.may_change:
            self.to_signing()
            return
        self.marking.go_on()
        self._show_step()
        self._mark()

    def to_signing(self) -> None:
        """Go to the pass phrase, or to "next case" once it is signed."""
        if Step.GRADE not in self.steps:
            return
        self.session.go_to(Step.GRADE)
        self._show_step()
        signing = self.signing
        target = signing.phrase if self.session.may_change else signing.after
        target.setFocus(Qt.FocusReason.ShortcutFocusReason)
        self._into_view(signing)

    def _follow_focus(self) -> None:
        application = QApplication.instance()
        if isinstance(application, QApplication):
            changed = application.focusChanged
            changed.connect(self._follow)
            self._offs.append(lambda: changed.disconnect(self._follow))

    def _follow(self, _before: QWidget | None, focused: QWidget | None) -> None:
        """Mark the card that the focus came to: itself, a field or a button on it."""
        entered = next(
            (card for card in self.cards.values() if _holds(card, focused)), self.current
        )
        if entered is not None and entered is not self.current:
            self.marking.to(entered.name)
            self._show_marked(entered)

    def _mark(self, *, types: bool = False) -> None:
        """Show which card keys act on, give it the focus, and scroll to it."""
        marked = self.current
        if marked is None:
            return
        self._show_marked(marked)
        field = marked.body.typing() if types and marked.is_asked else None
        (field or marked).setFocus(Qt.FocusReason.OtherFocusReason)
        self._into_view(marked)

    def _show_marked(self, marked: Card) -> None:
        for card in self.cards.values():
            card.set_current(current=card is marked)
        self.foot.explain(marked.explanation())

    def _into_view(self, widget: QWidget) -> None:
        """Scroll just as far as needed, once the layout has settled."""
        QTimer.singleShot(0, self, lambda: self._scroll_to(widget))

    def _scroll_to(self, widget: QWidget) -> None:
        if self.pages.isAncestorOf(widget) and widget.isVisible():
            self.area.ensureWidgetVisible(widget, 0, 24)

    # ---------------------------------------------------------------- what threads find

    @property
    def _is_awaited(self) -> bool:
        return self.session.moves.is_busy or self.session.y_views.is_busy

    def _await_found(self) -> None:
        """Look for what a thread finds, as long as one is at work."""
        if self._is_awaited and not self._looks.isActive():
            self._looks.start()

    def _look_for_found(self) -> None:
        self.session.moves.take()
        self.session.y_views.take()
        if not self._is_awaited:
            self._looks.stop()

    # ---------------------------------------------------------------- leaving

    def flush(self) -> None:
        """Keep what is being typed."""
        for card in self.cards.values():
            if isinstance(card.body, NoteField):
                card.body.flush()

    def closeEvent(self, event: QCloseEvent) -> None:  # noqa: N802 - Qt's name
        """Keep what is being typed, and stop listening."""
        self.flush()
        self._looks.stop()
        for off in self._offs:
            off()
        self._offs = []
        super().closeEvent(event)


def _holds(card: Card, focused: QWidget | None) -> bool:
    return focused is not None and (card is focused or card.isAncestorOf(focused))
