"""Files beside the page, read back with other programs' readers."""

from __future__ import annotations

import hashlib

import numpy as np
import openpyxl
import pandas as pd
import pyarrow.parquet as pq
import pytest

from imgtrack.domain.cautions import CAUTION
from imgtrack.domain.errors import Unavailable
from imgtrack.report.checklists import FOR_AUTHORS, grras, strobe
from imgtrack.report.files import sums, write_data, write_for_text, write_workbook
from imgtrack.report.tables import (
    NO_BREAK,
    NOTHING,
    count,
    decimal,
    estimate_text,
    number,
    percent,
    shown,
    text_of,
    with_limits,
    words,
)

TABLE = pd.DataFrame(
    {
        "repair": ["S001-R", "=1+1", "S003-L"],
        "days": [91, 182, 365],
        "mm": [12.345678901234567, np.nan, 1 / 3],
        "answer": ["IV", 2.5, None],
    }
)


def test_numbers_come_back_in_full_from_csv_and_parquet(tmp_path):
    made = write_data({"retear": TABLE}, tmp_path / "data")
    assert sorted(path.name for path in made) == ["retear.csv", "retear.parquet"]
    csv = pd.read_csv(tmp_path / "data/retear.csv")
    parquet = pq.read_table(tmp_path / "data/retear.parquet").to_pandas()
    for back in (csv, parquet):
        np.testing.assert_array_equal(back["mm"], TABLE["mm"])
        assert list(back["days"]) == [91, 182, 365]
        assert list(back["repair"]) == list(TABLE["repair"])
    assert list(parquet["answer"][:2]) == ["IV", "2.5"]


def test_the_workbook_holds_a_sheet_per_table_and_no_formula(tmp_path):
    path = write_workbook({"retear": TABLE, "x" * 40: TABLE}, tmp_path / "tables.xlsx")
    book = openpyxl.load_workbook(path)
    assert book.sheetnames == ["retear", "x" * 31]
    sheet = book["retear"]
    assert sheet.freeze_panes == "A2"
    assert [cell.value for cell in sheet[1]] == list(TABLE.columns)
    assert (sheet["A3"].value, sheet["A3"].data_type) == ("=1+1", "s")
    assert sheet["C2"].value == pytest.approx(TABLE["mm"][0], rel=1e-14)  # 16 digits


def test_tables_for_a_text_are_plain_and_escaped(tmp_path):
    table = shown("t", "Rates <5 %", TABLE, (words("repair"), decimal("mm")))
    path = write_for_text([table], tmp_path / "tables.html", title="A & B", caution=CAUTION)
    (back,) = pd.read_html(path)
    assert back.iloc[0].tolist() == ["S001-R", "12.3"]
    assert "Rates &lt;5 %" in path.read_text("utf-8")
    assert "not a medical device" in path.read_text("utf-8")


def test_sums_are_those_of_sha256(tmp_path):
    (tmp_path / "data").mkdir()
    path = tmp_path / "data" / "a.csv"
    path.write_bytes(b"abc")
    # FIPS 180-4, example of "abc".
    abc = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
    assert sums([path], tmp_path) == f"{abc}  data/a.csv\n"
    assert hashlib.sha256(b"abc").hexdigest() == abc


def test_a_place_that_cannot_be_written_is_told(tmp_path):
    (tmp_path / "data").write_text("a file where the folder should be")
    with pytest.raises(Unavailable, match="the report cannot be written"):
        write_data({"retear": TABLE}, tmp_path / "data")


def test_cells_are_written_out_once():
    frame = pd.DataFrame(
        {"n": [3, 0], "rate": [0.125, np.nan], "low": [0.05, np.nan], "high": [0.3, np.nan]}
    )
    columns = (count("n"), with_limits("rate", "rate", as_percent=True))
    rows = shown("t", "", frame, columns).rows
    assert [[cell.replace(NO_BREAK, " ") for cell in row] for row in rows] == [
        ["3", "12.5 % (5.0 to 30.0)"],
        ["0", NOTHING],
    ]
    assert shown("t", "", frame, columns, most=1).total == 2
    assert number(-1.25, 1) == "\N{MINUS SIGN}1.2"
    assert number(np.inf) == "no limit"
    assert percent(0.1) == f"10.0{NO_BREAK}%"
    assert estimate_text(0.5, np.nan, np.nan) == "0.50"
    assert [text_of(value) for value in (None, True, 2.5, "a")] == [NOTHING, "yes", "2.5", "a"]


def test_checklists_have_the_items_of_their_papers():
    # GRRAS has 15 items (Kottner 2011), STROBE 22 with 12 in five parts (von Elm 2007).
    assert [item.number for item in grras({}).entries] == [str(n) for n in range(1, 16)]
    numbers = [item.number for item in strobe({}).entries]
    assert list(dict.fromkeys(each.rstrip("abcde") for each in numbers)) == [
        str(n) for n in range(1, 23)
    ]
    assert numbers[11:16] == ["12a", "12b", "12c", "12d", "12e"]


def test_an_item_the_study_does_not_know_is_left_to_the_authors():
    entries = {item.number: item for item in grras({"readers": "2 readers"}).entries}
    assert (entries["4"].answer, entries["4"].is_known) == ("2 readers", True)
    assert (entries["5"].answer, entries["5"].is_known) == (FOR_AUTHORS, False)
