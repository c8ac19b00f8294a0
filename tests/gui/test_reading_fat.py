"""The fat fraction with mouse and keys in a real window, on a phantom of known fat.

The phantom (synthetic_scans) shares no code with the tool. What is read is compared with the same
outline on the phantom's own pixels; tests/measure/test_fat.py compares that with the truth.
"""

from __future__ import annotations

import os
from dataclasses import dataclass, replace
from datetime import date
from functools import cache

import numpy as np
import pytest

pytest.importorskip("napari", reason="needs the reading extra")

from gui.window_desk import PHRASE, Plane, ReaderAtWork, planes_of
from qtpy.QtTest import QTest
from qtpy.QtWidgets import QApplication
from reading_desk import Clock, desk_of, opened, prepare, series_of, with_phrase

from imgtrack.desk.cases.allot import allot
from imgtrack.desk.cases.booth import open_booth
from imgtrack.desk.cases.images import Shelved, ShownPixels
from imgtrack.domain.imaging import Modality, Scan
from imgtrack.domain.protocol import Weighting
from imgtrack.domain.reading import Reading
from imgtrack.domain.subjects import Repair, Side
from imgtrack.measure.fat import fat_fraction
from imgtrack_napari.dixon import DRAWN_ON
from imgtrack_napari.session import Session
from synthetic_scans.phantom.shoulder import Phantom
from synthetic_scans.planes import frames
from synthetic_scans.scanner import Acquisition, acquire, acquire_dixon
from synthetic_scans.scanner import Weighting as Contrast
from synthetic_scans.spec import Condition, MuscleState, ShoulderSpec
from synthetic_scans.truth.shoulder import truth

pytestmark = [
    pytest.mark.gui,
    pytest.mark.filterwarnings("ignore::DeprecationWarning"),
    pytest.mark.skipif(not os.environ.get("DISPLAY"), reason="needs a display"),
]

NAME, SAG = "fat fraction", Plane.SAGITTAL_OBLIQUE
Y_VIEW = 2
"""The slice of the sagittal stacks that lies in the Y view, from 0."""
OPTIONAL = '["retraction along the head", "fat fraction"]'


SEEN = {
    "adequacy muscle": {"value": "adequate"},
    **{f"goutallier {each}": {"value": "2"} for each in ("supraspinatus", "infraspinatus")},
}


@cache
def scanned():
    """Scan a shoulder with a quarter of fat; five sagittal slices about the Y view."""
    muscle = MuscleState(fat_fraction=0.25)
    spec = ShoulderSpec(side="right", condition=Condition(supraspinatus=muscle))
    known = {each.name: each for each in truth(spec, []).measurements}
    outline = np.array(known["supraspinatus_area"].points)
    phantom, planes, rng = Phantom(spec), frames(spec), np.random.default_rng(5)
    sagittal = planes["sagittal_oblique"]
    away = sagittal.normal @ (outline.mean(axis=0) - sagittal.centre)
    sagittal = replace(sagittal, centre=sagittal.centre + away * sagittal.normal)
    how = {"n_slices": 5, "matrix": (192, 192), "snr": 20.0, "samples": 2}
    coronal = acquire(
        phantom, Acquisition("coronal_oblique", **how), planes["coronal_oblique"], rng
    )
    dixon = acquire_dixon(
        phantom, Acquisition("sagittal_oblique", Contrast.DIXON, **how), sagittal, rng
    )
    stacks = {"": coronal, "water": dixon.water, "fat": dixon.fat}
    stacks |= {"in phase": dixon.in_phase, "opposed phase": dixon.opposed_phase}
    return stacks, outline


@dataclass(frozen=True)
class Shelf:
    """The same phantom for every scan."""

    def series(self, _scan, records):
        return [
            Shelved(record, planes_of(stack), lambda stack=stack: ShownPixels(stack.pixels))
            for record in records
            for stack in [scanned()[0]["" if record.part == "magnitude" else record.part]]
        ]


def records_of(scan, *, dixon):
    """Return the records of a scan: one coronal series, and the parts of a Dixon where wanted."""
    coronal, sagittal = series_of(scan)
    for number, (part, stack) in enumerate(scanned()[0].items(), 1):
        count, rows, columns = stack.pixels.shape
        uid = f"{coronal.uid[:-1]}{number}"
        size = {
            "uid": uid,
            "rows": rows,
            "columns": columns,
            "slices": count,
            "row_spacing_mm": stack.pixel_spacing[0],
            "column_spacing_mm": stack.pixel_spacing[1],
            "images": tuple(f"{uid}.{place}" for place in range(1, count + 1)),
        }
        if not part:
            yield replace(coronal, **size)
        elif dixon:
            yield replace(sagittal, weighting=Weighting.DIXON, part=part, **size)


def study_with(folder, *, dixon):
    """Start a study of one scan, allotted to readers who can sign."""
    study = opened(prepare(folder), Clock(), optional=OPTIONAL)
    repair = Repair("S001-R", "S001", Side.RIGHT, date(2031, 1, 10), arm="DOUBLEROW")
    scan = Scan("2.25.11", "S001-R", "m06", date(2031, 7, 10), Modality.MR)
    with study.store.change(who="C1", now=study.now) as change:
        change.add([repair, scan, *records_of(scan, dixon=dixon)])
    allot(study)
    with_phrase(study, "R1")
    return study


@pytest.fixture
def reader_at(tmp_path):
    """Open the window at a case of which only the fat fraction is left to answer."""
    from imgtrack_napari.launch import opened_window

    studies = []

    def at(*, dixon):
        study = study_with(tmp_path / "desk", dixon=dixon)
        studies.append(study)
        window = opened_window(Session(open_booth(desk_of(study, "R1"), shelf=Shelf())))
        window.showNormal()
        window.resize(1900, 1100)
        window.activateWindow()
        assert QTest.qWaitForWindowActive(window, 5000)
        session = window.session
        session.put({"adequacy tendon": {"not_assessable": "motion"}, **SEEN})
        missing = {each.question for each in session.standing.missing}
        session.put({name: {"not_assessable": "motion"} for name in missing})
        window.dock.go_to(NAME)
        QApplication.processEvents()
        return ReaderAtWork(window), study

    yield at
    for study in studies:
        study.close()


def signed(reader, study):
    reader.key("Ctrl+Return")
    reader.type(PHRASE)
    reader.key("Return")
    assert reader.session.signed is not None, reader.session.standing.missing
    with study.store.look() as look:
        (reading,) = look.all(Reading)
    return reading.answers[NAME]


def measured_again(answer):
    """Measure the outline of an answer on the phantom's own pixels."""
    stacks, _ = scanned()
    return fat_fraction(
        answer["points"],
        planes_of(stacks["fat"])[Y_VIEW],
        fat=stacks["fat"].pixels[Y_VIEW],
        water=stacks["water"].pixels[Y_VIEW],
    )


def test_outlined_with_the_mouse_moved_and_signed(reader_at):
    reader, study = reader_at(dixon=True)
    window, session = reader.window, reader.session
    card = window.dock.cards[NAME]
    assert card.why.text() == ""
    reader.key("D")
    pane = session.viewing.panes[SAG]
    part = pane.series.part
    assert part in DRAWN_ON
    reader.slice(SAG, Y_VIEW)
    outline = scanned()[1][::15]
    told = []
    for point in outline:
        reader.click(SAG, point)
        told.append(card.value.text())
    assert told[:2] == ["…", "…"]  # two points hold nothing
    assert all(each.endswith(" %") for each in told[4:]), told  # then it follows each click
    reader.key("Return")
    drawn = session.value(NAME)
    assert drawn["percent"] == pytest.approx(measured_again(drawn).percent)
    assert card.value.text() == f"{drawn['percent']:.1f} %"
    assert card.body.results.isVisible()
    assert "No grade." in card.body.results.text()

    middle = np.mean(outline, axis=0)
    reader.drag(SAG, drawn["points"][0], (np.array(drawn["points"][0]) + middle) / 2)
    moved = session.value(NAME)
    assert moved["mm2"] < drawn["mm2"]
    assert moved["percent"] == pytest.approx(measured_again(moved).percent)
    reader.key("Ctrl+Z")
    assert session.value(NAME) == drawn

    reader.key("S")
    assert pane.series.part != part
    assert signed(reader, study)["percent"] == pytest.approx(drawn["percent"])


def test_one_key_where_the_scan_has_no_fat_and_water_images(reader_at):
    reader, study = reader_at(dixon=False)
    card = reader.window.dock.cards[NAME]
    assert card.why.isVisible()
    assert card.why.text() == "No fat and water images in this scan. N: not acquired"
    assert not card.body.begin.isVisible()
    assert not card.is_missing  # nobody is forced to say so
    reader.key("D")
    assert reader.session.hand.tool is None
    reader.key("N")
    assert reader.session.answers[NAME] == {"not_assessable": "not acquired"}
    assert not card.why.isVisible()
    reader.key("N")
    assert NAME not in reader.session.answers
    reader.key("N")
    assert signed(reader, study) == {"not_assessable": "not acquired"}
