"""The plan of the demo study: what must hold in any study, and in this one."""

from __future__ import annotations

from collections import Counter
from datetime import date, timedelta

import numpy as np
import pytest

from synthetic_scans.cohort.courses import KEY_DAYS, condition, is_torn
from synthetic_scans.cohort.people import SHARES, plan_repairs, seen_torn_from, weekday
from synthetic_scans.cohort.plan import AS_OF, plan_cohort
from synthetic_scans.cohort.records import (
    RETEARING,
    TIMEPOINTS,
    Course,
    RepairRecord,
    Technique,
    Trouble,
)
from synthetic_scans.cohort.scores import LIMITS
from synthetic_scans.cohort.visits import ENDING

WINDOWS = {timepoint.name: timepoint for timepoint in TIMEPOINTS}


@pytest.fixture(scope="module")
def demo():
    return plan_cohort(20417, 30)


@pytest.fixture(scope="module")
def large():
    return plan_cohort(5, 900)


def day_of(record: RepairRecord, day: date) -> int:
    return (day - record.repair.operated_on).days


def test_the_same_seed_gives_the_same_study_and_another_seed_another(demo):
    assert plan_cohort(20417, 30) == demo
    assert plan_cohort(20418, 30) != demo


@pytest.mark.parametrize("n", [1, 2, 3, 5, 8, 14, 15, 30, 44, 60])
def test_a_study_has_as_many_repairs_as_asked_for(n):
    records = plan_cohort(3, n).records
    assert len(records) == n
    assert len({record.repair.code for record in records}) == n


@pytest.mark.parametrize("n", [0, -4])
def test_a_study_without_repairs_is_refused(n):
    with pytest.raises(ValueError, match=f"expected at least 1, found {n}"):
        plan_cohort(3, n)


def test_the_demo_has_bilateral_patients_a_revision_and_every_event(demo):
    sides = Counter(
        record.repair.patient.subject for record in demo.records if record.repair.sequence == 1
    )
    assert sorted(sides.values())[-2:] == [2, 2]
    events = Counter(event.kind for record in demo.records for event in record.events)
    assert {"revision", "infection", "withdrawal", "death", "lost"} == set(events)
    assert events["revision"] == 1


def test_a_revision_follows_a_torn_repair_and_ends_it(large):
    repairs = {record.repair.code: record for record in large.records}
    revisions = [record.repair for record in large.records if record.repair.sequence == 2]
    assert len(revisions) == 30
    for second in revisions:
        first = repairs[second.code.removesuffix("2")]
        (event,) = (event for event in first.events if event.kind == "revision")
        assert event.happened_on == second.operated_on
        assert first.repair.course in RETEARING
        assert second.healthy == first.repair.healthy
        torn = condition(first.repair, day_of(first, second.operated_on)).defect
        assert torn is not None
        assert second.tear_width_mm == pytest.approx(torn.width_mm, abs=1.0)


def test_both_shoulders_of_a_patient_are_mirror_images(large):
    seen: dict[str, RepairRecord] = {}
    pairs = 0
    for record in large.records:
        other = seen.setdefault(record.repair.patient.subject, record)
        if other.repair.side != record.repair.side:
            one, two = other.repair.healthy, record.repair.healthy
            assert one.tendon_mm == two.tendon_mm
            assert one.head_centre_mm[0] == -two.head_centre_mm[0]
            assert other.repair.patient == record.repair.patient
            pairs += 1
    assert pairs == 63


def test_identities_are_unique_and_stay_out_of_codes(large):
    patients = {record.repair.patient.subject: record.repair.patient for record in large.records}
    identities = [patient.identity for patient in patients.values()]
    assert len({identity.patient_id for identity in identities}) == len(patients)
    for patient in patients.values():
        family = patient.identity.patient_name.split("^")[0]
        assert family not in patient.subject
        assert 38 <= (AS_OF - patient.identity.birth_date).days / 365.25 <= 85
        assert patient.sex == {"F": "female", "M": "male"}[patient.identity.sex]


def test_scans_lie_in_their_windows_but_for_the_planned_late_ones(large):
    late = 0
    for record in large.records:
        for visit in record.visits:
            for day in filter(None, (visit.scanned_on,)):
                window = WINDOWS[visit.timepoint]
                inside = window.first <= day_of(record, day) <= window.last
                assert inside is visit.in_window
                assert day.weekday() < 5
                late += not inside
    assert late == 30


def test_nothing_happens_after_a_follow_up_has_ended_or_the_study_was_looked_at(large):
    for record in large.records:
        ends = [event.happened_on for event in record.events if event.kind in ENDING]
        last = min([AS_OF, *ends])
        days = [day for v in record.visits for day in (v.scanned_on, v.assessed_on) if day]
        assert all(day <= last for day in days)
        assert all(event.happened_on <= AS_OF for event in record.events)
        assert all(score.assessed_on in days for score in record.scores)
        assert [scan.scanned_on for scan in record.scans] == sorted(
            v.scanned_on for v in record.visits if v.scanned_on
        )


def test_nobody_is_operated_after_they_died_or_left(large):
    left: dict[str, date] = {}
    for record in large.records:
        for event in record.events:
            if event.kind in ("death", "lost", "withdrawal"):
                left[record.repair.patient.subject] = event.happened_on
    assert len(left) > 80
    for record in large.records:
        repair = record.repair
        assert repair.operated_on < left.get(repair.patient.subject, date.max)


def test_most_repairs_still_followed_are_imaged_at_two_years(large):
    """At least 80 % imaging follow-up is the usual aim (common practice, no source)."""
    due = [
        record
        for record in large.records
        if record.repair.operated_on + timedelta(days=800) <= AS_OF
        and not any(event.kind in ENDING for event in record.events)
    ]
    imaged = sum(any(scan.timepoint == "m24" for scan in record.scans) for record in due)
    assert 0.78 < imaged / len(due) < 0.88


def test_courses_are_dealt_in_their_shares(large):
    first = [record.repair for record in large.records if record.repair.sequence == 1]
    dealt = Counter(repair.course for repair in first)
    for course, share in SHARES.items():
        assert abs(dealt[course] - share * len(first)) < 1
    assert sum(SHARES.values()) == pytest.approx(1.0)


def test_every_course_is_in_a_demo_of_thirty(demo):
    assert {record.repair.course for record in demo.records} == set(Course)


def test_large_tears_and_single_rows_fail_more_often(large):
    """Larger tears heal less: Rashid MS et al., Acta Orthop 2017 (34 % small, 53 % large)."""
    first = [record.repair for record in large.records if record.repair.sequence == 1]
    fails = np.array([repair.course in RETEARING for repair in first])
    size = np.array([repair.tear_size_mm for repair in first])
    single = np.array([repair.technique is Technique.SINGLE_ROW for repair in first])
    assert fails[size >= 30].mean() > fails[size < 20].mean() + 0.1
    assert fails[single].mean() > fails[~single].mean()
    medial = [repair for repair in first if repair.course is Course.FAILS_MEDIALLY]
    assert all(repair.technique is Technique.SUTURE_BRIDGE for repair in medial)
    assert abs(single.mean() - 0.5) < 0.04


def test_before_surgery_every_shoulder_is_torn_and_without_implants(large):
    for record in large.records:
        state = condition(record.repair, -1)
        assert state.defect is not None
        assert state.defect.width_mm == record.repair.tear_width_mm
        assert state.anchors == ()
        assert len(condition(record.repair, 30).anchors) == (
            2 if record.repair.technique is Technique.SINGLE_ROW else 4
        )


@pytest.mark.parametrize("n_days", [KEY_DAYS])
def test_every_course_has_a_possible_state_on_every_day(large, n_days):
    for record in large.records[:200]:
        for day in (-60, *(int(key) for key in n_days), 30, 140, 260, 800):
            state = condition(record.repair, day)
            assert (state.defect is not None) is is_torn(record.repair, day)


@pytest.mark.parametrize(
    ("course", "torn_at"),
    [
        (Course.HEALS, ()),
        (Course.STAYS_BRIGHT, ()),
        (Course.THINS, ()),
        (Course.TEARS_PARTLY, ()),
        (Course.FILLS_IN, ("m03",)),
        (Course.STAYS_FAILED, ("m03", "m06", "m12", "m24")),
        (Course.RETEARS_EARLY, ("m03", "m06", "m12", "m24")),
        (Course.RETEARS, ("m06", "m12", "m24")),
        (Course.FAILS_MEDIALLY, ("m06", "m12", "m24")),
        (Course.RETEARS_LATE, ("m12", "m24")),
    ],
)
def test_scans_show_the_gap_at_the_visits_the_course_says(large, course, torn_at):
    scans = [
        scan
        for record in large.records
        if record.repair.course is course
        for scan in record.scans
        if scan.timepoint != "preop" and scan.in_window
    ]
    assert len(scans) > 20
    for scan in scans:
        assert (scan.state.condition.defect is not None) == (scan.timepoint in torn_at)


def test_gaps_grow_thin_tendons_thin_and_medial_failures_leave_a_remnant(large):
    repairs = {course: [] for course in Course}
    for record in large.records:
        repairs[record.repair.course].append(record.repair)
    for repair in repairs[Course.RETEARS]:
        early, late = condition(repair, 183).defect, condition(repair, 730).defect
        assert early.width_mm <= late.width_mm <= repair.tear_width_mm + 4
        assert late.remnant_mm == 0
    for repair in repairs[Course.FAILS_MEDIALLY]:
        assert condition(repair, 183).defect.remnant_mm > 5
    for repair in repairs[Course.THINS]:
        assert condition(repair, 400).thickness_mm < 0.5 * repair.healthy.tendon_mm
        assert condition(repair, 91).thickness_mm > 0.5 * repair.healthy.tendon_mm
    for repair in repairs[Course.TEARS_PARTLY]:
        assert condition(repair, 365).partial is not None
        assert condition(repair, 91).partial is None
    for repair in repairs[Course.HEALS]:
        assert condition(repair, 91).signal is not None
        assert condition(repair, 400).signal is None


def test_all_outlines_of_a_gap_occur(large):
    shapes = {condition(record.repair, -1).defect.shape for record in large.records}
    assert shapes == {"crescent", "u", "l"}


def test_muscles_of_torn_repairs_get_fatter(large):
    for record in large.records:
        before, after = condition(record.repair, 200), condition(record.repair, 730)
        if is_torn(record.repair, 200) and is_torn(record.repair, 730):
            assert after.supraspinatus.fat_fraction > before.supraspinatus.fat_fraction
            assert after.supraspinatus.retraction_mm > 0


def test_the_true_days_of_a_gap_are_told(large):
    for record in large.records:
        days = seen_torn_from(record.repair)
        if days is None:
            assert not is_torn(record.repair, 2000)
            continue
        opens, closes = days
        assert not is_torn(record.repair, opens - 1)
        assert is_torn(record.repair, opens)
        assert is_torn(record.repair, 2000) is (closes == -1)
        assert closes == -1 or not is_torn(record.repair, closes)


def test_scores_have_parts_within_their_limits(large):
    scores = [score for record in large.records for score in record.scores]
    for name, limit in LIMITS.items():
        values = [getattr(score, name) for score in scores]
        assert min(values) >= 0
        assert limit * 0.9 <= max(values) <= limit
    assert all(score.motion % 2 == 0 for score in scores)
    assert all(score.total <= 100 for score in scores)


def test_healed_repairs_score_better_at_two_years_by_about_the_published_difference(large):
    """Meta-analysis of 12 studies, Shoulder Elbow 2018: intact better by 8.61 Constant points."""
    healed, torn = [], []
    for record in large.records:
        for score in record.scores:
            if score.timepoint == "m24" and record.repair.sequence == 1:
                failed = record.repair.course in RETEARING
                (torn if failed else healed).append(score.total)
    assert np.mean(healed) - np.mean(torn) == pytest.approx(8.6, abs=2.5)
    before = [s.total for r in large.records for s in r.scores if s.timepoint == "preop"]
    assert np.mean(healed) - np.mean(before) > 25


def test_each_trouble_spoils_one_plain_follow_up_scan(demo):
    spoiled = [scan for record in demo.records for scan in record.scans if scan.trouble]
    assert sorted(scan.trouble for scan in spoiled) == sorted(Trouble)
    assert len({scan.repair for scan in spoiled}) == len(Trouble)
    for scan in spoiled:
        assert scan.timepoint != "preop"
        assert not any((scan.metal, scan.dixon, scan.enhanced))


def test_several_scans_have_metal_and_only_after_surgery(demo, large):
    assert len({s.repair for r in demo.records for s in r.scans if s.metal}) >= 3
    for record in large.records:
        for scan in record.scans:
            titanium = any(a.material == "titanium" for a in scan.state.condition.anchors)
            assert titanium is (scan.metal > 0)
            assert scan.metal == 0 or scan.timepoint != "preop"


def test_a_radiograph_goes_with_the_first_scan_after_surgery(large):
    for record in large.records:
        later = [scan for scan in record.scans if scan.timepoint != "preop"]
        assert [scan.radiograph for scan in later] == [i == 0 for i in range(len(later))]
        assert not any(s.radiograph for s in record.scans if s.timepoint == "preop")


def test_scan_codes_are_unique(large):
    codes = [scan.code for record in large.records for scan in record.scans]
    assert len(set(codes)) == len(codes)


def test_some_scans_have_dixon_and_some_are_enhanced(demo):
    scans = [scan for record in demo.records for scan in record.scans]
    assert 0.1 < np.mean([scan.dixon for scan in scans]) < 0.4
    assert 0.05 < np.mean([scan.enhanced for scan in scans]) < 0.3


def test_a_study_looked_at_early_is_a_shorter_study(demo):
    early = plan_cohort(20417, 30, as_of=date(2023, 12, 31))
    assert 0 < len(early.records) < 30
    longer = {record.repair.code: record for record in demo.records}
    for record in early.records:
        later = longer[record.repair.code]
        days = [scan.scanned_on for scan in later.scans if scan.scanned_on <= early.as_of]
        assert [scan.scanned_on for scan in record.scans] == days


@pytest.mark.parametrize(
    ("day", "expected"),
    [
        (date(2024, 3, 1), date(2024, 3, 1)),
        (date(2024, 3, 2), date(2024, 3, 4)),
        (date(2024, 3, 3), date(2024, 3, 4)),
    ],
)
def test_weekends_move_to_monday(day, expected):
    assert weekday(day) == expected


def test_arms_tell_nothing_but_follow_the_technique():
    repairs = plan_repairs(4, 40)
    assert {(repair.arm, repair.technique) for repair in repairs} == {
        ("A", Technique.SINGLE_ROW),
        ("B", Technique.SUTURE_BRIDGE),
    }
    assert all(18 < repair.age < 100 for repair in repairs)
