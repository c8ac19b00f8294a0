"""A page with one part of every kind, made of the invented drawings."""

from __future__ import annotations

import figure_samples

from imgtrack.report.checklists import grras
from imgtrack.report.figures.drawing import inline_svg
from imgtrack.report.page import KeyFigure, Link, Page, Picture, Section, Text
from imgtrack.report.tables import count, shown, with_limits, words


def page() -> Page:
    drawings = figure_samples.every_drawing()
    pictures = tuple(
        Picture(each, inline_svg(each), (Link("PNG", f"figures/{each.name}.png"),))
        for each in drawings
    )
    table = shown(
        "retear",
        "Retear rate at each timepoint",
        figure_samples.rates(),
        (
            words("timepoint"),
            words("rule"),
            count("events", "retears"),
            count("assessed"),
            with_limits("rate (95 % limits)", as_percent=True),
        ),
        note="Retears among assessable scans; Wilson limits.",
        links=(Link("CSV", "data/retear.csv"),),
    )
    return Page(
        title="Invented <study> & more",
        subtitle="Did the repairs heal? Report of 1 March 2031",
        facts=(("Protocol", "abcdef0123456789" * 4), ("Software", "imgtrack 0.1.0")),
        warnings=("First readings are still open.",),
        key_figures=(
            KeyFigure("Retears by 12 months", "22.0 to 24.0 %", "Limits 12 to 35 %.", "retear"),
            KeyFigure("Readers agreed", "0.71", "Cohen's kappa.", "readers"),
        ),
        sections=(
            Section("flow", "Follow-up", (Text("Words."), pictures[0])),
            Section(
                "retear", "Retears", (table, *pictures[1:4], Text("Few events.", is_warning=True))
            ),
            Section("readers", "Readers", pictures[4:6]),
            Section("course", "Course", pictures[6:]),
            Section("checklists", "Checklists", (grras({"readers": "2 readers."}),)),
        ),
    )
