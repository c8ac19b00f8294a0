"""The help of a window: one page, beside the window and never in its way."""

from __future__ import annotations

from html import escape
from typing import TYPE_CHECKING

from qtpy.QtCore import Qt
from qtpy.QtGui import QKeySequence, QShortcut
from qtpy.QtWidgets import QLabel, QTextBrowser, QVBoxLayout, QWidget

from imgtrack.domain.cautions import CAUTION
from imgtrack_napari.keys import KEYS, Act, Group
from imgtrack_napari.look import Sign

if TYPE_CHECKING:
    from collections.abc import Sequence

    from imgtrack_napari.keys import Key

SIGNS = (
    (Sign.MISSING, "still needed before you can sign"),
    (Sign.OPTIONAL, "may be left out"),
    (Sign.WHOLE, "answered"),
    (Sign.NOT_ASSESSABLE, "not assessable"),
    (Sign.IMPLIED, "what your measurements imply, or what is suggested"),
    (Sign.DIFFERS, "your grade is not what they imply; yours stands, both are recorded"),
    (f"{Sign.DIFFERS} A  B", "first readings, shown to the adjudicator, where they differ"),
    (Sign.LOOK, "look at this again"),
)

MOUSE = (
    ("click", "look at that place in all panes; while drawing, set a point"),
    ("drag a point", "move it; its mm follow"),
    ("wheel", "slice by slice; with Ctrl, zoom"),
    ("drag with the right button", "brightness and contrast"),
    ("drag with the middle button", "move the image"),
    ("double click", "end an outline or open line"),
)

INTRO = (
    "Four steps from top to bottom. The framed question is the one that keys act on. Every change "
    "is saved at once: you may close the window at any time and go on later."
)


def page() -> str:
    """Return the help as HTML: every key of the table, the mouse, the signs, the cautions."""
    keys = {group: [key for key in KEYS if key.group is group] for group in Group}
    left = table("The form", [(_strokes(key), key.words) for key in keys[Group.FORM]])
    left += table("Measuring", [(_strokes(key), key.words) for key in keys[Group.DRAWING]])
    left += table("The case", [(_strokes(key), key.words) for key in keys[Group.CASE]])
    right = table("The images", [(_strokes(key), key.words) for key in keys[Group.PICTURE]])
    right += table("The mouse on the images", list(MOUSE))
    right += table("Signs", [(str(sign), words) for sign, words in SIGNS])
    return two_columns(INTRO, left, right)


def two_columns(intro: str, left: str, right: str) -> str:
    """Return a page of two columns, with words above them and the cautions below."""
    return (
        f"<p>{escape(intro)}</p><table width='100%'><tr><td width='50%'>{left}</td>"
        f"<td width='50%'>{right}</td></tr></table><p>{escape(CAUTION)}</p>"
    )


def _strokes(key: Key) -> str:
    if key.act is Act.OPTION:
        return "0 … 9"
    return key.shown


def table(title: str, lines: Sequence[tuple[str, str]]) -> str:
    """Return a heading, and beneath it lines of a key or sign and what it does, as HTML."""
    rows = "".join(
        f"<tr><td width='30%'><b>{escape(key)}</b></td><td>{escape(words)}</td></tr>"
        for key, words in lines
    )
    return f"<h4>{escape(title)}</h4><table width='100%' cellspacing='1'>{rows}</table>"


class HelpPage(QWidget):
    """A window of its own that holds a page; the window it helps with stays usable.

    Parameters
    ----------
    parent
        Beside whose window it stands.
    html
        What it says; the help of the reading window when it is not given.
    """

    def __init__(self, parent: QWidget, html: str = "") -> None:
        super().__init__(parent, Qt.WindowType.Tool)
        self.setObjectName("dock")
        self.setWindowTitle("imgtrack: help")
        self.setAttribute(Qt.WidgetAttribute.WA_StyledBackground)
        self.text = QTextBrowser()
        self.text.setHtml(html or page())
        layout = QVBoxLayout(self)
        layout.addWidget(self.text)
        layout.addWidget(QLabel("Esc, F1 or H closes this page."))
        self.resize(1080, 860)
        for stroke in ("Esc", "F1", "H"):
            QShortcut(QKeySequence(stroke), self).activated.connect(self.hide)

    def toggle(self) -> None:
        """Show the page, or hide it."""
        self.setVisible(not self.isVisible())
