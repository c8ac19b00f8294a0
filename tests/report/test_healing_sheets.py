"""The healing sheet of a repair against what was signed at the desk."""

from __future__ import annotations

import re
from datetime import date

import pytest
from reading_desk import add_scans, healed, torn
from settling_desk import SHELF

from imgtrack.domain.errors import InvalidInput
from imgtrack.domain.imaging import Modality, Scan, Stage
from imgtrack.domain.reading import Reading
from imgtrack.domain.series import Series
from imgtrack.domain.subjects import Event, EventKind, Score
from imgtrack.report.answer_words import answer_words, findings
from imgtrack.report.healing_sheet import healing_sheet
from imgtrack.report.looking import Looked, drawn, slices_of
from imgtrack.report.render import render
from imgtrack.report.repair_course import course_of
from imgtrack.report.sheets import write_sheets

DAY = date(2031, 9, 1)


def sheet_of(desk, code="S001-R", shelf=SHELF):
    with desk.study.store.look() as look:
        course = course_of(look, desk.study.protocol, code, DAY)
    return course, healing_sheet(course, desk.study.protocol, shelf)


def cells(page, name):
    (table,) = [
        part for section in page.sections for part in section.parts
        if getattr(part, "name", "").startswith(name)
    ]  # fmt: skip
    return [dict(zip(table.headings, row, strict=True)) for row in table.rows]


def test_verdict_interval_and_measurements_are_those_signed(desk):
    course, page = sheet_of(desk)
    # Operated 10 January 2031, scanned 10 July: 181 days by the calendar.
    assert (course.interval.after, course.interval.by) == (0, 181)
    assert {key.question: key.value for key in page.key_figures} == {
        "Latest verdict": "retear (grade IV)",
        "First retear": "day 0 to 181",
    }
    rows = {row["finding"]: row for row in cells(page, "readings")}
    assert rows["Retraction, straight"]["R1"] == "13.0 mm"  # 5, 12, 13
    assert rows["Width of the tear, front to back"]["verdict"] == "15.0 mm"  # 9, 12, 15
    assert rows["Sugaya type"]["R2"] == "IV (minor discontinuity)"
    states = {row["timepoint"]: row["state"] for row in cells(page, "course")}
    assert states["6 months"] == "final"
    assert states["3 months"] == "missed"


def test_a_scan_the_readers_differ_on_has_no_verdict_and_enters_no_interval(desk):
    course, page = sheet_of(desk, "S004-R")
    assert course.interval.by is None
    assert course.interval.after == 0
    assert cells(page, "course")[2]["verdict"] == "no verdict yet"
    assert set(cells(page, "readings")[0]) == {"finding", "R1", "R2"}
    desk.settle(torn(), desk.scans[3])
    course, page = sheet_of(desk, "S004-R")
    assert course.interval.by == 181
    assert "A1 (settling)" in cells(page, "readings")[0]


def test_a_healed_repair_is_censored_at_its_last_scan(desk):
    course, page = sheet_of(desk, "S002-R")
    assert course.interval.words == "No retear up to day 181, the last assessable scan."
    assert "Retear pattern" not in {row["finding"] for row in cells(page, "readings")}


def test_what_is_overdue_is_told_first(desk):
    with desk.study.store.look() as look:
        late = course_of(look, desk.study.protocol, "S001-R", date(2032, 1, 20))
    page = healing_sheet(late, desk.study.protocol, SHELF)
    # Window of 12 months: days 316 to 428; operated 10 January 2031, so it closes 13 March 2032.
    assert page.warnings == (
        "The 12 months scan is overdue; its window closes on 13 March 2032, in 53 days.",
    )


def test_scores_and_events_stand_with_their_days(desk):
    with desk.study.store.change(who="C1", now=desk.clock) as change:
        change.add(
            [
                Score("S001-R", "constant", "m06", date(2031, 7, 11), 62.0, {}),
                Event("S001-R", EventKind.INFECTION, date(2031, 2, 9)),
            ]
        )
    _, page = sheet_of(desk)
    assert cells(page, "scores") == [
        {"score": "constant", "timepoint": "m06", "day": "182", "total": "62.0"}
    ]
    assert cells(page, "events") == [{"event": "infection", "day": "30"}]
    assert any("constant: 62.0 on day 182" in each.words for each in page.drawings())


def test_points_fall_on_the_pixels_their_geometry_gives(desk):
    scan = desk.scans[0]
    with desk.study.store.look() as look:
        series, readings = look.where(Series, scan=scan.uid), look.where(Reading, scan=scan.uid)
    looked = Looked(scan, series, readings)
    found = slices_of(looked, readings[0].answers, SHELF, title="t", caption="c", most=2)
    assert [each.lines[0].label for each in found] == [
        "straight retraction 13.0 mm", "tear width 15.0 mm",
    ]  # fmt: skip
    # By hand: coronal origin x -80, z 80 mm, 0.5 mm pixels; points x -30 and -18, z 40 and 45.
    assert found[0].lines[0].points.tolist() == [[80.0, 100.0], [70.0, 124.0]]
    # Sagittal origin y -80, z 80 mm; points y 0 and 9, z 40 and 52.
    assert found[1].lines[0].points.tolist() == [[80.0, 160.0], [56.0, 178.0]]


def test_images_that_cannot_be_read_are_told_and_stop_nothing(desk):
    from reading_desk import InventedShelf

    scan = desk.scans[0]
    for shelf in (InventedShelf(missing={scan.uid}),
                  InventedShelf(unreadable={f"{scan.uid}.1/1", f"{scan.uid}.2/1"})):  # fmt: skip
        _, page = sheet_of(desk, shelf=shelf)
        (part,) = next(each.parts for each in page.sections if each.id == "slices")
        assert "No slice can be shown" in part.words


def test_a_stage_that_is_not_final_hides_an_older_verdict(desk):
    """After an amendment the old verdict is the latest until the scan is settled again."""
    from dataclasses import replace

    with desk.study.store.change(who="C1", now=desk.clock) as change:
        scan = change.get(Scan, desk.scans[0].uid)
        change.amend(replace(scan, stage=Stage.READERS_DIFFER), reason="a reading was amended")
    course, _ = sheet_of(desk)
    assert course.visits[2].verdict is None
    assert course.interval.by is None


def test_answers_become_words():
    assert answer_words(torn()["gap slices"]) == "2 coronal oblique, 1 sagittal oblique"
    assert answer_words({"not_assessable": "metal"}) == "not assessable (metal)"
    assert answer_words({"degrees": 33.4}) == "33°"
    assert answer_words({"value": 0.625}) == "0.62"
    assert answer_words({"not_asked": "no full-thickness defect"}) == ""
    assert answer_words(None) == ""
    labels = [each.label for each in drawn(torn())]
    assert labels == ["straight retraction 13.0 mm", "tear width 15.0 mm"]
    assert next(each.label for each in drawn(healed())) == "tendon thickness 5.0 mm"


def test_findings_keep_the_order_of_the_form(desk):
    from imgtrack.domain.form import form_for

    form = form_for(desk.study.protocol, Modality.MR)
    titles = [title for title, _ in findings(form, torn())]
    assert titles == [q.title for q in form.questions if q.title in titles]
    assert not any(title.lower().startswith("adequa") for title in titles)


def test_sheets_are_written_for_all_or_some_and_name_no_other_repair(desk, tmp_path):
    told = []
    paths = write_sheets(
        desk.study, tmp_path / "sheets", day=DAY, shelf=SHELF,
        progress=lambda *how: told.append(how),
    )  # fmt: skip
    assert [path.name for path in paths] == [f"S00{n}-R.html" for n in (1, 2, 3, 4)]
    assert told[-1] == ("healing sheets", 4, 4)
    for path in paths:
        codes = set(re.findall(r"S\d{3}-R", path.read_text("utf-8")))
        assert codes == {path.stem}
    (one,) = write_sheets(desk.study, tmp_path / "one", day=DAY, shelf=SHELF, repairs=["S002-R"])
    assert one.name == "S002-R.html"
    with pytest.raises(InvalidInput, match="there is no such repair"):
        write_sheets(desk.study, tmp_path, day=DAY, shelf=SHELF, repairs=["S999-R"])


def test_a_study_with_more_than_one_visit_draws_a_trend(desk):
    add_scans(desk.study, [1], timepoint="m03")
    course, page = sheet_of(desk)
    assert [visit.day for visit in course.visits if visit.scan] == [90, 181]
    assert render(page).count("<figure") == 2
