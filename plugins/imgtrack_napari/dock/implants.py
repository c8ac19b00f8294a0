"""Implants: each with its place, how it sits, its grades, and how far it moved."""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING, Any

from qtpy.QtWidgets import QFrame, QLineEdit

from imgtrack.domain.form import Implants, Reason
from imgtrack_napari.dock.body import Body
from imgtrack_napari.dock.parts import button, column, empty, label, row
from imgtrack_napari.dock.words import level_words
from imgtrack_napari.keys import Act, tip

if TYPE_CHECKING:
    from collections.abc import Mapping

    from qtpy.QtWidgets import QLayout, QPushButton

    from imgtrack.domain.form import Question
    from imgtrack.domain.scales import Scale
    from imgtrack_napari.session import Session


MOVED = {
    "mm": "how far it moved, in mm",
    "residual_mm": "residual of laying the scans on each other, in mm",
}


class ImplantRow(QFrame):
    """One implant.

    Parameters
    ----------
    body
        The question it belongs to.
    implant
        As it stands in the answer.
    """

    def __init__(self, body: ImplantList, implant: Mapping[str, Any]) -> None:
        super().__init__()
        self._body, self._implant = body, implant
        tag = str(implant["label"])
        away = button(
            "Delete", f"take implant {tag} away", partial(body.session.clear, body.name, tag)
        )
        away.setObjectName(f"{body.name}:{tag}:delete")
        head = row(label("Implant", "strong"), self._tag(tag), None, self._tip(tag), away)
        layout = column(head, self._seats())
        for scale in body.asks.scales:
            layout.addWidget(label(scale.title, "quiet"))
            layout.addLayout(self._grades(scale))
        if body.asks.migration:
            layout.addWidget(label("moved since the first scan after surgery", "quiet"))
            layout.addLayout(self._migration())
        self.setLayout(layout)

    def _tag(self, tag: str) -> QLineEdit:
        """Return the field with the number, which may be set to the one of earlier scans."""
        field = QLineEdit(tag)
        field.setMaximumWidth(56)
        field.setToolTip("its number, the same at every scan of this shoulder (Enter keeps it)")
        field.setAccessibleName(f"number of implant {tag}")
        field.setObjectName(f"{self._body.name}:{tag}:number")
        field.setEnabled(self._body.session.may_change)
        field.editingFinished.connect(lambda: self._body.rename(tag, field.text()))
        return field

    def _tip(self, tag: str) -> QPushButton:
        has_tip = len(self._implant["points"]) > 1
        words = "Tip again" if has_tip else "Mark its tip"
        act = partial(self._body.session.hand.start, self._body.name, tag)
        made = button(words, "click on its tip, so that its axis is known", act)
        made.setEnabled(self._body.session.may_change)
        made.setObjectName(f"{self._body.name}:{tag}:tip")
        return made

    def _choice(self, words: str, tip: str, change: dict[str, Any], *, on: bool) -> QPushButton:
        tag = self._implant["label"]
        act = partial(self._body.change, tag, change)
        made = button(words, tip, act, checkable=True)
        made.setChecked(on)
        made.setEnabled(self._body.session.may_change)
        made.setObjectName(f"{self._body.name}:{tag}:{words}")
        return made

    def _seats(self) -> QLayout:
        made = [
            self._choice(
                seat,
                f"how it sits: {seat} (key {number}, for the implant marked last)",
                {"seat": seat},
                on=self._implant["seat"] == seat,
            )
            for number, seat in enumerate(self._body.asks.seats, 1)
        ]
        return row(*made, None)

    def _grades(self, scale: Scale) -> QLayout:
        grades = self._implant.get("grades", {})
        given = grades.get(scale.id, {})
        answers = [
            ({"value": each.code}, each.code, level_words(scale, each)) for each in scale.levels
        ] + [({"not_assessable": Reason.METAL.value}, "metal", "not assessable: metal")]
        made = [
            self._choice(words, tip, {"grades": {**grades, scale.id: value}}, on=given == value)
            for value, words, tip in answers
        ]
        return row(*made, None)

    def _migration(self) -> QLayout:
        moved = self._implant.get("migration", {})
        fields = {key: self._number(key, moved.get(key)) for key in ("mm", "residual_mm")}

        def keep() -> None:
            texts = {key: field.text().strip().replace(",", ".") for key, field in fields.items()}
            if all(texts.values()) and all(_is_length(text) for text in texts.values()):
                value = {key: float(text) for key, text in texts.items()}
                self._body.change(self._implant["label"], {"migration": value})

        for field in fields.values():
            field.editingFinished.connect(keep)
        unseen = {"not_assessable": Reason.METAL.value}
        words = "not assessable: metal"
        no = self._choice("metal", words, {"migration": unseen}, on=moved == unseen)
        return column(row(fields["mm"], fields["residual_mm"], no, None), *self._two_scans())

    def _two_scans(self) -> list[QPushButton]:
        """Return the button that asks for the move, where an earlier scan is shown."""
        session, tag = self._body.session, self._implant["label"]
        if not session.moves.is_possible:
            return []
        words = "Measure from the two scans"
        told = f"mark implant {tag} on the first scan after surgery, too; the move is proposed"
        made = button(words, told, partial(session.moves.mark, self._body.name, tag))
        made.setEnabled(session.may_change)
        made.setObjectName(f"{self._body.name}:{tag}:two scans")
        return [made]

    def _number(self, key: str, value: float | None) -> QLineEdit:
        field = QLineEdit("" if value is None else f"{value:g}")
        field.setMaximumWidth(100)
        words = {"mm": "mm", "residual_mm": "residual"}[key]
        field.setPlaceholderText(words)
        field.setToolTip(f"{MOVED[key]} (Enter keeps it)")
        field.setObjectName(f"{self._body.name}:{self._implant['label']}:{words}")
        return field


def _is_length(text: str) -> bool:
    try:
        return 0 <= float(text) < float("inf")
    except ValueError:
        return False


class ImplantList(Body):
    """Every implant seen."""

    def __init__(self, session: Session, question: Question) -> None:
        super().__init__(session, question)
        if not isinstance(question.asks, Implants):
            msg = f"{question.name} asks for no implants"
            raise TypeError(msg)
        self.asks = question.asks
        self.begin = button(
            "Mark an implant  D",
            tip(Act.DRAW, "click on the head of an implant, then on its tip, or Enter without"),
            self.draw,
            checkable=True,
        )
        self.none = button("None seen  0", "No implant is seen (0)", self._none, checkable=True)
        self.begin.setObjectName(f"{self.name}:draw")
        self.none.setObjectName(f"{self.name}:none")
        self._rows = column()
        self._shown: tuple[Any, bool] | None = None
        self.setLayout(column(row(self.begin, self.none, None), self._rows))

    @property
    def implants(self) -> list[dict[str, Any]]:
        """The implants so far."""
        return list(self.answer.get("implants", ()))

    def change(self, tag: str, change: Mapping[str, Any]) -> None:
        """Change something about one implant."""
        changed = [{**each, **change} if each["label"] == tag else each for each in self.implants]
        self.session.put({self.name: {"implants": changed}})

    def rename(self, tag: str, new: str) -> None:
        """Give an implant another number, unless another implant has it."""
        wanted = new.strip()
        if wanted in {"", tag}:
            return
        if wanted in {each["label"] for each in self.implants}:
            self.session.say(f"There is an implant {wanted} already.")
            self._shown = None
            self.refresh()
        else:
            self.change(tag, {"label": wanted})

    def _none(self) -> None:
        if not self.implants:
            is_said = "implants" in self.answer
            self.session.put({self.name: None if is_said else {"implants": []}})

    def draw(self) -> bool:
        """Take the tool that marks one more."""
        self.session.hand.start(self.name)
        return True

    @property
    def is_partial(self) -> bool:
        """Whether an implant is not graded yet."""
        wanted = {scale.id for scale in self.asks.scales}
        return any(
            wanted - each.get("grades", {}).keys()
            or (self.asks.migration and "migration" not in each)
            for each in self.implants
        )

    def pick(self, digit: str) -> bool:
        """Take 0 for "none seen", another key for the seat of the implant marked last."""
        if digit == "0":
            self._none()
            return True
        self.session.hand.end_optional()
        place = int(digit) - 1
        if not self.implants or not 0 <= place < len(self.asks.seats):
            return False
        self.change(self.implants[-1]["label"], {"seat": self.asks.seats[place]})
        return True

    def refresh(self) -> None:
        """Show the implants."""
        tool = self.session.hand.tool
        in_hand = tool is not None and tool.question == self.name
        self.begin.setChecked(in_hand and tool is not None and not tool.part)
        self.begin.setEnabled(self.session.may_change)
        self.none.setChecked(self.answer.get("implants") == [])
        self.none.setEnabled(self.session.may_change and not self.implants)
        now = (self.implants, self.session.may_change)
        if now != self._shown:
            self._shown = now
            empty(self._rows)
            for each in self.implants:
                self._rows.addWidget(ImplantRow(self, each))

    def summary(self) -> str:
        """Return how many were seen."""
        count = len(self.implants)
        return (
            ("none seen", "1 implant")[count]
            if count < 2 and self.answer
            else (f"{count} implants" if count else "")
        )

    def images(self) -> tuple[str, ...]:
        """Return the images of all implants."""
        return tuple(image["uid"] for each in self.implants for image in each.get("images", ()))
