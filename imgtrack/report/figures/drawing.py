"""What a picture is: a figure with its words, and how it becomes a file or a part of the page.

Figures are drawn in the light colours of `Ink`. In the page every such colour is replaced by a
variable of the style sheet, so that one drawing serves light, dark and paper.
"""

from __future__ import annotations

import io
import re
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from enum import StrEnum
from html import escape
from typing import TYPE_CHECKING, Any, Literal

import matplotlib as mpl
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure

if TYPE_CHECKING:
    from pathlib import Path

    from matplotlib.axes import Axes

WIDTH = 7.0
"""Inches; the text of an A4 or letter page with margins of 15 mm."""
Format = Literal["svg", "pdf", "png"]
FORMATS: tuple[Format, ...] = ("svg", "pdf", "png")
DOTS_PER_INCH = 200
USED_ID = r'href="#([^"]+)"|url\(#([^)]+)\)'
ENLARGED = 1.2
"""How much larger than in print a picture may be on a screen."""


class Ink(StrEnum):
    """The colours of the pictures; told apart with any colour vision, and by shape besides."""

    TEXT = "#1c2a31"
    QUIET = "#566670"
    LINE = "#cfd8dc"
    PAPER = "#fefefd"
    HEALED = "#1a6e8a"
    RETEAR = "#c14f16"
    UNKNOWN = "#8b939b"
    THIRD = "#6b4d96"
    PALE = "#dbe9ee"
    WARM = "#f4d9c8"

    @property
    def variable(self) -> str:
        """Its name in the style sheet."""
        return f"--{self.name.lower()}"


DARK: dict[Ink, str] = {
    Ink.TEXT: "#e6edf0",
    Ink.QUIET: "#a3b3bb",
    Ink.LINE: "#3a4a52",
    Ink.PAPER: "#11191d",
    Ink.HEALED: "#62b6d2",
    Ink.RETEAR: "#f2925a",
    Ink.UNKNOWN: "#929ba3",
    Ink.THIRD: "#b99ee3",
    Ink.PALE: "#1d3640",
    Ink.WARM: "#4a2c1a",
}

SERIES = (Ink.HEALED, Ink.RETEAR, Ink.THIRD, Ink.UNKNOWN)
MARKERS = ("o", "s", "^", "D")
STYLES = ("-", "--", "-.", ":")
"""Groups of one picture differ in colour, marker and line."""

RC: dict[Any, Any] = {
    "font.family": "DejaVu Sans",
    "font.size": 8.5,
    "axes.titlesize": 9,
    "axes.titleweight": "bold",
    "axes.titlelocation": "left",
    "axes.labelcolor": Ink.TEXT,
    "axes.edgecolor": Ink.QUIET,
    "axes.facecolor": "none",
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.linewidth": 0.8,
    "figure.facecolor": "none",
    "figure.dpi": 100,
    "text.color": Ink.TEXT,
    "xtick.color": Ink.QUIET,
    "ytick.color": Ink.QUIET,
    "xtick.labelcolor": Ink.TEXT,
    "ytick.labelcolor": Ink.TEXT,
    "grid.color": Ink.LINE,
    "grid.linewidth": 0.6,
    "legend.frameon": False,
    "lines.linewidth": 1.6,
    "hatch.linewidth": 0.7,
    "svg.fonttype": "path",
    "pdf.fonttype": 42,
}


@dataclass(frozen=True, slots=True, eq=False)
class Drawing:
    """One picture of the report.

    Attributes
    ----------
    name
        Of its files, without ending; unique in a report.
    title
        What it is, in a few words.
    words
        What it shows, for those who cannot see it and as its caption.
    tables
        Names of the tables its numbers come from.
    figure
        The figure.
    """

    name: str
    title: str
    words: str
    tables: tuple[str, ...]
    figure: Figure


@contextmanager
def style() -> Iterator[None]:
    """Draw in the look of the report, whatever the settings of the machine."""
    with mpl.rc_context():
        mpl.rcdefaults()
        mpl.rcParams.update(RC)
        yield


def canvas(height: float, width: float = WIDTH) -> Figure:
    """Return an empty figure of a size in inches; use inside :func:`style`."""
    figure = Figure(figsize=(width, height), layout="constrained")
    FigureCanvasAgg(figure)
    return figure


def quiet_grid(axes: Axes, which: Literal["x", "y", "both"]) -> None:
    """Lay a faint grid behind the data."""
    axes.grid(visible=True, axis=which)
    axes.set_axisbelow(True)


def percent_axis(axes: Axes, which: Literal["x", "y"], top: float) -> None:
    """Write an axis of shares in percent, from just below 0 to a little above ``top``."""
    upper = min(1.0, max(0.1, top * 1.08))
    axis = axes.xaxis if which == "x" else axes.yaxis
    (axes.set_xlim if which == "x" else axes.set_ylim)(-0.015 * upper, upper)
    axis.set_major_formatter(lambda share, _: f"{100 * share:.0f} %")


def as_bytes(drawing: Drawing, kind: Format) -> bytes:
    """Return a picture as a file of one format, the same bytes for the same picture."""
    buffer = io.BytesIO()
    metadata: dict[str, Any] = {"Title": drawing.title}
    if kind == "svg":
        metadata |= {"Date": None, "Creator": "imgtrack"}
    elif kind == "pdf":
        metadata |= {"CreationDate": None, "Creator": "imgtrack"}
    with style(), mpl.rc_context({"svg.hashsalt": drawing.name}):
        drawing.figure.savefig(
            buffer,
            format=kind,
            dpi=DOTS_PER_INCH,
            metadata=metadata,
            facecolor="none" if kind == "svg" else Ink.PAPER,
        )
    return buffer.getvalue()


def save(drawing: Drawing, folder: Path, kinds: Sequence[Format] = FORMATS) -> list[Path]:
    """Write a picture to a folder in several formats and return the files."""
    paths = [folder / f"{drawing.name}.{kind}" for kind in kinds]
    for path, kind in zip(paths, kinds, strict=True):
        path.write_bytes(as_bytes(drawing, kind))
    return paths


def inline_svg(drawing: Drawing) -> str:
    """Return a picture as a part of the page: named, with ids of its own and the page's colours."""
    text = as_bytes(drawing, "svg").decode("utf-8")
    text = text[text.index("<svg") :]
    text = re.sub(r"<metadata>.*?</metadata>", "", text, flags=re.DOTALL)
    text = _own_ids(text, drawing.name)
    for ink in Ink:
        text = text.replace(ink.value, f"var({ink.variable})")
    head, rest = text.split(">", 1)
    head = re.sub(r' (?:width|height)="[^"]*"', "", head)
    width = f"max-width: {ENLARGED * drawing.figure.get_figwidth():.2f}in"
    label = escape(f"{drawing.title}. {drawing.words}", quote=True)
    return f'{head} role="img" style="{width}" aria-label="{label}">{rest}'


def _own_ids(text: str, name: str) -> str:
    """Keep the ids that are used, the picture's name before each: no two pictures share one."""
    used = {first or second for first, second in re.findall(USED_ID, text)}

    def own(found: re.Match[str]) -> str:
        return f' id="{name}-{found[1]}"' if found[1] in used else ""

    text = re.sub(r'\sid="([^"]+)"', own, text)
    text = re.sub(r'href="#([^"]+)"', rf'href="#{name}-\1"', text)
    return re.sub(r"url\(#([^)]+)\)", rf"url(#{name}-\1)", text)
