"""The reader's hand: the tool being drawn, marks of gap slices, proposals, points being moved."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from imgtrack.domain.errors import ImgtrackError
from imgtrack.domain.form import (
    FatFraction,
    GapSlices,
    Implants,
    Landmarks,
    Measured,
    Origin,
    Ratio,
)
from imgtrack.domain.imaging import Modality
from imgtrack_napari.dixon import NONE_HERE, bring_up
from imgtrack_napari.drawing import Tool, legs_of
from imgtrack_napari.events import Event
from imgtrack_napari.measuring import gap_value
from imgtrack_napari.moving import moved
from imgtrack_napari.proposing import propose_edges, propose_gap
from imgtrack_napari.values import drawn_value

if TYPE_CHECKING:
    from collections.abc import Callable

    from imgtrack.domain.form import Question
    from imgtrack.domain.protocol import Plane
    from imgtrack_napari.figures import Handle
    from imgtrack_napari.measuring import Placed
    from imgtrack_napari.proposing import Proposal
    from imgtrack_napari.session import Session


NO_PROPOSALS = "Nothing is proposed on radiographs."


class Hand:
    """Drawing in a session.

    Parameters
    ----------
    session
        Whose answers are drawn.

    Attributes
    ----------
    tool
        The measurement being drawn, or ``None``.
    proposal
        What the program proposes and the reader has not decided on, or ``None``.
    """

    def __init__(self, session: Session) -> None:
        self._session = session
        self.tool: Tool | None = None
        self.proposal: Proposal | None = None

    def drop(self) -> None:
        """Put tool and proposal down without telling anybody."""
        self.tool, self.proposal = None, None

    # ---------------------------------------------------------------- the tool

    def can_draw(self, name: str) -> bool:
        """Whether something is drawn for a question, and it is asked now."""
        session = self._session
        question = session.form.question(name) if session.form else None
        return bool(
            question
            and isinstance(question.asks, Measured | Landmarks | Ratio | FatFraction | Implants)
            and session.standing.is_asked(name)
            and session.may_change
        )

    def start(self, name: str, part: str = "") -> None:
        """Take the tool of a question, or of one part of it; the same again puts it down.

        An implant whose head is marked is kept first.
        """
        if not self.can_draw(name):
            return
        if (
            not self.end_optional()
            and self.tool is not None
            and (self.tool.question, self.tool.part) == (name, part)
        ):
            self.cancel()
            return
        question = self._session.question(name)
        if isinstance(question.asks, FatFraction):
            if not bring_up(self._session):
                self._session.say(NONE_HERE)
                return
            self._session.tell(Event.VIEW)
        views = getattr(question.asks, "views", ())
        self.take(Tool(name, part, legs_of(question, part), views))

    def take(self, tool: Tool) -> None:
        """Take a tool in hand, in the place of what was there."""
        session = self._session
        self.end_optional()
        self._reject()
        self.tool = tool
        session.tell(Event.TOOL)
        session.say(f"{session.question(tool.question).title}: {tool.asks}")

    def click(self, placed: Placed) -> bool:
        """Place the next point of the tool; return whether it was placed."""
        tool = self.tool
        if tool is None:
            return False
        refusal = self.refusal(placed)
        if refusal:
            tool.refused = f"Not placed: {refusal}."
            self._session.say(tool.refused)
            return False
        tool.click(placed)
        self._go_on(tool)
        return True

    def refusal(self, placed: Placed) -> str:
        """Return why the tool sets no point there; nothing where it does, or without a tool."""
        tool = self.tool
        return "" if tool is None else tool.refusal(placed) or self._wrong_view(tool, placed)

    def end(self) -> bool:
        """End the outline or open line being drawn."""
        tool = self.tool
        if tool is None or not tool.end_leg():
            return False
        self._go_on(tool)
        return True

    def end_optional(self) -> bool:
        """End what is whole as it is drawn, as an implant without its tip; return whether it was.

        So nothing drawn is lost when the reader goes on.
        """
        return self.tool is not None and self.tool.can_end and self.end()

    def cancel(self) -> None:
        """Put the tool down, or reject the proposal; answers stay as they were."""
        if self.tool is None and self.proposal is None:
            return
        words = "Put down."
        if self.proposal is not None:
            words = "Rejected; your answers stay." if self._reject() else self._session.message
        self.drop()
        self._session.tell(Event.TOOL)
        self._session.say(words)

    def put_down_unasked(self) -> None:
        """Put the tool down where its question is no longer to be answered."""
        if self.tool is not None and not self._session.standing.is_asked(self.tool.question):
            self.tool = None
            self._session.tell(Event.TOOL)

    def _go_on(self, tool: Tool) -> None:
        session = self._session
        if not tool.is_whole:
            session.tell(Event.TOOL)
            session.say(f"{session.question(tool.question).title}: {tool.asks}")
            return
        if tool.on_earlier:
            self.tool = None
            session.tell(Event.TOOL)
            session.moves.begin(tool.question, tool.part, tool.points[0])
            return
        try:
            value = drawn_value(session, tool, Origin.DRAWN)
        except ImgtrackError as error:
            tool.reopen()
            why = "; ".join(fault.what for fault in error.faults)
            tool.refused = f"Not kept: {why}. Take points back (Ctrl+Z), or Esc."
            session.tell(Event.TOOL)
            session.say(tool.refused)
            return
        self.tool = None
        session.put({tool.question: value})
        session.tell(Event.TOOL)

    def _wrong_view(self, tool: Tool, placed: Placed) -> str:
        """Return why a point cannot lie on that image: an earlier scan, or another plane."""
        case = self._session.case
        alias = placed.image.rpartition(".")[0]
        series = next((each for each in case.series if each.alias == alias), None) if case else None
        if series is not None and tool.on_earlier:
            return "" if series.earlier else "mark it on the earlier scan (S: other series)"
        if series is None or series.earlier:
            return "measure on the scan to be read, not on an earlier one"
        if tool.views and series.plane is not None and series.plane.value not in tool.views:
            return f"this is measured on: {' or '.join(view.value for view in tool.views)}"
        return ""

    # ---------------------------------------------------------------- points that are there

    def move(self, handle: Handle, placed: Placed) -> None:
        """Move a point of an answer, or of the proposal, to another place on its image."""
        session = self._session
        if not session.may_change:
            return
        try:
            if self.proposal is not None and handle.question in self.proposal.answers:
                self.proposal = self.proposal.moved(session, handle, placed)
                session.tell(Event.TOOL)
                return
            question, answer = session.question(handle.question), session.value(handle.question)
            value = moved(question, answer, handle, placed, session)
        except ImgtrackError as error:
            session.say("; ".join(fault.what for fault in error.faults))
            return
        session.put({handle.question: value})

    # ---------------------------------------------------------------- gap slices

    def toggle_gap(self, plane: Plane) -> None:
        """Mark the slice shown in a pane as one with the gap, or take the mark away."""
        question = self._gap_question(plane)
        series, image = (
            self._session.viewing.panes[plane].series,
            self._session.viewing.panes[plane].image,
        )
        if question is None or series is None or image is None:
            return
        marks = self._marks(question, plane)
        foreign = [alias for alias in marks if alias.rpartition(".")[0] != series.alias]
        if foreign or series.earlier:
            self._session.say("the slices of this plane are marked on another series")
            return
        self._mark(question, plane, marks ^ {image.alias})

    def no_gap(self, plane: Plane) -> None:
        """Say that no slice of a plane shows the gap."""
        question = self._gap_question(plane)
        if question is not None:
            self._mark(question, plane, set())

    def _gap_question(self, plane: Plane) -> Question | None:
        session = self._session
        if session.form is None or not session.may_change:
            return None
        for question in session.form.questions:
            if isinstance(question.asks, GapSlices) and plane in question.asks.planes:
                if session.standing.is_asked(question.name):
                    return question
                session.say(f"{question.title}: only with a full-thickness defect")
        return None

    def _marks(self, question: Question, plane: Plane) -> set[str]:
        marks: dict[str, Any] = self._session.value(question.name).get(plane.value) or {}
        return {image["uid"] for image in marks.get("images", ())}

    def _mark(self, question: Question, plane: Plane, aliases: set[str]) -> None:
        session = self._session
        series = session.viewing.panes[plane].series
        if series is None:
            return
        try:
            value = gap_value(series, aliases)
        except ImgtrackError as error:
            session.say("; ".join(fault.what for fault in error.faults))
            return
        session.put({question.name: {**session.value(question.name), plane.value: value}})

    # ---------------------------------------------------------------- proposals

    @property
    def can_propose(self) -> bool:
        """Whether the program can propose anything on these images: not on radiographs."""
        case = self._session.case
        return case is not None and case.modality is Modality.MR

    def propose_gap(self) -> None:
        """Propose gap slices, width and retraction of the gap that the crosshair is in."""
        session, point = self._session, self._session.viewing.cursor
        if not self.can_propose:
            session.say(NO_PROPOSALS)
        elif point is None:
            session.say("Click into the gap first.")
        else:
            self._propose(lambda: propose_gap(session, point))

    def propose_edges(self, name: str) -> None:
        """Propose the edges nearest to the two ends of a drawn line."""
        if self.can_propose:
            self._propose(lambda: propose_edges(self._session, name))
        else:
            self._session.say(NO_PROPOSALS)

    def _propose(self, make: Callable[[], Proposal]) -> None:
        session = self._session
        if not session.may_change:
            return
        self.end_optional()
        self._reject()
        self.drop()
        try:
            self.offer(make())
        except ImgtrackError as error:
            session.say("Nothing proposed: " + "; ".join(fault.what for fault in error.faults))
        session.tell(Event.TOOL)

    def offer(self, proposal: Proposal) -> None:
        """Show a proposal; that it was shown is kept with the draft."""
        session = self._session
        self.proposal = proposal
        session.proposed.show(proposal.answers, session.answers)
        session.say(proposal.words if session.keep() else session.message)

    def _reject(self) -> bool:
        """Put a proposal away and note it as rejected; return whether that was saved."""
        if self.proposal is None:
            return True
        self.proposal = None
        self._session.proposed.decide()
        return self._session.keep()

    def accept(self) -> None:
        """Take what is proposed as answers; they are recorded as accepted, or moved, proposals."""
        session = self._session
        proposal, self.proposal = self.proposal, None
        if proposal is None:
            return
        asked = session.standing.is_asked
        answers = {n: each for n, each in proposal.taken(session).items() if asked(n)}
        session.proposed.decide(accepted=answers)
        if not session.put(answers):
            session.keep()
        session.tell(Event.TOOL)
