"""What the tables of a study say, against counts made by hand from the records."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta

import pytest
from invented_repairs import Invented, answers

from imgtrack.domain.imaging import Stage
from imgtrack.domain.protocol import Subgroup
from imgtrack.outcomes.compute import compute
from imgtrack.outcomes.course import reversals
from imgtrack.outcomes.dictionary import MEANINGS, TABLES, dictionary
from imgtrack.outcomes.flow import flow, outcome_cells, reasons
from imgtrack.outcomes.provenance import provenance
from imgtrack.outcomes.retear import corrected_rate, retear_rates
from imgtrack.outcomes.study_data import study_data
from imgtrack.outcomes.subgroups import subgroup_rates
from imgtrack.outcomes.timing import cumulative_retear, first_retears


def handmade(*courses, **changes):
    """Return records in which each repair has these grades at m03, m06 ...; '-' is no scan."""
    made = Invented(len(courses), miss=0, error=0, **changes)
    records = made.records(events=())
    scans, readings, verdicts = [], [], []
    order = {point.name: place for place, point in enumerate(made.points)}
    for number, repair in enumerate(made.repairs):
        for scan, verdict in zip(records.scans, records.verdicts, strict=True):
            if scan.repair != repair.code:
                continue
            grade = courses[number][order[scan.timepoint]]
            if grade == "-":
                continue
            given = answers(None if grade == "?" else grade, 0.0)
            point = made.points[order[scan.timepoint]]
            day = repair.operated_on + timedelta(days=point.target_day)
            scans.append(replace(scan, acquired_on=day))
            verdicts.append(replace(verdict, answers=given))
            readings += [replace(r, answers=given) for r in records.readings if r.scan == scan.uid]
    return replace(records, scans=tuple(scans), readings=tuple(readings), verdicts=tuple(verdicts))


COURSES = (
    ("I", "II", "I", "I"),
    ("I", "IV", "V", "V"),
    ("-", "I", "?", "IV"),
    ("V", "V", "-", "-"),
    ("I", "IV", "II", "I"),
    ("?", "-", "-", "-"),
)


@pytest.fixture(scope="module")
def known():
    return study_data(handmade(*COURSES))


def test_flow_counts_every_repair_once(known):
    table = flow(known).set_index("timepoint")
    assert list(table.loc["m03", ["operated", "due", "imaged", "missed"]]) == [6, 6, 5, 1]
    assert list(table.loc["m12", ["imaged", "assessable", "not_assessable"]]) == [4, 3, 1]
    for row in flow(known).to_dict("records"):
        assert row["due"] == row["imaged"] + row["missed"] + row["awaited"]
        assert row["operated"] == row["due"] + row["ended"] + row["not_yet_due"]


def test_first_retear_intervals(known):
    table = first_retears(known)
    mine = table[table["rule"] == "primary"].set_index("repair")
    found = list(zip(mine["intact_until"], mine["torn_by"], mine["state"], strict=True))
    forever = float("inf")
    assert found == [
        (730, forever, "no retear seen"),
        (91, 182, "retear seen"),
        (182, 730, "retear seen"),
        (0, 91, "retear seen"),
        (91, 182, "retear seen"),
        (0, forever, "no assessable scan"),
    ]
    assert mine["healed_again_on"].tolist() == ["", "", "", "", "365 730", ""]


def test_reversals_are_flagged(known):
    code = known.repairs["repair"][4]
    assert reversals(known).to_numpy().tolist() == [[code, "m06", "m12"], [code, "m06", "m24"]]


def test_cumulative_shares_by_hand(known):
    """Five repairs: one torn by day 91; two more by 182; the third's interval runs to 730."""
    table = cumulative_retear(known)
    mine = table[table["rule"] == "primary"].set_index("timepoint")
    assert mine["n"].unique().tolist() == [5]
    assert mine.loc["m03", "at_least"] == pytest.approx(1 / 5, abs=1e-6)
    assert mine.loc["m06", "at_least"] == pytest.approx(3 / 5, abs=1e-6)
    assert mine.loc["m24", "at_least"] == pytest.approx(4 / 5, abs=1e-6)
    assert mine.loc["m24", "at_most"] == pytest.approx(4 / 5, abs=1e-6)


def test_no_event_still_has_an_upper_limit():
    table = retear_rates(study_data(handmade(*[("I", "I", "I", "I")] * 12)))
    mine = table[(table["by"] == "verdict") & (table["rule"] == "primary")]
    assert (mine["estimate"] == 0).all()
    assert (mine["high"] > 0.2).all()  # Wilson 0 of 12: 0.2425 (Newcombe 1998, formula 3)


def test_a_scan_that_was_reopened_does_not_count(known):
    records = known.records
    reopened = replace(records.scans[0], stage=Stage.READERS_DIFFER)
    changed = study_data(replace(records, scans=(reopened, *records.scans[1:])))
    assert len(changed.verdicts) == len(known.verdicts) - 1


def test_only_the_last_verdict_of_a_scan_counts(known):
    records = known.records
    later = replace(records.verdicts[0], key="later", answers=answers("V", 0.0))
    changed = study_data(replace(records, verdicts=(*records.verdicts, later)))
    assert len(changed.verdicts) == len(known.verdicts)
    told = changed.verdicts.set_index("scan")["grade"]
    assert told[later.scan] == "V"


def test_scans_before_surgery_have_no_outcome(known):
    records = known.records
    before = records.repairs[0].operated_on - timedelta(days=10)
    scan = replace(records.scans[0], acquired_on=before, timepoint="preop")
    data = study_data(replace(records, scans=(scan, *records.scans[1:])))
    assert data.verdicts.set_index("scan").loc[scan.uid, "outcome"] == ""
    assert (data.readings.set_index("scan").loc[scan.uid, "outcome"] == "").all()


def test_why_there_is_no_outcome(known):
    table = reasons(known)
    motion = table[table["reason"] == "motion"]
    assert motion.set_index("timepoint")["repairs"].to_dict() == {"m03": 1, "m12": 1}


def test_what_is_not_yet_due_is_no_one_missing():
    records = handmade(*COURSES)
    early = replace(records, today=date(2030, 1, 2), scans=(), readings=(), verdicts=())
    cells = outcome_cells(study_data(early))
    assert not cells["is_due"].any()
    assert retear_rates(study_data(early))["missing"].sum() == 0


def test_subgroups_keep_every_repair_and_warn_of_few_events(data):
    table = subgroup_rates(data)
    rates = table[table["quantity"] == "rate"]
    for _, mine in rates.groupby(["timepoint", "subgroup"]):
        assert (
            mine["assessed"].sum()
            == flow(data).set_index("timepoint")["assessable"][mine["timepoint"].iloc[0]]
        )
    assert table["warning"].str.contains("too few").any()
    trends = table[table["quantity"] == "trend per group"]
    assert set(trends["subgroup"]) == {"tear size before surgery"}


def test_a_finding_before_surgery_can_split_the_repairs():
    made = Invented(12, miss=0, error=0)
    records = made.records(events=())
    first = {}
    for scan in records.scans:
        first.setdefault(scan.repair, scan)
    before = tuple(
        replace(
            scan,
            uid=f"{scan.uid}.9",
            timepoint="preop",
            acquired_on=next(r for r in records.repairs if r.code == scan.repair).operated_on
            - timedelta(days=14),
        )
        for scan in first.values()
    )
    verdicts = tuple(
        replace(
            records.verdicts[0],
            key=f"{scan.uid}/1",
            scan=scan.uid,
            answers=answers("I", 0.0, fatty=str(number % 2)),
        )
        for number, scan in enumerate(before)
    )
    protocol = records.protocol.model_copy(
        update={"subgroup": (Subgroup(name="fatty", column="goutallier supraspinatus"),)}
    )
    data = study_data(
        replace(
            records,
            protocol=protocol,
            scans=(*records.scans, *before),
            verdicts=(*records.verdicts, *verdicts),
        )
    )
    table = subgroup_rates(data)
    mine = table[(table["timepoint"] == "m12") & (table["quantity"] == "rate")]
    assert mine.set_index("group")["assessed"].to_dict() == {"0": 6, "1": 6}


def test_readers_without_error_need_no_correction(known):
    assert corrected_rate(known, replicates=50)["why_undefined"].iloc[0] != "nothing"
    perfect = study_data(Invented(80, error=0, seed=5).records())
    table = corrected_rate(perfect, replicates=50).set_index(["what", "reader"])
    true = (perfect.verdicts["outcome"] == "retear").mean()
    rate = table.loc[("true retear rate over all timepoints", "all"), "estimate"]
    assert rate == pytest.approx(true, abs=0.01)


def test_the_same_records_give_the_same_numbers():
    records = Invented(20).records()
    one, other = (compute(records, resamples=50) for _ in range(2))
    assert one.provenance == other.provenance
    for name, table in one.tables.items():
        assert table.equals(other.tables[name]), name


def test_any_change_of_the_rows_changes_the_hash(known):
    scores = known.records.scores
    changed = (replace(scores[0], total=scores[0].total + 1), *scores[1:])
    other = study_data(replace(known.records, scores=changed))
    assert provenance(other).data_hash != provenance(known).data_hash


def test_an_empty_study_gives_empty_tables():
    records = Invented(3).records(scans=(), readings=(), verdicts=(), scores=(), events=())
    results = compute(records, resamples=20)
    assert results.tables["flow"]["operated"].tolist() == [3] * 4
    assert results.tables["agreement"].empty
    assert (
        compute(replace(records, repairs=()), resamples=20).tables["retear"]["assessed"].sum() == 0
    )


def test_the_dictionary_knows_every_column(results):
    table = dictionary(results)
    tables = {**results.data.tables(), **results.tables}
    assert set(table["table"]) == set(TABLES) == set(tables)
    assert set(table["column"]) <= set(MEANINGS)
    assert set(MEANINGS) <= set(table["column"])
