"""A whole report of an invented study: its numbers by other libraries, its files, its doors."""

from __future__ import annotations

import re
import shutil
import subprocess
from dataclasses import replace
from datetime import UTC, date, datetime
from pathlib import Path

import browser
import invented_study
import pandas as pd
import pytest
from reading_desk import desk_of, healed, log_of
from sklearn.metrics import cohen_kappa_score
from statsmodels.stats.proportion import proportion_confint

from imgtrack.cli import main as cli
from imgtrack.desk import study as studies
from imgtrack.desk.results import gather
from imgtrack.domain.cautions import CAUTION
from imgtrack.domain.errors import InvalidInput
from imgtrack.domain.reading import Reading
from imgtrack.domain.records import Records
from imgtrack.domain.subjects import Repair
from imgtrack.outcomes.compute import compute
from imgtrack.report.checklists import FOR_AUTHORS
from imgtrack.report.places import SUMS, Places
from imgtrack.report.render import render
from imgtrack.report.sections.material import Material
from imgtrack.report.study_page import study_page
from imgtrack.report.tables import NO_BREAK

RESAMPLES = 20
DAY = datetime(2031, 4, 20, 12, tzinfo=UTC)
LABELS = {"3 months": "m03", "6 months": "m06", "12 months": "m12", "24 months": "m24"}
ORDER = ("Repair", "Event", "Score", "Scan", "Reading", "Verdict")


def typed(*words: object) -> int:
    """Run the command line and return its exit code."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("sys.argv", ["imgtrack", *map(str, words)])
        try:
            cli.main()
        except SystemExit as end:
            return int(end.code or 0)
    return 0


@pytest.fixture(scope="module")
def study(tmp_path_factory) -> Path:
    folder = tmp_path_factory.mktemp("whole") / "study"
    with studies.start(folder, name="Invented study", who="C1", now=lambda: DAY) as made:
        found = invented_study.records(made.protocol, 24)
        with made.store.change(who="C1", now=lambda: DAY) as change:
            change.add(sorted(found, key=lambda each: ORDER.index(type(each).__name__)))
    return folder


@pytest.fixture(scope="module")
def written(study) -> Path:
    out = study.parent / "report"
    assert (
        typed("report", study, "--out", out, "--date", "2031-04-20", "--resamples", RESAMPLES) == 0
    )
    return out


@pytest.fixture(scope="module")
def page(written) -> str:
    return (written / "index.html").read_text("utf-8").replace(NO_BREAK, " ")


def table(page: str, name: str) -> pd.DataFrame:
    """Read a table of the page as a browser would show it."""
    start = page.index(f'<table id="table-{name}">')
    rows = re.findall(r"<tr>(.*?)</tr>", page[start : page.index("</table>", start)], re.DOTALL)
    cells = [re.findall(r"<t[hd][^>]*>(.*?)</t[hd]>", row, re.DOTALL) for row in rows]
    return pd.DataFrame(cells[1:], columns=cells[0])


def rows(written: Path, name: str) -> pd.DataFrame:
    return pd.read_csv(written / f"data/{name}.csv", keep_default_na=False)


@pytest.mark.parametrize(
    ("rule", "column"), [("primary", "outcome"), ("sensitivity", "outcome_sensitivity")]
)
def test_printed_rates_are_those_statsmodels_gives_from_the_rows(written, page, rule, column):
    """Wilson limits: statsmodels.stats.proportion.proportion_confint, method="wilson"."""
    verdicts = rows(written, "verdicts")
    shown = table(page, "retear")
    mine = shown[shown["rule"] == rule].set_index("timepoint")
    assert list(mine.index) == list(LABELS)
    for label, timepoint in LABELS.items():
        known = verdicts[(verdicts["timepoint"] == timepoint) & (verdicts[column] != "")]
        assessed = known[known[column] != "not assessable"]
        events = int((assessed[column] == "retear").sum())
        low, high = proportion_confint(events, len(assessed), method="wilson")
        expected = f"{100 * events / len(assessed):.1f} % ({100 * low:.1f} to {100 * high:.1f})"
        row = mine.loc[label]
        assert (int(row["retears"]), int(row["assessable"])) == (events, len(assessed))
        assert row["rate (95 % limits)"] == expected


def test_the_printed_kappa_is_that_of_scikit_learn_from_the_rows(written, page):
    """With two readers Conger's kappa is Cohen's: Conger AJ, Psychol Bull 1980;88:322-8."""
    readings = rows(written, "readings")
    first = readings[
        (readings["round"] == "first") & readings["outcome"].isin(["healed", "retear"])
    ]
    # Conger's margins use every scan a reader could assess, Cohen's the scans of both: they are
    # compared where both could assess all.
    shown = table(page, "agreement-timepoints").set_index("timepoint")
    compared = 0
    for label, timepoint in LABELS.items():
        here = first[first["timepoint"] == timepoint]
        both = here.set_index(["scan", "reader"])["outcome"].unstack().dropna()  # noqa: PD010
        if len(here) > 2 * len(both):
            continue
        kappa = cohen_kappa_score(both["R1"], both["R2"])
        same = (both["R1"] == both["R2"]).mean()
        cell = shown.loc[label]
        assert cell["Conger&#39;s kappa"].split(" ")[0] == f"{kappa:.2f}"
        assert cell["same answer"].startswith(f"{100 * same:.1f} %")
        compared += 1
    assert compared, "the seed gives no timepoint at which both could assess every scan"


def test_what_readers_did_with_proposals_is_told_from_the_rows(written, page):
    """R1 moved each width 1 mm out; R2's readings record nothing and are left out."""
    found = rows(written, "proposals")
    assert set(found["reader"]) == {"R1"}
    assert (found["signed"] - found["proposed"]).round(9).eq(1).all()
    shown = table(page, "proposal-use").iloc[0]
    assert shown["what"] == "Width of the tear, front to back"
    assert [int(shown[each]) for each in ("proposed", "accepted", "moved")] == [
        len(found),
        0,
        len(found),
    ]
    assert (shown["mean difference"], shown["unit"]) == ("1.0", "mm")


def test_every_link_leads_to_a_file_and_every_sum_holds(written, page):
    links = {link for link in re.findall(r'href="([^"#]+)"', page) if not link.startswith("data:")}
    assert len(links) > 60
    assert [link for link in links if not (written / link).is_file()] == []
    shutil.which("sha256sum") or pytest.skip("no sha256sum")
    done = subprocess.run(
        ["sha256sum", "-c", "--quiet", SUMS],
        cwd=written,
        capture_output=True,
        text=True,
        check=False,
    )
    assert (done.returncode, done.stdout) == (0, "")


def test_the_page_says_what_it_was_made_from(study, written, page):
    with studies.open_study(study, now=lambda: DAY) as desk:
        assert desk.protocol.hash in page
        with desk.store.look() as look:
            assert look.head()[1] in page
    assert CAUTION in page.replace("&#39;", "'")
    assert "seed 20417" in page
    assert "retear = Sugaya IV-V, healed = I-III" in page
    for words in ("nan", "None", "inf"):
        assert not re.search(rf">\s*{words}\b", page), words
    assert table(page, "flow")["operated"].unique().tolist() == ["24"]


def test_checklists_are_filled_by_the_records(page):
    start = page.index("GRRAS, 15 items")
    answers = page[start : page.index("</table>", start)]
    assert "24 repairs of 22 patients." in answers
    assert "readings were taken from spreadsheets" in answers  # the invented ones name a source
    assert FOR_AUTHORS.replace("'", "&#39;") in answers


def test_the_dictionary_explains_every_column(written):
    told = rows(written, "dictionary")
    known = set(zip(told["table"], told["column"], strict=True))
    for path in (written / "data").glob("*.csv"):
        if path.stem != "dictionary":
            columns = pd.read_csv(path, nrows=0).columns
            assert {(path.stem, column) for column in columns} <= known, path.name
    assert (told["meaning"] != "").all()


def test_the_same_records_give_the_same_page(study, written):
    with studies.open_study(study, now=lambda: DAY) as desk:
        again = compute(replace(gather(desk), today=DAY.date()), resamples=RESAMPLES)
        page = render(study_page(Material(again, Places(written))))
    assert page == (written / "index.html").read_text("utf-8")


@pytest.mark.skipif(browser.PROGRAM is None, reason="Chromium is not installed")
def test_a_browser_opens_the_report_without_a_word(written, tmp_path):
    document, said = browser.dump(written / "index.html", tmp_path / "profile")
    assert said == []
    assert document.count("<figure") == len(list((written / "figures").glob("*.svg")))


@pytest.mark.skipif(
    browser.PROGRAM is None or not browser.AXE, reason="no Chromium, or AXE_CORE names no file"
)
def test_the_accessibility_check_finds_nothing_in_the_report(written, tmp_path):
    html = (written / "index.html").read_text("utf-8")
    assert browser.axe_findings(html, tmp_path) == []


def test_a_report_replaces_an_earlier_one_and_nothing_else(tmp_path):
    places = Places(tmp_path / "report")
    with places.writing():
        (places.folder / "index.html").write_text("old")
        places.data.mkdir()
        (places.data / "old.csv").write_text("old")
    with places.writing():
        assert not (places.data / "old.csv").exists()
        (places.folder / "index.html").write_text("new")
    (places.folder / "letter.txt").write_text("not ours")
    with pytest.raises(InvalidInput, match="the folder holds other files"), places.writing():
        pass
    assert (places.folder / "letter.txt").read_text() == "not ours"
    assert (places.folder / "index.html").exists() is False


def test_a_list_that_names_files_elsewhere_touches_none_of_them(tmp_path):
    mine = tmp_path / "mine.txt"
    mine.write_text("kept")
    folder = tmp_path / "report"
    folder.mkdir()
    (folder / SUMS).write_text(f"{'0' * 64}  ../mine.txt\n{'0' * 64}  {mine}\n")
    with Places(folder).writing():
        pass
    assert mine.read_text() == "kept"


def test_a_reader_gets_no_report(desk, tmp_path):
    desk.study.close()
    folder = desk.study.folder
    made = studies.open_study(folder, who="C1", now=desk.clock)
    with made, made.store.look() as look:
        assert len(look.all(Reading)) == 8
    assert typed("report", folder, "--as", "R1", "--out", tmp_path / "a") == 2
    assert not (tmp_path / "a").exists()


def test_an_interim_look_is_refused_or_logged_and_told(reading_study, clock, tmp_path):
    from settling_desk import Desk

    desk = Desk(reading_study, clock, scans=2)
    desk.read("R1", healed())
    out = tmp_path / "early"
    assert typed("report", desk.study.folder, "--as", "C1", "--out", out) == 2
    assert not out.exists()
    refused = ("C1", "refused", "person:C1")
    assert refused in log_of(desk.study)
    path = desk.study.folder / studies.PROTOCOL_FILE
    text = path.read_text("utf-8").replace("interim_look = false", "interim_look = true")
    path.write_text(text, "utf-8")
    assert typed("protocol", "--study", desk.study.folder, "--amend", "the board asked") == 0
    assert typed("report", desk.study.folder, "--as", "C1", "--out", out, "--resamples", 20) == 0
    assert ("C1", "interim look", "study") in log_of(desk.study)
    assert "3 first readings are not signed yet" in (out / "index.html").read_text("utf-8")


def test_a_study_without_a_single_reading_has_a_report(reading_study, clock, tmp_path):
    study = reading_study()
    nothing = compute(gather(study), resamples=10)
    bare = render(study_page(Material(nothing, Places(tmp_path))))
    assert "Two readers have not yet read enough scans in common." in bare
    with study.store.change(who="C1", now=clock) as change:
        from imgtrack.domain.subjects import Side

        change.add([Repair("S001-R", "S001", Side.RIGHT, date(2031, 1, 10))])
    enrolled = compute(gather(study), resamples=10)
    assert isinstance(enrolled.data.records, Records)
    assert "<figure" in render(study_page(Material(enrolled, Places(tmp_path))))


def test_example_slices_and_sheets_come_from_signed_readings(desk, tmp_path):
    from settling_desk import SHELF

    from imgtrack.report.writing import write_report

    analyst = desk_of(desk.study, "L1")
    results = compute(gather(analyst), resamples=10)
    with Places(tmp_path / "report").writing() as places:
        made = write_report(
            analyst, results, places.folder, shelf=SHELF, with_sheets=True, warnings=("Early.",)
        )
    page = made.page.read_text("utf-8")
    assert "Example slices with what was measured on them" in page
    assert "S001-R, day 181: grade IV: retear, straight retraction 13.0 mm" in page
    assert 'href="sheets/S004-R.html"' in page
    assert made.pictures == len(list(places.figures.glob("*.png")))


def test_tables_and_sheets_are_written_alone(study, tmp_path):
    out = tmp_path / "tables"
    assert typed("export", "--study", study, "--out", out) == 0
    assert (out / "tables.xlsx").is_file()
    assert (out / "data/dictionary.parquet").is_file()
    assert not (out / "index.html").exists()
    sheet = tmp_path / "sheets"
    assert typed("report", study, "--repair", "S0003-R", "--out", sheet) == 0
    assert [path.name for path in sheet.iterdir()] == ["S0003-R.html"]


def test_every_repair_has_a_sheet_beside_the_report(study, tmp_path):
    out = tmp_path / "report"
    assert typed("report", study, "--sheets", "--out", out, "--resamples", RESAMPLES) == 0
    page = (out / "index.html").read_text("utf-8")
    sheets = sorted(path.name for path in (out / "sheets").iterdir())
    assert len(sheets) == 24
    assert all(f'href="sheets/{name}"' in page for name in sheets)


def test_dicom_of_readings_without_images_is_left_out_with_its_reason(study, tmp_path, capsys):
    assert typed("export", "--study", study, "--dicom", "--out", tmp_path / "dicom") == 0
    said = capsys.readouterr().out
    assert "0 reports and 0 segmentations" in said
    assert "its scan has no images here to refer to" in said


def test_a_reader_may_not_export(study, tmp_path):
    assert typed("export", "--study", study, "--as", "R1", "--out", tmp_path / "x") == 2
