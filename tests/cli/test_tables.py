"""Agreement, rates and planning from the command line, without a study."""

from __future__ import annotations

from pathlib import Path

import pandas as pd
import pytest

GRADES = (
    "case,reader,sugaya,width",
    *(f"S{n},R1,{'I' if n % 3 else 'IV'},{10 + n}" for n in range(12)),
    *(f"S{n},R2,{'II' if n % 4 else 'V'},{11 + n}" for n in range(12)),
)
ROWS = (
    "patient,arm,grade,free,seen",
    *(
        f"P{n // 2},{'AB'[n % 2]},{'V' if n % 5 == 0 else 'II'},{n % 3 * 91},{'' if n % 3 else 91}"
        for n in range(20)
    ),
    "P20,A,NE,,",
)


def write(name: str, lines: tuple[str, ...]) -> str:
    Path(name).write_text("\n".join(lines) + "\n", "utf-8")
    return name


READINGS = ("--subject", "case", "--reader", "reader")


def test_agreement_on_a_scale_shows_grade_and_outcome_with_the_cautions(run):
    table = write("g.csv", GRADES)
    words = ("--value", "sugaya", "--scale", "sugaya")
    code, out, _ = run("agreement", "--table", table, *READINGS, *words)
    assert code == 0
    for words in ("12 subjects, readers R1, R2", "Fleiss' kappa", "quadratic", "PABAK"):
        assert words in out
    assert "retear = Sugaya IV-V" in out
    assert "not a medical device" in out


def test_agreement_on_declared_categories_without_a_scale(run):
    table = write("g.csv", GRADES)
    words = ("--value", "sugaya", "--categories", "I, II, IV, V")
    code, out, _ = run("agreement", "--table", table, *READINGS, *words)
    assert code == 0
    assert "PABAK" not in out


def test_agreement_on_a_measurement_as_a_file(run):
    table = write("g.csv", GRADES)
    words = ("--value", "width", "--csv", "a.csv")
    code, out, _ = run("agreement", "--table", table, *READINGS, *words)
    assert (code, "rows written to a.csv" in out) == (0, True)
    found = pd.read_csv("a.csv").set_index("coefficient")
    assert found.loc["mean difference", "estimate"] == -1
    assert found.loc["mean difference", "method"]


def test_grades_without_a_scale_are_no_measurements(run):
    table = write("g.csv", GRADES)
    code, _, err = run("agreement", "--table", table, *READINGS, "--value", "sugaya")
    assert code == 2
    assert "give --scale or --categories" in err


def test_rates_by_group_with_clusters_and_missing(run):
    table = write("r.csv", ROWS)
    words = ("--subject", "patient", "--event", "grade", "--scale", "sugaya", "--group", "arm")
    code, out, _ = run("rates", "--table", table, *words)
    assert code == 0
    for words in ("Rule: retear = Sugaya IV-V", "patients as clusters", "odds ratio", "if every"):
        assert words in out


def test_a_rate_of_an_excel_table_by_another_rule(run):
    pd.DataFrame([r.split(",") for r in ROWS[1:]], columns=ROWS[0].split(",")).to_excel(
        "r.xlsx", index=False
    )
    words = ("--subject", "patient", "--event", "grade", "--rule", "sugaya_iii_v")
    code, out, _ = run("rates", "--table", "r.xlsx", *words)
    assert code == 0
    assert "III-V" in out


@pytest.mark.parametrize("at", ["", "45,91"])
def test_shares_by_time(run, at):
    words = (
        "--subject",
        "patient",
        "--left",
        "free",
        "--right",
        "seen",
        *(("--at", at) if at else ()),
    )
    code, out, _ = run("rates", "--table", write("r.csv", ROWS), *words)
    assert code == 0
    assert "at least / at most" in out
    assert ("45" in out) is bool(at)


@pytest.mark.parametrize(
    ("words", "expected"),
    [
        (("--table", "none.csv", "--event", "grade"), "cannot be read"),
        (("--table", "empty.csv", "--event", "grade"), "no rows"),
        (("--table", "r.csv"), "nothing to count"),
        (("--table", "r.csv", "--event", "luck"), "no column 'luck'"),
        (("--table", "r.csv", "--event", "grade", "--scale", "warner_atrophy"), "no rule says"),
        (("--table", "r.csv", "--event", "arm", "--scale", "sugaya"), "no grade of the scale"),
        (("--table", "r.csv", "--event", "grade"), "no events"),
        (("--table", "r.csv", "--left", "arm", "--right", "seen"), "some bounds are no times"),
        (("--table", "r.csv", "--left", "free", "--right", "seen", "--at", "x"), "no times"),
    ],
)
def test_what_cannot_be_counted_says_why(run, words, expected):
    write("r.csv", ROWS)
    write("empty.csv", ROWS[:1])
    code, _, err = run("rates", "--subject", "patient", *words)
    assert code == 2
    assert expected in err


@pytest.mark.parametrize(
    ("words", "needed"),
    [
        # Large-sample variance of kappa with a common prevalence (Donner and Eliasziw, Stat Med
        # 1992;11:1511-9): kappa 0.8 at 20 % to within 0.1 takes 222 subjects (computed from the
        # formula by hand).
        (("kappa", "--kappa", "0.8", "--prevalence", "0.2", "--half-width", "0.1"), "222 repairs"),
        # Bonett, Stat Med 2002;21:1331-5: ICC 0.8, width 0.2, 2 readers (computed by formula).
        (("icc", "--icc", "0.8", "--half-width", "0.1"), "repairs"),
        (("rate", "--rate", "0.2", "--half-width", "0.1"), "repairs"),
        (("two-rates", "--first", "0.3", "--second", "0.15"), "121 repairs per arm"),
    ],
)
def test_planning_says_what_to_operate_and_by_which_method(run, words, needed):
    code, out, _ = run(
        "plan", *words, "--lost", "0.2", "--per-patient", "1.1", "--correlation", "0.5"
    )
    assert code == 0
    assert needed in out
    assert "20% without an answer" in out
    assert "Method:" in out
