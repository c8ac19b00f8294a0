"""The keys of the course window; where the reading window does the same, it has the same key."""

from __future__ import annotations

from enum import StrEnum

from imgtrack_napari.help import table, two_columns
from imgtrack_napari.keys import Key


class Part(StrEnum):
    """Headings of the help page."""

    SCANS = "The scans"
    GREY = "Grey window and zoom"
    WINDOW = "The window"


class Act(StrEnum):
    """What a key does."""

    PLANE_1 = "first plane"
    PLANE_2 = "second plane"
    PLANE_3 = "third plane"
    TWO_PLANES = "two planes"
    WEIGHTING = "weighting"
    NEXT_SERIES = "next series"
    SERIES_BEFORE = "series before"
    SLICE_UP = "slice up"
    SLICE_DOWN = "slice down"
    LEFT = "left"
    RIGHT = "right"
    OTHER_ROW = "other row"
    ALONE = "alone"
    BLINK = "blink"
    TURN = "turn"
    HIDE = "hide"
    MEASURED = "measured"
    BRIGHTER = "brighter"
    DARKER = "darker"
    NARROWER = "narrower"
    WIDER = "wider"
    GREY_AGAIN = "grey again"
    GREY_ALIKE = "grey alike"
    ZOOM_IN = "zoom in"
    ZOOM_OUT = "zoom out"
    LINK_ZOOM = "link zoom"
    FIT = "fit"
    PLOTS = "plots"
    LIGHT = "light"
    HELP = "help"


KEYS = (
    Key(Act.PLANE_1, ("1",), "show the first plane alone", Part.SCANS),
    Key(Act.PLANE_2, ("2",), "show the second plane alone", Part.SCANS),
    Key(Act.PLANE_3, ("3",), "show the third plane alone", Part.SCANS),
    Key(Act.TWO_PLANES, ("4",), "show the first two planes, one above the other", Part.SCANS),
    Key(Act.WEIGHTING, ("W",), "next weighting, in all scans", Part.SCANS),
    Key(Act.NEXT_SERIES, ("S",), "next series, in the marked scan alone", Part.SCANS),
    Key(Act.SERIES_BEFORE, ("Shift+S",), "series before", Part.SCANS),
    Key(Act.SLICE_UP, ("Up", "PgUp"), "slice before; linked scans go along", Part.SCANS),
    Key(Act.SLICE_DOWN, ("Down", "PgDown"), "next slice; linked scans go along", Part.SCANS),
    Key(Act.LEFT, ("Left",), "mark the scan to the left", Part.SCANS),
    Key(Act.RIGHT, ("Right",), "mark the scan to the right", Part.SCANS),
    Key(Act.OTHER_ROW, ("Tab",), "mark the other plane of the scan", Part.SCANS),
    Key(
        Act.ALONE,
        ("Space",),
        "show the marked scan and the first after surgery alone, or all",
        Part.SCANS,
    ),
    Key(
        Act.BLINK,
        ("C",),
        "blink the marked scan with the first one, in the first one's place, or end it",
        Part.SCANS,
    ),
    Key(Act.TURN, ("T",), "turn between the blinking scans by hand", Part.SCANS),
    Key(Act.HIDE, ("X",), "hide or show the measurements", Part.SCANS),
    Key(Act.MEASURED, ("V",), "go to the slices that were measured on", Part.SCANS),
    Key(Act.BRIGHTER, ("+", "="), "brighter", Part.GREY),
    Key(Act.DARKER, ("-",), "darker", Part.GREY),
    Key(Act.NARROWER, ("]",), "more contrast", Part.GREY),
    Key(Act.WIDER, ("[",), "less contrast", Part.GREY),
    Key(Act.GREY_AGAIN, ("B",), "grey window as the data suggest", Part.GREY),
    Key(Act.GREY_ALIKE, ("G",), "grey window of all scans alike, or of each alone", Part.GREY),
    Key(Act.ZOOM_IN, ("Ctrl++", "Ctrl+="), "zoom in", Part.GREY),
    Key(Act.ZOOM_OUT, ("Ctrl+-",), "zoom out", Part.GREY),
    Key(Act.LINK_ZOOM, ("L",), "zoom and move all scans together, or each alone", Part.GREY),
    Key(Act.FIT, ("Z",), "fit the images into their places", Part.GREY),
    Key(Act.PLOTS, ("P",), "hide or show the plots", Part.WINDOW),
    Key(Act.LIGHT, ("F8",), "light or dark window", Part.WINDOW),
    Key(Act.HELP, ("F1", "H"), "this page", Part.WINDOW),
)

BY_ACT = {key.act: key for key in KEYS}

PLANE_ACTS = (Act.PLANE_1, Act.PLANE_2, Act.PLANE_3)

MOUSE = (
    ("click", "look at that place of the bone in all linked scans"),
    ("wheel", "slice by slice; with Ctrl, zoom"),
    ("drag with the right button", "brightness and contrast"),
    ("drag with the middle button", "move the image"),
)

INTRO = (
    "The scans of one repair from left to right. Each is laid on the humerus of the first scan "
    "after surgery: a place clicked in one is then shown in the others. The residual says how "
    "sure that is. A scan that could not be laid is shown as it is, and is not linked. The framed "
    "picture is the one that keys act on."
)

READING = (
    ("yellow line", "a length of the verdict, on the image it was drawn on"),
    ("cross", "the place looked at"),
    ("✓ healed, ≠ retear", "the verdict by the rule that stands above the scans"),
    ("cross in a plot", "a scan whose verdict is retear"),
    ("hatched days", "the first retear happened then"),
    ("implant", "moves of less than half the slice spacing are not detectable"),
)


def page() -> str:
    """Return the help as HTML: every key of the table, the mouse, what is shown, the cautions."""
    lines = {part: [(k.shown, k.words) for k in KEYS if k.group is part] for part in Part}
    left = table(Part.SCANS, lines[Part.SCANS]) + table(Part.WINDOW, lines[Part.WINDOW])
    right = table(Part.GREY, lines[Part.GREY])
    right += table("The mouse on the images", MOUSE) + table("What is shown", READING)
    return two_columns(INTRO, left, right)
