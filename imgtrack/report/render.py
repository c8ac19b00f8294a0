"""From the page as data to one HTML file that needs nothing else."""

from __future__ import annotations

from functools import cache
from typing import TYPE_CHECKING

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

from imgtrack.report.figures.drawing import DARK, Ink
from imgtrack.report.page import Checklist, LinkList, Picture, ShownTable, Text

if TYPE_CHECKING:
    from imgtrack.report.page import Page, Part

KINDS = {
    Text: "text",
    ShownTable: "table",
    Picture: "picture",
    Checklist: "checklist",
    LinkList: "links",
}


def render(page: Page) -> str:
    """Return a page as HTML with its style and pictures inside."""
    environment = _environment()
    css = environment.get_template("page.css.j2").render(
        light=_colours(dark=False), dark=_colours(dark=True)
    )
    html = environment.get_template("page.html.j2")
    return html.render(page=page, css=Markup(css))  # noqa: S704 - our own style sheet


@cache
def _environment() -> Environment:
    environment = Environment(
        loader=PackageLoader("imgtrack.report"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters["kind"] = _kind
    environment.filters["svg"] = _drawn
    return environment


def _kind(part: Part) -> str:
    return KINDS[type(part)]


def _drawn(picture: Picture) -> Markup:
    return Markup(picture.svg)  # noqa: S704 - drawn by us, its words escaped there


def _colours(*, dark: bool) -> str:
    found = DARK if dark else {ink: ink.value for ink in Ink}
    return " ".join(f"{ink.variable}: {colour};" for ink, colour in found.items())
