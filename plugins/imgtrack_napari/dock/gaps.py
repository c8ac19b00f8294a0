"""Slices that show the gap: marked slice by slice, counted and in mm, plane by plane."""

from __future__ import annotations

from collections.abc import Mapping
from functools import partial
from types import MappingProxyType
from typing import TYPE_CHECKING, Any

from qtpy.QtWidgets import QWidget

from imgtrack.domain.form import GapSlices
from imgtrack_napari.dock.body import Body
from imgtrack_napari.dock.parts import button, column, label, row, tone
from imgtrack_napari.dock.reasons import Reasons
from imgtrack_napari.keys import Act, tip
from imgtrack_napari.look import Sign

if TYPE_CHECKING:
    from imgtrack.domain.form import Question
    from imgtrack.domain.protocol import Plane
    from imgtrack_napari.session import Session

NOTHING: Mapping[str, Any] = MappingProxyType({})


def marks_words(marks: Mapping[str, Any]) -> str:
    """Return what was marked in one plane: count, and mm from the spacing where it is known."""
    if "not_assessable" in marks:
        return f"not assessable, {marks['not_assessable']}"
    if "count" not in marks:
        return "not marked"
    if not marks["count"]:
        return "no slice"
    slices = "1 slice" if marks["count"] == 1 else f"{marks['count']} slices"
    return f"{slices} · {marks['implied_mm']:.1f} mm" if "implied_mm" in marks else slices


class PlaneMarks(QWidget):
    """Marks in one plane."""

    def __init__(self, session: Session, name: str, plane: Plane) -> None:
        super().__init__()
        self._session, self._name, self.plane = session, name, plane
        self._open = False
        self._before: Mapping[str, Any] = {}
        self.words = label("", "strong")
        self.mark = button(
            "Mark slice  G",
            tip(Act.GAP, f"the {plane.value} slice shown has the gap, or no longer"),
            partial(session.hand.toggle_gap, plane),
        )
        self.none = button(
            "No slice  0",
            f"No {plane.value} slice shows the gap (0 in that pane)",
            partial(session.hand.no_gap, plane),
        )
        self.unseen = button(
            "Not assessable",
            f"The {plane.value} images do not show it; then say why (N twice, in that pane)",
            self.toggle_reasons,
            checkable=True,
        )
        for each, word in ((self.mark, "mark"), (self.none, "none"), (self.unseen, "unseen")):
            each.setObjectName(f"{name}:{plane.value}:{word}")
        self.reasons = Reasons(session, name, plane.value)
        tools = row(self.mark, self.none, self.unseen, None)
        self.setLayout(column(self.words, tools, self.reasons))

    @property
    def marks(self) -> Mapping[str, Any]:
        """What was marked."""
        return self._session.value(self._name).get(self.plane.value) or {}

    @property
    def takes_reasons(self) -> bool:
        """Whether the reasons of this plane are open."""
        return self._open or self.reasons.reason is not None

    def toggle_reasons(self) -> None:
        """Open or close the reasons; closing takes a reason that was given away."""
        if self.reasons.reason is not None:
            self._open = False
            self._session.clear(self._name, self.plane.value)
        else:
            self._open = not self._open
        self.refresh()

    def refresh(self, proposed: Mapping[str, Any] = NOTHING) -> None:
        """Show count and mm, or those that are suggested."""
        says = f"{Sign.IMPLIED} {marks_words(proposed)}" if proposed else ""
        self.words.setText(f"{self.plane.value}: {says or marks_words(self.marks)}")
        tone(self.words, "implied" if proposed else "")
        self.reasons.refresh()
        if self.marks != self._before:
            self._open, self._before = False, self.marks
        self.reasons.setVisible(self.takes_reasons)
        self.unseen.setChecked(self.takes_reasons)
        for each in (self.mark, self.none, self.unseen):
            each.setEnabled(self._session.may_change)


class Gaps(Body):
    """Marks in every plane."""

    def __init__(self, session: Session, question: Question) -> None:
        super().__init__(session, question)
        planes = question.asks.planes if isinstance(question.asks, GapSlices) else ()
        self.planes = {plane: PlaneMarks(session, self.name, plane) for plane in planes}
        words = "suggest slices, width and retraction of the gap that the crosshair is in"
        self.suggests = button("Suggest  F", tip(Act.FIND_GAP, words), session.hand.propose_gap)
        self.suggests.setObjectName(f"{self.name}:suggest")
        self.setLayout(column(*self.planes.values(), row(self.suggests, None)))

    def refresh(self) -> None:
        """Show the marks of every plane."""
        for each in self.planes.values():
            each.refresh(self.proposed.get(each.plane.value, {}))
        self.suggests.setEnabled(self.session.may_change)

    @property
    def is_partial(self) -> bool:
        """Whether a plane is not marked yet."""
        return not all(each.marks for each in self.planes.values())

    def pick(self, digit: str) -> bool:
        """Take a reason of the plane of the pane in use, or 0 for "no slice" there."""
        plane = self.session.viewing.active
        if plane not in self.planes:
            return False
        if self.planes[plane].takes_reasons:
            return self.planes[plane].reasons.pick(digit)
        if digit == "0":
            self.session.hand.no_gap(plane)
        return digit == "0"

    def toggle_plane(self) -> bool:
        """Open or close the reasons of the plane of the pane in use."""
        plane = self.session.viewing.active
        if plane in self.planes:
            self.planes[plane].toggle_reasons()
        return plane in self.planes

    def images(self) -> tuple[str, ...]:
        """Return the images that were marked."""
        return tuple(
            image["uid"] for each in self.planes.values() for image in each.marks.get("images", ())
        )
