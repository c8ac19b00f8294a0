"""The page: what stands in it, and how it behaves in a browser."""

from __future__ import annotations

import re
from html.parser import HTMLParser

import browser
import page_samples
import pytest

from imgtrack.domain.cautions import CAUTION
from imgtrack.report.render import render

needs_browser = pytest.mark.skipif(browser.PROGRAM is None, reason="Chromium is not installed")
needs_axe = pytest.mark.skipif(
    browser.PROGRAM is None or not browser.AXE, reason="no Chromium, or AXE_CORE names no file"
)
LIGHT, DARK = "--blink-settings=preferredColorScheme=1", "--blink-settings=preferredColorScheme=0"


@pytest.fixture(scope="module")
def html():
    return render(page_samples.page())


class Outline(HTMLParser):
    def __init__(self):
        super().__init__()
        self.ids, self.anchors, self.outside, self.headings = [], [], [], []

    def handle_starttag(self, tag, attrs):
        given = dict(attrs)
        if "id" in given:
            self.ids.append(given["id"])
        if tag in {"h1", "h2", "h3"}:
            self.headings.append(tag)
        for name in ("href", "src", "xlink:href"):
            link = given.get(name) or ""
            if link.startswith("#"):
                self.anchors.append(link[1:])
            elif re.match(r"(https?:)?//", link):
                self.outside.append(link)


def outline(html: str) -> Outline:
    found = Outline()
    found.feed(html)
    return found


def test_the_page_needs_nothing_outside_itself(html):
    found = outline(html)
    assert found.outside == []
    assert "<script" not in html
    assert "@import" not in html
    assert set(found.anchors) <= set(found.ids)
    assert len(found.ids) == len(set(found.ids))


def test_headings_form_an_outline_and_cautions_stand_first_and_last(html):
    found = outline(html)
    assert found.headings[0] == "h1"
    assert found.headings.count("h1") == 1
    words = html.replace("&#39;", "'")
    assert words.count(CAUTION) == 2
    assert words.index(CAUTION) < words.index("In short")


def test_words_of_a_study_cannot_become_markup(html):
    assert "Invented &lt;study&gt; &amp; more" in html
    assert "<study>" not in html


def test_a_figure_that_is_not_defined_is_a_dash_and_never_nan(html):
    cells = re.findall(r"<td[^>]*>([^<]*)</td>", html)
    assert "-" in cells
    assert not any("nan" in cell.lower().split() for cell in cells)


@needs_browser
def test_a_browser_opens_it_without_a_word(html, tmp_path):
    page = tmp_path / "index.html"
    page.write_text(html, "utf-8")
    document, said = browser.dump(page, tmp_path / "profile")
    assert said == []
    assert document.count("<figure") == len(list(page_samples.page().drawings()))
    printed = tmp_path / "report.pdf"
    browser.run(page, tmp_path / "profile", f"--print-to-pdf={printed}")
    assert printed.read_bytes().startswith(b"%PDF-")


@needs_axe
@pytest.mark.parametrize("scheme", [LIGHT, DARK], ids=["light", "dark"])
def test_the_accessibility_check_finds_nothing(html, tmp_path, scheme):
    assert browser.axe_findings(html, tmp_path, scheme) == []
