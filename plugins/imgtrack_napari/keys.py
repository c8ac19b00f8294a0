"""The keys of the reading window: one table behind shortcuts, tooltips and the help page.

The course window has a table of its own, made of the same `Key`.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum


class Group(StrEnum):
    """Headings of the help page."""

    FORM = "The form"
    DRAWING = "Measuring"
    PICTURE = "The images"
    CASE = "The case"


class Act(StrEnum):
    """What a key does."""

    STEP_1 = "step 1"
    STEP_2 = "step 2"
    STEP_3 = "step 3"
    STEP_4 = "step 4"
    NEXT_QUESTION = "next question"
    QUESTION_BEFORE = "question before"
    OPTION = "option"
    NOT_ASSESSABLE = "not assessable"
    CLEAR = "clear"
    DRAW = "draw"
    END = "end"
    DROP = "drop"
    GAP = "gap"
    FIND_GAP = "find gap"
    FIT_EDGES = "fit edges"
    ACCEPT = "accept"
    REJECT = "reject"
    SHOW = "show"
    Y_VIEW = "y view"
    UNDO = "undo"
    REDO = "redo"
    SLICE_UP = "slice up"
    SLICE_DOWN = "slice down"
    PANE_LEFT = "pane left"
    PANE_RIGHT = "pane right"
    NEXT_SERIES = "next series"
    SERIES_BEFORE = "series before"
    BRIGHTER = "brighter"
    DARKER = "darker"
    NARROWER = "narrower"
    WIDER = "wider"
    GREY_AGAIN = "grey again"
    LINK_ZOOM = "link zoom"
    FIT = "fit"
    ENLARGE = "enlarge"
    ZOOM_IN = "zoom in"
    ZOOM_OUT = "zoom out"
    HIDE = "hide"
    SIGN = "sign"
    NEXT_CASE = "next case"
    LIGHT = "light"
    HELP = "help"


@dataclass(frozen=True, slots=True)
class Key:
    """A key, or several that do the same.

    Attributes
    ----------
    act
        What it does.
    strokes
        As Qt writes them.
    words
        For tooltip and help.
    group
        Heading of the help page.
    """

    act: StrEnum
    strokes: tuple[str, ...]
    words: str
    group: StrEnum

    @property
    def shown(self) -> str:
        """The strokes as a person reads them; keys of one name, as the two Enter, once."""
        return " or ".join(dict.fromkeys(name_of(stroke) for stroke in self.strokes))

    def tip(self, words: str = "") -> str:
        """Return the tooltip of a control: what it does, or other words for that, and its key."""
        said = words or self.words
        return f"{said[:1].upper()}{said[1:]} ({self.shown})"


NAMES = {"PgUp": "Page up", "PgDown": "Page down", "Return": "Enter", "Del": "Delete"}


def name_of(stroke: str) -> str:
    """Return a stroke as a person reads it, part by part."""
    *held, last = stroke.split("+") if not stroke.endswith("+") else [stroke[:-1].rstrip("+"), "+"]
    return "+".join(part for part in (*held, NAMES.get(last, last)) if part)


KEYS = (
    Key(Act.STEP_1, ("Alt+1",), "go to step 1, Adequacy", Group.FORM),
    Key(Act.STEP_2, ("Alt+2",), "go to step 2, Tear", Group.FORM),
    Key(Act.STEP_3, ("Alt+3",), "go to step 3, Muscle", Group.FORM),
    Key(Act.STEP_4, ("Alt+4",), "go to step 4, Grade and sign", Group.FORM),
    Key(Act.NEXT_QUESTION, ("Tab",), "next question", Group.FORM),
    Key(Act.QUESTION_BEFORE, ("Shift+Tab",), "question before", Group.FORM),
    Key(
        Act.OPTION,
        tuple("0123456789"),
        "choose that option of the marked question and go on; 0 at gap slices: none in this pane",
        Group.FORM,
    ),
    Key(Act.NOT_ASSESSABLE, ("N",), "not assessable, with its reason", Group.FORM),
    Key(Act.CLEAR, ("Del", "Backspace"), "take the answer of the question away", Group.FORM),
    Key(Act.DRAW, ("D",), "draw the measurement of the marked question", Group.DRAWING),
    Key(
        Act.END,
        ("Return", "Enter"),
        "end an outline, open line or implant; else on to what is missing next",
        Group.DRAWING,
    ),
    Key(
        Act.DROP,
        ("Esc",),
        "put the tool away, or leave a field; what was there stays",
        Group.DRAWING,
    ),
    Key(Act.GAP, ("G",), "this slice shows the gap, or does not", Group.DRAWING),
    Key(Act.FIND_GAP, ("F",), "propose slices, width and retraction of the gap", Group.DRAWING),
    Key(Act.FIT_EDGES, ("E",), "propose the edges nearest to the drawn line", Group.DRAWING),
    Key(Act.ACCEPT, ("A",), "accept what is proposed", Group.DRAWING),
    Key(Act.REJECT, ("R",), "reject what is proposed", Group.DRAWING),
    Key(Act.SHOW, ("V",), "show the image the marked question was measured on", Group.DRAWING),
    Key(Act.Y_VIEW, ("Y",), "show the slice proposed as the Y view", Group.DRAWING),
    Key(Act.UNDO, ("Ctrl+Z",), "take the last point or change back", Group.DRAWING),
    Key(Act.REDO, ("Ctrl+Shift+Z", "Ctrl+Y"), "do it again", Group.DRAWING),
    Key(Act.SLICE_UP, ("Up", "PgUp"), "slice before", Group.PICTURE),
    Key(Act.SLICE_DOWN, ("Down", "PgDown"), "next slice", Group.PICTURE),
    Key(Act.PANE_LEFT, ("Left",), "pane to the left", Group.PICTURE),
    Key(Act.PANE_RIGHT, ("Right",), "pane to the right", Group.PICTURE),
    Key(Act.NEXT_SERIES, ("S",), "next series of the pane", Group.PICTURE),
    Key(Act.SERIES_BEFORE, ("Shift+S",), "series before", Group.PICTURE),
    Key(Act.BRIGHTER, ("+", "="), "brighter", Group.PICTURE),
    Key(Act.DARKER, ("-",), "darker", Group.PICTURE),
    Key(Act.NARROWER, ("]",), "more contrast", Group.PICTURE),
    Key(Act.WIDER, ("[",), "less contrast", Group.PICTURE),
    Key(Act.GREY_AGAIN, ("B",), "grey window as the data suggest", Group.PICTURE),
    Key(Act.LINK_ZOOM, ("L",), "zoom the panes together, or each alone", Group.PICTURE),
    Key(Act.ENLARGE, ("Space",), "make the marked pane the large one", Group.PICTURE),
    Key(Act.ZOOM_IN, ("Ctrl++", "Ctrl+="), "zoom in", Group.PICTURE),
    Key(Act.ZOOM_OUT, ("Ctrl+-",), "zoom out", Group.PICTURE),
    Key(Act.FIT, ("Z",), "fit the images into their panes", Group.PICTURE),
    Key(Act.HIDE, ("X",), "hide or show what is drawn", Group.PICTURE),
    Key(
        Act.SIGN,
        ("Ctrl+Return", "Ctrl+Enter"),
        "go to the pass phrase; Enter there signs",
        Group.CASE,
    ),
    Key(Act.NEXT_CASE, ("F4",), "next case, once this one is signed", Group.CASE),
    Key(Act.LIGHT, ("F8",), "light or dark window", Group.CASE),
    Key(Act.HELP, ("F1", "H"), "this page", Group.CASE),
)

BY_ACT = {key.act: key for key in KEYS}
BY_STROKE = {stroke: key.act for key in KEYS for stroke in key.strokes}


def tip(act: Act, words: str = "") -> str:
    """Return the tooltip of a control: what it does and its key."""
    return BY_ACT[act].tip(words)
