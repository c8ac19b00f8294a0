"""How the windows look: colours, shapes and signs, one set for light and one for dark rooms.

No meaning is carried by colour alone: every state has its own sign, every kind of line its own
stroke. The colours differ in lightness as much as in hue, so that they stay apart for every kind
of colour vision. The set is our own.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum


class Sign(StrEnum):
    """Signs of states, beside their colours."""

    MISSING = "○"
    OPTIONAL = "◌"
    NOT_ASSESSABLE = "⊘"
    WHOLE = "✓"
    DIFFERS = "≠"
    IMPLIED = "→"
    LOOK = "!"


@dataclass(frozen=True, slots=True)
class Look:
    """Colours of a window, as ``#rrggbb``.

    Attributes
    ----------
    ground, panel, raised, edge
        From the back to the front.
    text, dim
        Words, and words that matter less.
    strong
        What is chosen or in hand; ``on_strong`` is text on it.
    missing, differs, whole, implied, unseen
        What is still asked, what disagrees, what is done, what measurements imply or the program
        suggests, and what is not assessable.
    """

    ground: str
    panel: str
    raised: str
    edge: str
    text: str
    dim: str
    strong: str
    on_strong: str
    missing: str
    differs: str
    whole: str
    implied: str
    unseen: str


DARK = Look(
    ground="#14171a",
    panel="#1c2126",
    raised="#2a3138",
    edge="#77838e",
    text="#eceff1",
    dim="#a9b4bd",
    strong="#f3c655",
    on_strong="#14171a",
    missing="#ffa06b",
    differs="#f0a3dc",
    whole="#7fd1c7",
    implied="#8cc4f5",
    unseen="#cdb8f2",
)
LIGHT = Look(
    ground="#e3e7ea",
    panel="#f4f6f7",
    raised="#ffffff",
    edge="#74808a",
    text="#15191c",
    dim="#4a555e",
    strong="#1f4e79",
    on_strong="#ffffff",
    missing="#9c3b00",
    differs="#85226d",
    whole="#0c5c55",
    implied="#1f4e79",
    unseen="#57349c",
)

DRAWN, PROPOSED, IN_HAND, CROSSING = "#f3c655", "#6fc9f2", "#ffffff", "#8fb7a8"
BESIDE = "#d9b8ff"
"""Colours of what is drawn on images: the reader's, the program's, the one in hand, where the other
planes cross, and what first readings drew. Lines have a dark seam, so that they show on bright
tissue too."""

SEAM = "#101214"


def contrast(one: str, other: str) -> float:
    """Return the contrast ratio of two colours, 1 to 21, by WCAG 2.2."""
    lighter, darker = sorted((_luminance(one), _luminance(other)), reverse=True)
    return (lighter + 0.05) / (darker + 0.05)


def _luminance(colour: str) -> float:
    shares = [int(colour[place : place + 2], 16) / 255 for place in (1, 3, 5)]
    red, green, blue = (
        share / 12.92 if share <= 0.04045 else ((share + 0.055) / 1.055) ** 2.4 for share in shares
    )
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


TONES = ("dim", "missing", "differs", "whole", "implied", "unseen")
"""Colours of a `Look` that labels may take, by the property ``tone``."""

TEXT_PX, SMALL_PX, TITLE_PX = 14, 12, 15
"""Heights of letters in device-independent pixels, which Qt scales with the screen."""


def style_sheet(look: Look) -> str:
    """Return the style sheet of a window and of everything in it."""
    tones = "".join(
        f'QLabel[tone="{tone}"] {{ color: {getattr(look, tone)}; }}\n' for tone in TONES
    )
    return _ground(look) + tones + _questions(look) + _buttons(look) + _fields(look)


def _ground(look: Look) -> str:
    return f"""
* {{ color: {look.text}; font-size: {TEXT_PX}px; }}
QWidget#dock, QWidget#pages, QWidget#window, QWidget#foot {{ background: {look.ground}; }}
QScrollArea {{ background: {look.ground}; border: 0; }}
QToolTip {{ background: {look.raised}; color: {look.text}; border: 1px solid {look.edge}; }}
QLabel {{ background: transparent; border: 0; }}
QLabel#code {{ font-size: {TITLE_PX + 2}px; font-weight: 600; }}
QLabel[weight="quiet"] {{ color: {look.dim}; font-size: {SMALL_PX}px; }}
QLabel[weight="strong"], QLabel[tone="differs"] {{ font-weight: 600; }}
QWidget#foot {{ border-top: 1px solid {look.edge}; }}
QLabel#caution {{ color: {look.dim}; font-size: {SMALL_PX}px; }}
QScrollBar:vertical {{ background: {look.ground}; width: 12px; margin: 0; }}
QScrollBar::handle:vertical {{ background: {look.edge}; min-height: 30px; border-radius: 5px;
  margin: 1px; }}
QScrollBar::add-line, QScrollBar::sub-line {{ height: 0; }}
"""


def _questions(look: Look) -> str:
    return f"""
QFrame#question {{ border: 1px solid {look.panel}; border-left: 4px solid {look.panel};
  border-radius: 4px; background: {look.panel}; }}
QFrame#question[current="true"] {{
  border: 1px solid {look.strong}; border-left: 4px solid {look.strong}; }}
"""


def _buttons(look: Look) -> str:
    return f"""
QPushButton, QToolButton {{ background: {look.raised}; border: 1px solid {look.edge};
  border-radius: 4px; padding: 4px 8px; min-height: 17px; }}
QPushButton[shape="row"] {{ text-align: left; padding: 3px 8px; }}
QPushButton[shape="link"] {{ background: transparent; border: 1px solid transparent;
  color: {look.dim}; font-size: {SMALL_PX}px; padding: 2px 4px; text-align: left; }}
QPushButton[shape="row"][weight="quiet"] {{ font-size: {SMALL_PX}px; border-color: {look.panel};
  background: {look.panel}; }}
QPushButton:hover, QToolButton:hover {{ border-color: {look.strong}; }}
QPushButton:checked, QToolButton:checked {{ background: {look.strong};
  color: {look.on_strong}; border-color: {look.strong}; }}
QPushButton:focus, QToolButton:focus {{ border: 2px solid {look.strong}; padding: 3px 7px; }}
QPushButton:checked:focus {{ border: 2px solid {look.text}; }}
QPushButton:disabled, QToolButton:disabled {{ color: {look.dim}; background: transparent;
  border: 1px dashed {look.edge}; }}
QPushButton:checked:disabled {{ background: {look.strong}; color: {look.on_strong}; }}
QPushButton#step {{ text-align: left; font-size: {TITLE_PX}px; font-weight: 600;
  padding: 7px 8px; background: {look.raised}; border: 1px solid {look.raised}; }}
QPushButton#step:checked {{ background: {look.raised}; color: {look.strong};
  border-bottom: 2px solid {look.strong}; }}
QPushButton#step:hover, QPushButton#step:focus {{ border: 1px solid {look.strong};
  padding: 7px 8px; }}
"""


def _fields(look: Look) -> str:
    return f"""
QLineEdit, QPlainTextEdit {{ background: {look.raised}; border: 1px solid {look.edge};
  border-radius: 4px; padding: 3px 5px; selection-background-color: {look.strong};
  selection-color: {look.on_strong}; placeholder-text-color: {look.dim}; }}
QLineEdit:focus, QPlainTextEdit:focus {{ border: 2px solid {look.strong}; padding: 2px 4px; }}
QMenu {{ background: {look.raised}; border: 1px solid {look.edge}; }}
QMenu::item {{ padding: 4px 16px; }}
QMenu::item:selected {{ background: {look.strong}; color: {look.on_strong}; }}
QTextBrowser {{ background: {look.panel}; border: 0; }}
"""
