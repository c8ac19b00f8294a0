"""Whose scan it is: by identity, by a manifest, by side and day; in doubt a person says."""

from __future__ import annotations

import os
import zipfile
from datetime import date

import intake_samples as samples
import pytest

from imgtrack.desk.intake.outcome import Fate
from imgtrack.desk.intake.people import same_name, subject_of
from imgtrack.desk.intake.run import take_in
from imgtrack.desk.registry.enrol import enrol
from imgtrack.dicom.records import Claim
from imgtrack.domain.errors import InvalidInput
from imgtrack.store.keys import Identity

BORN = date(1960, 1, 2)
JANE = Identity("S1", "Doe Jane", "P-001", BORN)
JOHN = Identity("S2", "Roe, John", "P-002", date(1955, 5, 5))
TWIN = Identity("S3", "Doe^Jane", "P-003", BORN)
BARE = Identity("S4", "Moe^Max", "", date(1970, 7, 7))
NAMELESS = Identity("S5", "", "P-005", None)


@pytest.fixture
def keys(enrolled):
    with enrolled.keys() as opened:
        yield opened


@pytest.mark.parametrize(
    ("claim", "subject"),
    [
        (Claim("P-001", name="Doe^Jane", birth_date=BORN), "S1"),
        (Claim(" p-001 ", name="DOE^JANE^^", birth_date=None), "S1"),
        (Claim("P-001", name="Smith^Jane", birth_date=BORN), "S1"),
        (Claim("P-001"), "S1"),
        (Claim("", name="Jane^Doe", birth_date=BORN), "S1"),
        (Claim("", name="Roe^John=漢字", birth_date=date(1955, 5, 5)), "S2"),
        (Claim("UNKNOWN-9", name="Moe^Max", birth_date=date(1970, 7, 7)), "S4"),
        (Claim("P-005", name="Any^Body", birth_date=date(1980, 1, 1)), "S5"),
    ],
    ids=lambda value: value if isinstance(value, str) else "",
)
def test_people_are_found_exactly_and_by_other_spellings(keys, claim, subject):
    keys.add([BARE, NAMELESS])
    assert subject_of(keys, claim).subject == subject


@pytest.mark.parametrize(
    ("claim", "reason", "is_conflict"),
    [
        (Claim("P-9", name="No^One", birth_date=BORN), "nobody in the key file", False),
        (Claim("", name="Doe^Jane"), "nobody in the key file", False),
        (Claim("P-001", name="Doe^Jane", birth_date=date(1960, 2, 1)), "that of S1, birth", True),
        (Claim("P-001", name="Roe^John"), "that of S1, birth date or name are not", True),
        (Claim("X-77", name="Doe^Jane", birth_date=BORN), "those of S1, the number is not", True),
        (
            Claim("P-003", name="Doe^Jane", birth_date=BORN),
            "number and name belong to S1 and S3",
            1,
        ),
        (Claim("", name="Doe^Jane", birth_date=BORN), "name and birth date fit S1 and S3", True),
    ],
    ids=str,
)
def test_in_doubt_nobody_is_guessed(keys, claim, reason, is_conflict):
    if "S3" in reason:
        keys.add([TWIN])
    match = subject_of(keys, claim)
    assert match.subject == ""
    assert reason in match.reason
    assert match.is_conflict == is_conflict
    assert not any(secret in match.reason for secret in ("Doe", "Jane", "P-00", "1960"))


def test_one_number_of_two_subjects_is_told(keys):
    keys.add([Identity("S7", "A^A", "Q", BORN), Identity("S8", "A^A", "q", BORN)])
    assert subject_of(keys, Claim("Q", birth_date=BORN)).reason == "the number fit S7 and S8"


def test_names_without_parts_fit_nobody():
    assert not same_name("", "")
    assert not same_name("^^", "Doe")


def only(report):
    assert report.adds_up
    (outcome,) = report.studies
    return outcome


STRANGER = {"PatientID": "ANON7", "PatientName": "ANON7", "PatientBirthDate": ""}


def manifest(study, scans, sheet, *rows, heading="path,subject,side,timepoint"):
    return take_in(study, [scans], manifest=sheet(heading, *rows, name="manifest.csv"))


def test_a_manifest_says_whose_images_lie_where(enrolled, scans, sheet):
    samples.write_study(scans / "a", **STRANGER)
    samples.write_study(scans / "b", study="1.2.2", day="20310901", **STRANGER)
    rows = ("originals/a,S1,right,m03", "originals/b,S2,l,", "originals,S2,right,m12")
    report = manifest(enrolled, scans, sheet, *rows)
    places = [(o.scans[0].scan.repair, o.scans[0].scan.timepoint) for o in report.studies]
    assert places == [("S1-R", "m03"), ("S2-L", "m06")]
    assert report.notes == ("manifest.csv row 4: no image was found here",)


def test_what_the_manifest_does_not_name_is_linked_by_identity(enrolled, scans, sheet):
    samples.write_study(scans / "a")
    (scans / "b").mkdir()
    report = manifest(enrolled, scans, sheet, "originals/b,S2,left,")
    assert only(report).scans[0].scan.repair == "S1-R"


def test_a_manifest_reaches_into_archives(enrolled, scans, sheet, tmp_path):
    samples.write_study(tmp_path / "a", **STRANGER)
    scans.mkdir()
    with zipfile.ZipFile(scans / "x.zip", "w") as archive:
        for path in (tmp_path / "a").iterdir():
            archive.write(path, f"deep/{path.name}")
    outcome = only(manifest(enrolled, scans, sheet, "originals/x.zip!deep,S1,,"))
    assert outcome.fate is Fate.TAKEN_IN


@pytest.mark.skipif(os.name != "posix", reason="links")
def test_a_manifest_follows_links_to_folders(enrolled, scans, sheet, tmp_path):
    samples.write_study(tmp_path / "real", **STRANGER)
    scans.mkdir()
    (scans / "link").symlink_to(tmp_path / "real")
    assert only(manifest(enrolled, scans, sheet, "originals/link,S1,,")).fate is Fate.TAKEN_IN


@pytest.mark.parametrize(
    ("row", "changes", "reason"),
    [
        ("S2,left,", {}, "row 2 says S2, the headers name S1"),
        (
            "S2,left,",
            {"PatientID": "P-001", "PatientName": "X", "PatientBirthDate": ""},
            "row 2 says S2; but the number is that of S1",
        ),
        ("S1,left,", {}, "S1 has no repair of the left shoulder"),
        ("S1,right,m06", {}, "the manifest says m06 of S1-R, the day is m03"),
        ("S1,right,m03", {"day": "20310401"}, "m03 of S1-R, the day is in no window"),
    ],
    ids=["other patient", "number of another", "side", "timepoint", "no window"],
)
def test_a_manifest_that_is_contradicted_makes_it_wait(enrolled, scans, row, changes, reason):
    samples.write_study(scans, **changes)
    table = scans.parent / "manifest.csv"
    table.write_text(f"path,subject,side,timepoint\noriginals,{row}\n")
    outcome = only(take_in(enrolled, [scans], manifest=table))
    assert outcome.fate is Fate.WAITING
    assert reason in outcome.reason


def test_two_rows_for_one_study_make_it_wait(enrolled, scans, sheet):
    samples.write_study(scans / "a", **STRANGER)
    samples.write(scans / "b", "x.dcm", samples.image(slice_=5, **STRANGER))
    outcome = only(manifest(enrolled, scans, sheet, "originals/a,S1,,", "originals/b,S2,,"))
    assert "to several: manifest.csv row 2, manifest.csv row 3" in outcome.reason


def test_faults_of_a_manifest_come_together(enrolled, scans, sheet):
    samples.write_study(scans)
    rows = (
        "nowhere,S1,,",
        "originals,S9,,",
        "originals,S1,middle,",
        "originals/1_0.dcm,S1,,m99",
        ",S1,,",
    )
    with pytest.raises(InvalidInput) as caught:
        manifest(enrolled, scans, sheet, *rows)
    said = "\n".join(map(str, caught.value.faults))
    assert len(caught.value.faults) == 6
    for words in (
        "row 2, column path: there is nothing here",
        "row 3, column subject: nobody is enrolled",
        "row 4, column path: the path is in the sheet twice",
        "row 4, column side",
        "row 5, column timepoint: the protocol does not name",
        "row 6, column path: path is missing",
    ):
        assert words in said


BOTH = (*samples.ENROLMENT, "S1,left,2031-02-01,Doe Jane,P-001,1960-01-02")


def test_with_both_shoulders_operated_the_images_say_which(enrolled, scans, sheet):
    enrol(enrolled, sheet(*BOTH))
    samples.write_study(scans)
    assert only(take_in(enrolled, [scans])).scans[0].scan.repair == "S1-R"


@pytest.mark.parametrize("changes", [{"Laterality": "L"}, {"Laterality": "", "centre": (0, 0, 0)}])
def test_with_both_operated_and_no_agreement_it_waits(enrolled, scans, sheet, changes):
    enrol(enrolled, sheet(*BOTH))
    mirrored = {"orientation": (1.0, 0.0, 0.0, 0.0, 0.0, -1.0)}
    samples.write_study(scans, **{**mirrored, **changes})
    outcome = only(take_in(enrolled, [scans]))
    assert outcome.reason == "S1 has a repair on both sides, and the images do not agree on one"


def test_a_day_in_windows_of_two_repairs_waits_and_a_manifest_decides(enrolled, scans, sheet):
    rows = (
        samples.ENROLMENT[0] + ",revision",
        samples.ENROLMENT[1] + ",no",
        "S1,right,2031-08-20,Doe Jane,P-001,1960-01-02,yes",
    )
    enrol(enrolled, sheet(*rows))
    samples.write_study(scans)
    outcome = only(take_in(enrolled, [scans]))
    assert outcome.reason == "the day lies in windows of S1-R and S1-R2"
    taken = only(manifest(enrolled, scans, sheet, "originals,S1,right,preop"))
    assert (taken.scans[0].scan.repair, taken.scans[0].scan.timepoint) == ("S1-R2", "preop")


def test_known_but_not_enrolled_waits(enrolled, scans):
    with enrolled.keys() as keys:
        keys.add([Identity("S6", "New^One", "P-006", None)])
    samples.write_study(scans, PatientID="P-006", PatientName="New^One", PatientBirthDate="")
    assert "S6 is in the key file and has no repair" in only(take_in(enrolled, [scans])).reason
