"""The dock's keys, bound for the whole window it stands in."""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING

from qtpy.QtCore import Qt
from qtpy.QtGui import QKeySequence, QShortcut
from qtpy.QtWidgets import QApplication, QLineEdit, QPlainTextEdit

from imgtrack.domain.form import Choice, Graded
from imgtrack_napari.events import Event
from imgtrack_napari.keys import KEYS, Act, Group

if TYPE_CHECKING:
    from collections.abc import Callable

    from imgtrack_napari.dock.dock import Dock

STEP_ACTS = (Act.STEP_1, Act.STEP_2, Act.STEP_3, Act.STEP_4)


class Shortcuts:
    """Binds the keys of form, drawing and case; those of the images are the window's.

    Parameters
    ----------
    dock
        Whose window they are bound for.
    """

    def __init__(self, dock: Dock) -> None:
        self._dock = dock
        session = dock.session
        hand = session.hand
        self._acts: dict[Act, Callable[[], object]] = {
            Act.NEXT_QUESTION: partial(dock.step_by, 1),
            Act.QUESTION_BEFORE: partial(dock.step_by, -1),
            Act.NOT_ASSESSABLE: self._reasons,
            Act.CLEAR: self._clear,
            Act.DRAW: self._draw,
            Act.END: self._end,
            Act.DROP: self._drop,
            Act.GAP: lambda: hand.toggle_gap(session.viewing.active),
            Act.FIND_GAP: hand.propose_gap,
            Act.FIT_EDGES: self._fit_edges,
            Act.ACCEPT: hand.accept,
            Act.REJECT: hand.cancel,
            Act.SHOW: self._show,
            Act.Y_VIEW: session.y_views.show,
            Act.UNDO: session.undo,
            Act.REDO: session.redo,
            Act.SIGN: dock.to_signing,
            Act.NEXT_CASE: dock.signing.next_case,
            Act.LIGHT: dock.switch_look,
            Act.HELP: dock.help.toggle,
        }
        for place, act in enumerate(STEP_ACTS):
            self._acts[act] = partial(self._step, place)
        self._bound = [
            self._bind(stroke, key.act)
            for key in KEYS
            if key.group is not Group.PICTURE
            for stroke in key.strokes
        ]

    def _bind(self, stroke: str, act: Act) -> QShortcut:
        call = partial(self._digit, stroke) if act is Act.OPTION else self._acts[act]
        made = QShortcut(QKeySequence(stroke), self._dock)
        made.setContext(Qt.ShortcutContext.WindowShortcut)
        made.setAutoRepeat(act in {Act.UNDO, Act.REDO})
        made.activated.connect(call)
        made.activatedAmbiguously.connect(call)  # another part of the window has the key as well
        return made

    # ---------------------------------------------------------------- what they do

    def _step(self, place: int) -> None:
        steps = list(self._dock.steps)
        if place < len(steps):
            self._dock.to_step(steps[place])

    def _digit(self, digit: str) -> None:
        """Answer the marked question; after a grade or a choice go on to what is missing."""
        card = self._dock.current
        if card is None or not card.pick(digit):
            return
        title = card.question.title
        answer = self._dock.session.answers.get(card.name) or {}
        if isinstance(card.question.asks, Choice | Graded) and "value" in answer:
            self._dock.session.say(f"{title}: {answer['value']}")
            self._dock.go_on()
        elif answer.get("not_assessable", "other") != "other":
            self._dock.session.say(f"{title}: not assessable, {answer['not_assessable']}")
            self._dock.go_on()

    def _reasons(self) -> None:
        if self._dock.current is not None:
            self._dock.current.next_reasons()

    def _clear(self) -> None:
        """Take back a point while drawing, else the answer of the marked question."""
        session, card = self._dock.session, self._dock.current
        if session.hand.tool is not None:
            session.undo()
        elif card is not None and card.is_leftover:
            card.take_leftovers()
        elif card is not None and card.name in session.answers:
            session.clear(card.name)

    def _draw(self) -> None:
        card = self._dock.current
        if card is not None and not card.body.draw():
            self._dock.session.say(f"{card.question.title}: nothing is drawn for this question")

    def _fit_edges(self) -> None:
        card = self._dock.current
        if card is not None and not card.body.fit_edges():
            self._dock.session.say("Draw a line first; its ends can then be moved to the edges.")

    def _show(self) -> None:
        """Bring up the image something is being drawn on, else that of the marked question."""
        session, card = self._dock.session, self._dock.current
        drawn = session.hand.tool.points if session.hand.tool is not None else []
        if drawn:
            session.viewing.show_image(drawn[0].image)
            session.tell(Event.VIEW)
        elif card is not None and not card.show_image():
            session.say(f"{card.question.title}: nothing was measured yet")

    def _end(self) -> None:
        """End what is being drawn; in a field keep what was typed; else go on."""
        dock, focused = self._dock, QApplication.focusWidget()
        if isinstance(focused, QLineEdit) and dock.isAncestorOf(focused):
            self._keep(focused)
        elif dock.session.hand.tool is not None:
            dock.session.hand.end()
        elif focused is dock.signing.after:
            dock.signing.next_case()
        else:
            dock.go_on()

    def _keep(self, field: QLineEdit) -> None:
        """Keep what was typed, and go on unless it cannot be kept."""
        field.returnPressed.emit()
        if field is self._dock.signing.phrase:
            return
        field.editingFinished.emit()
        if self._dock.current is not None and self._dock.current.is_missing:
            field.selectAll()
        else:
            self._dock.go_on()

    def _drop(self) -> None:
        """Put the tool away, else leave a field, else close the reasons."""
        dock, hand = self._dock, self._dock.session.hand
        if dock.help.isVisible():
            dock.help.toggle()
        elif hand.tool is not None or hand.proposal is not None:
            hand.cancel()
        elif isinstance(QApplication.focusWidget(), QLineEdit | QPlainTextEdit):
            dock.flush()
            dock.go_to(dock.marking.name)
        elif dock.current is not None:
            dock.current.close_reasons()
