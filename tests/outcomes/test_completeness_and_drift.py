"""Completeness, exclusions, drift and the dictionary, against counts made by hand.

Limits: statsmodels ``proportion_confint`` (Wilson). Trend: its chi-squared by the formula of
Armitage (Biometrics 1955;11:375-86), computed here from the counts.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import numpy as np
import pandas as pd
import pytest
from invented_repairs import Invented, answers
from scipy.stats import chi2
from statsmodels.stats.proportion import proportion_confint

from imgtrack.domain.reading import Round
from imgtrack.domain.subjects import Event, EventKind
from imgtrack.outcomes.completeness import completeness
from imgtrack.outcomes.course import changes
from imgtrack.outcomes.dictionary import BLANKS, dictionary
from imgtrack.outcomes.drift import REPEATS, VERDICTS, drift
from imgtrack.outcomes.exclusions import exclusions
from imgtrack.outcomes.function import score_summary
from imgtrack.outcomes.provenance import provenance
from imgtrack.outcomes.study_data import study_data


def counts(data):
    table = exclusions(data)
    return dict(zip(table["left_out"], table["count"], strict=True))


def test_what_was_due_is_there_or_counted():
    made = Invented(12, miss=0.3, error=0)
    first = made.repairs[0]
    died = Event(first.code, EventKind.DEATH, first.operated_on + timedelta(days=100))
    records = made.records(events=(died,), scores=tuple(made.scores[5:]))
    data = study_data(records)
    table = completeness(data).set_index(["what", "timepoint"])
    for point in made.points:
        scans = {s.repair for s in records.scans if s.timepoint == point.name}
        ended = point.window[1] >= 100 and first.code not in scans
        row = table.loc[("scan", point.name)]
        assert (row["due"], row["present"]) == (12 - ended, len(scans))
        limits = proportion_confint(len(scans), 12 - ended, method="wilson")
        assert [row["low"], row["high"]] == pytest.approx(limits, abs=1e-9)
        assert table.loc[("final verdict", point.name), "due"] == len(scans)
        scores = table.loc[("score constant", point.name)]
        after = point.window[1] >= 100
        assert (scores["due"], scores["present"]) == (11 if after else 12, 11)


def test_nothing_due_is_no_share():
    records = Invented(3).records(scans=(), readings=(), verdicts=(), scores=(), events=())
    table = completeness(study_data(records))
    none = table[table["what"] == "final verdict"]
    assert none["share"].isna().all()
    assert (none["why_undefined"] != "").all()


def test_everything_left_out_is_counted():
    made = Invented(10, miss=0, error=0)
    records = made.records(events=())
    scans, verdicts = list(records.scans), list(records.verdicts)
    scans[0] = replace(scans[0], timepoint="")
    verdicts[1] = replace(verdicts[1], answers=answers(None, 0.0))
    reading = records.readings[0]
    amendment = replace(reading, key="again", amends=reading.key, reason="slip")
    training = replace(reading, key="training", round=Round.TRAINING)
    data = study_data(
        replace(
            records,
            scans=tuple(scans),
            verdicts=tuple(verdicts[:-1]),
            readings=(*records.readings, amendment, training),
        )
    )
    assert counts(data) == {
        "scans whose reading is not final": 1,
        "verdicts not assessable": 1,
        "verdicts outside every window": 1,
        "repairs without an assessable scan": 0,
        "readings replaced by their amendment": 1,
        "training readings": 1,
        "first readings not assessable": 0,
    }
    assert {what: count for what, _, count in provenance(data).exclusions} == counts(data)


def drifting(*agreeing, repeats=False):
    """Return one reader whose blocks of 20 readings meet the verdicts (or repeats) this often."""
    made = Invented(20 * len(agreeing), miss=0, error=0)
    records = made.records(events=())
    by_scan = {verdict.scan: verdict for verdict in records.verdicts}
    chosen = [s for s in records.scans if s.timepoint == "m03"]
    readings, verdicts = [], []
    for place, scan in enumerate(chosen):
        agrees = place % 20 < agreeing[place // 20]
        verdicts.append(replace(by_scan[scan.uid], answers=answers("I", 0.0)))
        reading = next(r for r in records.readings if r.scan == scan.uid and r.reader == "R1")
        at = reading.signed_at + timedelta(minutes=place)
        given = answers("I" if agrees else "V", 0.0)
        readings.append(replace(reading, answers=given, signed_at=at))
        if repeats:
            later = {"round": Round.REPEAT, "signed_at": at + timedelta(days=60)}
            key = f"{reading.key}-again"
            readings.append(replace(reading, key=key, answers=answers("I", 0.0), **later))
    readings.reverse()
    return study_data(
        replace(records, scans=tuple(chosen), readings=tuple(readings), verdicts=tuple(verdicts))
    )


def test_drift_follows_the_order_of_signing():
    agreeing = np.array([19, 16, 11])
    table = drift(drifting(*agreeing, repeats=True))
    assert set(table["against"]) == {REPEATS, VERDICTS}
    for _, mine in table.groupby("against"):
        shares = mine[mine["quantity"] == "share agreeing"]
        assert shares["agreeing"].tolist() == agreeing.tolist()
        low, high = proportion_confint(agreeing, 20, method="wilson")
        assert shares["low"].to_numpy() == pytest.approx(low, abs=1e-9)
        assert shares["high"].to_numpy() == pytest.approx(high, abs=1e-9)
        (trend,) = mine[mine["quantity"] == "trend per block"].to_dict("records")
        score = np.arange(3)
        share = agreeing.sum() / 60
        top = (agreeing * score).sum() - share * 20 * score.sum()
        spread = (
            share * (1 - share) * 20 * (score**2).sum()
            - share * (1 - share) * (20 * score.sum()) ** 2 / 60
        )
        assert trend["p_value"] == pytest.approx(chi2.sf(top**2 / spread, 1), rel=1e-6)
        assert trend["estimate"] < 0


@pytest.mark.parametrize(
    ("size", "pairs"), [(20, [20, 20]), (25, [25, 15]), (30, [40]), (50, [40]), (13, [13, 13, 14])]
)
def test_the_rest_of_the_last_block_is_never_lost(size, pairs):
    table = drift(drifting(20, 20), pairs_in_block=size)
    assert table[table["quantity"] == "share agreeing"]["pairs"].tolist() == pairs


def test_readers_who_always_agree_have_no_trend():
    table = drift(drifting(20, 20))
    (trend,) = table[table["quantity"] == "trend per block"].to_dict("records")
    assert np.isnan(trend["p_value"])
    assert trend["why_undefined"]


def test_no_change_is_beyond_an_error_nobody_knows(data):
    table = changes(data, {})
    assert not table.empty
    assert table["beyond_detectable"].isna().all()


def test_a_share_that_reached_the_important_difference_has_limits(data, results):
    table = score_summary(data)
    scored = results.tables["scored"]
    important = data.protocol.score[0].minimal_important_difference
    gained = scored.assign(reached=scored["total"] - scored["baseline"] >= important)
    for row in table.to_dict("records"):
        mine = gained[
            (gained["timepoint"] == row["timepoint"]) & (gained["outcome"] == row["outcome"])
        ]
        low, high = proportion_confint(int(mine["reached"].sum()), len(mine), method="wilson")
        assert [row["reached_low"], row["reached_high"]] == pytest.approx([low, high], abs=1e-9)


def test_the_dictionary_tells_of_every_blank(results):
    told = dictionary(results).set_index(["table", "column"])["when_blank"]
    for name, table in {**results.data.tables(), **results.tables}.items():
        for column in table.columns:
            blank = table[column].isna() | (table[column].astype(str) == "")
            if blank.any():
                assert told[name, column] != "never", (name, column)
    assert set(BLANKS) <= set(told.index.get_level_values("column"))


def test_agreement_follows_amendments_and_counts_them(data):
    amended = data.records.readings[0]
    new = replace(amended, key="x", amends=amended.key, reason="slip", answers=answers("V", 0.0))
    other = study_data(replace(data.records, readings=(*data.records.readings, new)))
    assert amended.key not in set(other.readings["reading"])
    assert pd.Series(other.readings["reading"]).is_unique
    assert counts(other)["readings replaced by their amendment"] == 1
