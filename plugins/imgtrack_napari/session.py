"""One reader at the window: the open case, its answers, the tool in hand. No window in here.

Widgets read attributes, call one method per action, and listen with :meth:`Session.watch`. Every
change of an answer is a draft saved before the method returns.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from imgtrack.domain.errors import ImgtrackError
from imgtrack.domain.form import Implants, Ratio, Reason, Step
from imgtrack_napari.case_images import CaseImages
from imgtrack_napari.events import Event
from imgtrack_napari.hand import Hand
from imgtrack_napari.history import History
from imgtrack_napari.proposed import ProposalRecord
from imgtrack_napari.standing import Standing, standing_of
from imgtrack_napari.two_scans import TwoScans
from imgtrack_napari.viewing import Viewing
from imgtrack_napari.y_views import YViews

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from imgtrack.desk.cases.booth import Booth
    from imgtrack.desk.cases.next_case import PassedOver
    from imgtrack.desk.cases.screen import BlindCase
    from imgtrack.desk.readings.settle import AnswerSet
    from imgtrack.desk.readings.signing import Signed
    from imgtrack.domain.form import Form, Question


class Session:
    """One reader at the window.

    Parameters
    ----------
    booth
        What may be asked of the desk.

    Attributes
    ----------
    case
        The open case; ``None`` before the first and after the last.
    standing
        What is asked, missing and implied; see :class:`imgtrack_napari.standing.Standing`.
    viewing
        What the panes show.
    hand
        Drawing: the tool in hand, proposals, gap marks; see :class:`imgtrack_napari.hand.Hand`.
    moves
        How far implants moved since an earlier scan; see
        :class:`imgtrack_napari.two_scans.TwoScans`.
    y_views
        The Y view proposed; see :class:`imgtrack_napari.y_views.YViews`.
    step
        The step the reader is at.
    message
        Words for the reader about what just happened.
    signed
        The reading signed last, until the next case opens.
    passed
        Cases passed over before this one because their images cannot be read, and why.
    beside
        First readings, by letter and without names, where this case settles them and the protocol
        shows them.
    proposed
        What the program proposed in this case; kept with the draft and signed with the reading.
    """

    def __init__(self, booth: Booth) -> None:
        self._booth = booth
        self._listeners: dict[Event, list[Callable[[], None]]] = {event: [] for event in Event}
        self._images: CaseImages | None = None
        self._history = History({})
        self.proposed = ProposalRecord({})
        self.passed: tuple[PassedOver, ...] = ()
        self.beside: tuple[AnswerSet, ...] = ()
        self.case: BlindCase | None = None
        self.standing = Standing()
        self.viewing = Viewing(())
        self.hand = Hand(self)
        self.moves = TwoScans(self)
        self.y_views = YViews(self)
        self.step = Step.ADEQUACY
        self.message = ""
        self.signed: Signed | None = None
        self.progress = (0, 0)

    # ---------------------------------------------------------------- listening

    def watch(self, event: Event, call: Callable[[], None]) -> Callable[[], None]:
        """Call ``call`` after each such event; return a function that ends it."""
        self._listeners[event].append(call)
        return lambda: self._listeners[event].remove(call)

    def tell(self, *events: Event) -> None:
        """Tell the listeners of some events."""
        for event in events:
            for call in tuple(self._listeners[event]):
                call()

    def say(self, words: str) -> None:
        """Show words to the reader."""
        self.message = words
        self.tell(Event.MESSAGE)

    # ---------------------------------------------------------------- cases

    @property
    def reader(self) -> str:
        """Code of the reader."""
        return self._booth.reader

    @property
    def form(self) -> Form | None:
        """What is asked; ``None`` without a case."""
        return self.case.form if self.case else None

    @property
    def may_leave(self) -> bool:
        """Whether the next case may be opened: this one is signed, or nothing is recorded."""
        return self.case is None or self.signed is not None or not self.reader

    def open_next(self) -> bool:
        """Open the next case; return whether there is one, and say why not."""
        self.close_case()
        try:
            case = self._booth.open_next()
            self.progress = self._booth.progress()
            words = self._sit_down(case)
        except ImgtrackError as error:
            words = "Not opened: " + "; ".join(map(str, error.faults))
        self.tell(Event.CASE, Event.STEP, Event.ANSWERS, Event.TOOL, Event.VIEW)
        self.say(words)
        return self.case is not None

    def _sit_down(self, case: BlindCase | None) -> str:
        """Take a case up, or none; return words for the reader."""
        self.case, self.signed, self.step = case, None, Step.ADEQUACY
        self.passed, self.beside = self._booth.passed, self._booth.beside
        if case is None:
            return "Nothing on your list can be read now."
        self._history = History(case.answers)
        self.proposed = ProposalRecord(case.proposals)
        self._images = CaseImages(case)
        self.viewing = Viewing(case.series)
        self._look_again()
        self._booth.prepare_next(case.code)
        if not self.reader:
            self.step = next(iter(self.steps), Step.ADEQUACY)
            left_out = self._booth.left_out
            tail = f" Files that could not be used: {left_out}." if left_out else ""
            return f"Measuring only: nothing is recorded. F4 opens the next study.{tail}"
        shown = " and ".join(each.label for each in self.beside)
        tail = f" First readings {shown} stand beside your answers." if shown else ""
        if self._booth.is_pick:
            tail = f" Look here; pick {shown} with imgtrack settle: the protocol asks for a pick."
        return f"{case.code} is open.{tail}"

    def close_case(self) -> None:
        """Leave the case; its draft stays and opens again next time."""
        if self.case is not None:
            self.case.close()
        self.case, self.signed = None, None
        self.hand.drop()
        self.y_views.forget()
        self._images = None
        self._history, self.proposed = History({}), ProposalRecord({})
        self.viewing, self.standing, self.beside = Viewing(()), Standing(), ()

    def close(self) -> None:
        """Leave the booth."""
        self.moves.stop()
        self.y_views.stop()
        self.close_case()
        self._booth.close()

    @property
    def images(self) -> CaseImages:
        """The images of the open case."""
        if self._images is None:
            msg = "no case is open"
            raise LookupError(msg)
        return self._images

    def sign(self, pass_phrase: str) -> bool:
        """Sign what was answered; return whether it was signed, and say why not."""
        if self.case is None or self.signed is not None:
            return False
        self.hand.end_optional()
        try:
            self.signed = self._booth.sign(self.case, pass_phrase)
        except ImgtrackError as error:
            self.say("Not signed: " + "; ".join(map(str, error.faults)))
            return False
        self.hand.drop()
        self.progress = self._booth.progress()
        self.tell(Event.SIGNED, Event.TOOL)
        self.say(f"{self.case.code} is signed.")
        return True

    # ---------------------------------------------------------------- answers

    @property
    def answers(self) -> Mapping[str, Any]:
        """The answers so far, in the layout of `imgtrack.domain.form.questions`."""
        return self._history.now

    @property
    def can_undo(self) -> bool:
        """Whether a point or an answer can be taken back."""
        return self._history.can_undo or bool(self.hand.tool and self.hand.tool.points)

    @property
    def can_redo(self) -> bool:
        """Whether a taken-back answer can be given again."""
        return self._history.can_redo

    @property
    def may_change(self) -> bool:
        """Whether a case is open and not signed."""
        return self.case is not None and self.signed is None

    def question(self, name: str) -> Question:
        """Return a question of the form."""
        found = self.form.question(name) if self.form else None
        if found is None:
            msg = f"the form has no question {name!r}"
            raise LookupError(msg)
        return found

    def value(self, name: str) -> dict[str, Any]:
        """Return what was answered to a question; empty where nothing or "not assessable" was."""
        answer = self.answers.get(name) or {}
        return {} if "not_assessable" in answer else dict(answer)

    def put(self, changes: Mapping[str, Any]) -> bool:
        """Give several answers as one change, ``None`` taking one away; return whether any did."""
        is_change = self.may_change and self._history.put(changes)
        if is_change:
            self._saved()
        return is_change

    def choose(self, name: str, value: str | float) -> None:
        """Choose an option, level or number; the same one again takes it away."""
        same = self.value(name).get("value") == value
        self.put({name: None if same else {"value": value}})

    def choose_word(self, name: str, option: str) -> None:
        """Choose what must be said beside a ratio, as the roof of the fossa."""
        asks = self.question(name).asks
        if isinstance(asks, Ratio):
            self.put({name: {**self.value(name), asks.word: option}})

    def write(self, name: str, text: str) -> None:
        """Write a note; an empty one takes it away."""
        self.put({name: {"text": text} if text.strip() else None})

    def not_assessable(self, name: str, reason: Reason, note: str = "", part: str = "") -> None:
        """Say that a question, or one plane of the gap slices, is not assessable, and why."""
        found = {"not_assessable": reason.value, **({"note": note} if note.strip() else {})}
        self.put({name: {**self.value(name), part: found} if part else found})

    def clear(self, name: str, part: str = "") -> None:
        """Take an answer away, or one part: of a ratio, one plane, an implant by its label."""
        if isinstance(self.question(name).asks, Implants) and part:
            implants = self.value(name).get("implants", [])
            kept = [each for each in implants if each["label"] != part]
            self.put({name: {"implants": kept} if kept else None})
            return
        left = {key: each for key, each in self.value(name).items() if key not in {part, "value"}}
        self.put({name: left if part and left else None})

    def undo(self) -> None:
        """Take the last point of the tool in hand back, else the last change of an answer."""
        if self.hand.tool is not None and self.hand.tool.take_back():
            self.tell(Event.TOOL)
        elif self.signed is None:
            self._step_back("Taken back", self._history.undo)

    def redo(self) -> None:
        """Give the answer again that was taken back last."""
        if self.signed is None:
            self._step_back("Given again", self._history.redo)

    def _step_back(self, words: str, step: Callable[[], bool]) -> None:
        """Go along the history, and say whose answers changed: they may be out of sight."""
        before = self.answers
        if not step():
            return
        changed = before.keys() ^ self.answers.keys()
        changed |= {name for name in before if before[name] != self.answers.get(name)}
        asked = self.form.questions if self.form else ()
        titles = [each.title for each in asked if each.name in changed]
        if self._saved():
            self.say(f"{words}: {', '.join(titles)}.")

    # ---------------------------------------------------------------- steps

    @property
    def steps(self) -> tuple[Step, ...]:
        """The steps of the form that ask something, in order."""
        asked = {question.step for question in self.form.questions} if self.form else set()
        return tuple(step for step in Step if step in asked)

    def go_to(self, step: Step) -> None:
        """Go to a step; for muscles, bring up the series they are judged on and the Y view."""
        if step is self.step:
            return
        muscle = step is Step.MUSCLE
        if muscle is not (self.step is Step.MUSCLE):
            self.viewing.hang_for(muscle=muscle)
            self.tell(Event.VIEW)
        self.step = step
        if muscle and self.may_change:
            self.y_views.begin()
        self.tell(Event.STEP)

    def keep(self) -> bool:
        """Save the draft as it is now, with what was proposed; return whether it was saved."""
        if self.case is None:
            return False
        try:
            self._booth.save(self.case, self.answers, self.proposed.now)
            self.message = "saved" if self.reader else "measured; nothing is recorded"
        except ImgtrackError as error:
            self.message = "Not saved: " + "; ".join(map(str, error.faults))
            return False
        return True

    def _saved(self) -> bool:
        """Save the draft, look where the reading stands, tell everyone; return whether it was."""
        is_saved = self.keep()
        self._look_again()
        self.hand.put_down_unasked()
        self.tell(Event.ANSWERS, Event.MESSAGE)
        return is_saved

    def _look_again(self) -> None:
        if self.case is not None:
            self.standing = standing_of(self.case.form, self.answers, self._booth.implied)
