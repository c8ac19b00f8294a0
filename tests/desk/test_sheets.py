"""Sheets as study teams have them: headings, dates, encodings, merged cells, identity."""

from __future__ import annotations

from datetime import date, datetime

import openpyxl
import pytest

from imgtrack.desk.registry.sheets import plain, read_sheet
from imgtrack.domain.errors import InvalidInput
from imgtrack.domain.protocol import SheetColumns

NAMING = SheetColumns()
REQUIRED = ("subject", "side")


def faults_of(path, naming=NAMING):
    with pytest.raises(InvalidInput) as caught:
        read_sheet(path, naming, REQUIRED)
    return [str(fault) for fault in caught.value.faults]


@pytest.mark.parametrize("delimiter", [",", ";", "\t"])
def test_rows_keep_the_number_a_spreadsheet_gives_them(sheet, delimiter):
    path = sheet(
        *(delimiter.join(c) for c in (("Subject", "Side"), ("S1", "left"), ("", ""), ("S2", "r")))
    )
    read = read_sheet(path, NAMING, REQUIRED)
    assert [(row.number, row.cells) for row in read.rows] == [
        (2, {"subject": "S1", "side": "left"}),
        (4, {"subject": "S2", "side": "r"}),
    ]


def test_headings_are_compared_without_case_spaces_and_hyphens():
    assert plain(" Operation-Date ") == plain("operation date") == "operation_date"


def test_a_mapped_heading_gets_our_name_and_a_namesake_does_not(sheet):
    path = sheet("Pat No,SUBJECT,Side", "S1,free text,left")
    read = read_sheet(path, SheetColumns(columns={"subject": "Pat No"}), REQUIRED)
    assert read.rows[0].cells == {"subject": "S1", "subject_unmapped": "free text", "side": "left"}


def workbook(path, rows, merge=""):
    book = openpyxl.Workbook()
    for row in rows:
        book.active.append(row)
    if merge:
        book.active.merge_cells(merge)
    book.save(path)
    book.close()
    return path


def test_a_workbook_gives_true_dates_in_iso_and_whole_numbers_whole(tmp_path):
    rows = [["subject", "side", "on", "at", "n", "x"]]
    rows.append([7.0, "left", date(2031, 3, 9), datetime(2031, 3, 9, 8, 30), 3.0, 2.5])
    read = read_sheet(workbook(tmp_path / "b.xlsx", rows), NAMING, REQUIRED)
    assert list(read.rows[0].cells.values()) == [
        "7",
        "left",
        "2031-03-09",
        "2031-03-09 08:30:00",
        "3",
        "2.5",
    ]


def test_merged_headings_are_named(tmp_path):
    rows = [["subject", "side", "operation"], ["S1", "left", "2031-01-01", "double row"]]
    rows[0].append(None)
    path = workbook(tmp_path / "b.xlsx", rows, merge="C1:D1")
    (fault,) = faults_of(path)
    assert "column 4: a column has values and no heading" in fault
    assert "unmerge" in fault


def test_an_unnamed_column_with_nothing_in_it_is_passed_over(sheet):
    assert read_sheet(sheet("subject,side,", "S1,l,"), NAMING, REQUIRED).columns == REQUIRED


@pytest.mark.parametrize("heading", ["MRN", "Date of Birth", "surname", "Phone"])
def test_identity_never_enters_the_study(sheet, heading):
    path = sheet(f"subject,side,{heading}", "S1,left,x")
    (fault,) = faults_of(path)
    assert "looks like identity" in fault
    assert "x" not in fault.split("found")[0].split()
    kept = SheetColumns(keep=(heading,))
    assert read_sheet(path, kept, REQUIRED).rows[0].cells[plain(heading)] == "x"


def test_all_faults_of_the_headings_come_together(sheet):
    faults = faults_of(sheet("subject,subject,phone", "S1,S2,1"))
    assert len(faults) == 3
    assert "there twice" in faults[0]
    assert "looks like identity" in faults[1]
    assert "'side' is missing" in faults[2]


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (b"", "the file is empty"),
        (b"subject,side\n", "headings and no rows"),
        (b"\n\n", "the file is empty"),
        ("subject,side\nJosé,left\n".encode("latin-1"), "not in the expected encoding"),
        (b'subject,side\n"S1,left\n', "not a readable CSV"),
        (b"subject,side\nS1,left,over\n", "more cells than there are headings"),
        (b"subject,side\nS1\x00,left\n", ""),
    ],
)
def test_unreadable_files_say_why(tmp_path, content, words):
    path = tmp_path / "s.csv"
    path.write_bytes(content)
    if not words:
        assert read_sheet(path, NAMING, REQUIRED).rows
        return
    (fault,) = faults_of(path)
    assert words in fault
    assert "s.csv" in fault


def test_a_byte_order_mark_is_no_part_of_the_heading(tmp_path):
    path = tmp_path / "s.csv"
    path.write_bytes(b"\xef\xbb\xbfsubject,side\nS1,left\n")
    assert read_sheet(path, NAMING, REQUIRED).columns == REQUIRED


@pytest.mark.parametrize("name", ["none.csv", "none.xlsx"])
def test_a_file_that_is_not_there(tmp_path, name):
    (fault,) = faults_of(tmp_path / name)
    assert "cannot be read" in fault


def test_a_workbook_that_is_none(tmp_path):
    path = tmp_path / "b.xlsx"
    path.write_bytes(b"not a workbook")
    (fault,) = faults_of(path)
    assert "not a readable Excel workbook" in fault


def test_reading_a_long_sheet_reports_how_far_it_is(sheet):
    seen = []
    path = sheet("subject,side", *(f"S{n},left" for n in range(2500)))
    read_sheet(path, NAMING, REQUIRED, lambda what, done, total: seen.append((what, done)))
    assert seen == [("reading rows", 1000), ("reading rows", 2000)]
