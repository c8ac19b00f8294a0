"""Pictures: colours that can be told apart, files of every format, and what they draw."""

from __future__ import annotations

import io
import re
import xml.etree.ElementTree as ET
from collections import Counter
from itertools import combinations

import figure_samples
import numpy as np
import pytest
from PIL import Image

from imgtrack.domain.schedule import State
from imgtrack.report.figures.drawing import DARK, Ink, as_bytes, inline_svg, save
from imgtrack.report.figures.followup import MOST_TILES, TILES, follow_up
from imgtrack.report.figures.retear import cumulative, forest
from imgtrack.report.figures.slices import Line, Slice, slices

DRAWINGS = figure_samples.every_drawing()
NAMES = [each.name for each in DRAWINGS]


def luminance(colour: str) -> float:
    """Relative luminance, WCAG 2.2 (W3C Recommendation), definition "relative luminance"."""
    parts = [int(colour[place : place + 2], 16) / 255 for place in (1, 3, 5)]
    linear = [p / 12.92 if p <= 0.04045 else ((p + 0.055) / 1.055) ** 2.4 for p in parts]
    return float(np.dot(linear, (0.2126, 0.7152, 0.0722)))


def contrast(one: str, two: str) -> float:
    """Contrast ratio, WCAG 2.2, definition "contrast ratio"."""
    high, low = sorted((luminance(one), luminance(two)), reverse=True)
    return (high + 0.05) / (low + 0.05)


@pytest.mark.parametrize("colours", [{i: i.value for i in Ink}, DARK], ids=["light", "dark"])
def test_words_and_marks_stand_out_from_the_paper(colours):
    paper = colours[Ink.PAPER]
    # WCAG 2.2, 1.4.3: text at least 4.5 to 1; 1.4.11: parts of a graphic at least 3 to 1.
    for ink in (Ink.TEXT, Ink.QUIET, Ink.HEALED, Ink.RETEAR):
        assert contrast(colours[ink], paper) >= 4.5, ink
    for ink in (Ink.THIRD, Ink.UNKNOWN):
        assert contrast(colours[ink], paper) >= 3, ink
    assert contrast(colours[Ink.TEXT], colours[Ink.WARM]) >= 4.5


DICHROMATS = {
    # Machado GM, Oliveira MM, Fernandes LAF. IEEE Trans Vis Comput Graph 2009;15:1291-8,
    # severity 1.0, for linear RGB; from memory.
    "protan": [[0.152286, 1.052583, -0.204868], [0.114503, 0.786281, 0.099216],
               [-0.003882, -0.048116, 1.051998]],
    "deutan": [[0.367322, 0.860646, -0.227968], [0.280085, 0.672501, 0.047413],
               [-0.011820, 0.042940, 0.968881]],
    "tritan": [[1.255528, -0.076749, -0.178779], [-0.078411, 0.930809, 0.147602],
               [0.004733, 0.691367, 0.303900]],
}  # fmt: skip


def lab(colour: str, vision: str) -> np.ndarray:
    """CIE L*a*b* (D65) of a colour as a kind of vision sees it."""
    srgb = np.array([int(colour[place : place + 2], 16) / 255 for place in (1, 3, 5)])
    linear = np.where(srgb <= 0.04045, srgb / 12.92, ((srgb + 0.055) / 1.055) ** 2.4)
    if vision != "usual":
        linear = np.clip(np.array(DICHROMATS[vision]) @ linear, 0, 1)
    # IEC 61966-2-1: linear sRGB to XYZ.
    to_xyz = [[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]]
    t = np.array(to_xyz) @ linear / (0.9505, 1.0, 1.089)
    f = np.where(t > (6 / 29) ** 3, np.cbrt(t), t / (3 * (6 / 29) ** 2) + 4 / 29)
    return np.array([116 * f[1] - 16, 500 * (f[0] - f[1]), 200 * (f[1] - f[2])])


@pytest.mark.parametrize("vision", ["usual", *DICHROMATS])
@pytest.mark.parametrize("colours", [{i: i.value for i in Ink}, DARK], ids=["light", "dark"])
def test_healed_and_retear_differ_for_every_colour_vision(colours, vision):
    one, two = (lab(colours[ink], vision) for ink in (Ink.HEALED, Ink.RETEAR))
    assert np.linalg.norm(one - two) > 20  # a difference of 10 is seen at a glance; own margin


@pytest.mark.parametrize("drawing", DRAWINGS, ids=NAMES)
def test_each_picture_becomes_every_format(drawing, tmp_path):
    paths = save(drawing, tmp_path)
    assert [path.suffix for path in paths] == [".svg", ".pdf", ".png"]
    assert paths[1].read_bytes().startswith(b"%PDF-")
    pixels = np.asarray(Image.open(paths[2]).convert("L"))
    assert pixels.min() < 128 < pixels.max()
    assert pixels.shape[1] >= 2 * 200
    root = ET.fromstring(paths[0].read_text("utf-8"))
    assert root.tag.endswith("svg")


def test_the_same_picture_gives_the_same_bytes():
    one, two = figure_samples.every_drawing()[:2], figure_samples.every_drawing()[:2]
    for first, second in zip(one, two, strict=True):
        for kind in ("svg", "png", "pdf"):
            assert as_bytes(first, kind) == as_bytes(second, kind)


def test_pictures_of_a_page_share_no_id_and_take_its_colours():
    page = "".join(inline_svg(each) for each in DRAWINGS)
    ids = Counter(re.findall(r'\bid="([^"]+)"', page))
    assert [name for name, times in ids.items() if times > 1] == []
    used = set(re.findall(r'(?:href="#|url\(#)([^")]+)', page))
    assert used
    assert used <= ids.keys()
    assert not any(ink.value in page for ink in Ink)
    assert page.count('role="img"') == len(DRAWINGS)
    assert all(each.words and "nan" not in each.words for each in DRAWINGS)


def test_every_state_of_the_board_has_a_look_of_its_own():
    assert set(TILES) == set(State)
    looks = {state: (tile.face, tile.sign, tile.hatch) for state, tile in TILES.items()}
    for one, two in combinations(State, 2):
        assert looks[one] != looks[two]


def test_many_repairs_are_drawn_as_shares():
    few, many = (follow_up(figure_samples.states(n), figure_samples.POINTS) for n in (30, 300))
    assert "one column per repair" in few.words
    assert "share of repairs" in many.words
    assert len(as_bytes(many, "svg")) < len(as_bytes(few, "svg")) * 3
    assert MOST_TILES < 300


def test_words_beside_a_curve_give_its_end():
    drawing = next(each for each in DRAWINGS if each.name == "cumulative-retear")
    # By hand from the last row of the invented curve: 0.22, 0.24, 0.12, 0.35 on day 428.
    assert "by day 428 22.0 to 24.0 %, limits 12.0 to 35.0 %" in drawing.words


def test_a_curve_and_a_forest_without_a_single_retear_are_drawn():
    curve = figure_samples.curve().assign(at_least=0.0, at_most=0.0, low=0.0)
    flat = cumulative(curve, rule="IV-V", level=0.95, tables=())
    assert "0.0 to 0.0 %, limits 0.0 to 35.0 %" in flat.words
    rows = figure_samples.subgroups()
    none = rows.assign(estimate=np.nan, low=np.nan, high=np.nan)
    drawn = forest(none, title="None", overall=np.nan, level=0.95, tables=())
    for each in (flat, drawn):
        assert len(as_bytes(each, "png")) > 1000


def test_a_line_lies_on_its_pixels():
    """A bright row of pixels must be hidden by the line drawn along it."""
    pixels = np.zeros((200, 200))
    pixels[100, 80:121] = 1000.0
    line = Line("12 mm", np.array([[100.0, 80.0], [100.0, 120.0]]))
    shown = {}
    for name, lines in (("with", (line,)), ("without", ())):
        one = Slice("", "", pixels, (0.3, 0.3), lines)
        drawing = slices([one], name=name, title="", tables=())
        image = Image.open(io.BytesIO(as_bytes(drawing, "png"))).convert("RGB")
        shown[name] = np.asarray(image).astype(int)
    yellow = (shown["with"][..., 0] > 200) & (shown["with"][..., 2] < 150)
    rows = np.nonzero(yellow.sum(axis=1) > 60)[0]
    assert len(rows), "the line is not drawn"
    # White pixels of the image itself may be left at the ends only (markers are wider than it).
    white = (shown["with"].min(axis=2) > 230)[rows.min() : rows.max() + 1]
    assert white[:, white.shape[1] // 4 : -white.shape[1] // 4].mean() < 0.02
