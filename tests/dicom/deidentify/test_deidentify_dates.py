"""Dates moved by whole days: intervals stay, whatever the secret, the subject and the form."""

from __future__ import annotations

from datetime import date, datetime, timedelta

import pytest
from deidentify_samples import SECRET, clean, deidentifier, image
from hypothesis import given
from hypothesis import strategies as st
from pydicom.dataset import Dataset
from pydicom.sequence import Sequence

from imgtrack.dicom.deidentify import date_shift
from imgtrack.dicom.deidentify.dates import (
    FARTHEST_DAYS,
    NEAREST_DAYS,
    kept_time,
    shifted_date,
    shifted_moment,
)
from imgtrack.dicom.deidentify.kinds import Kind

DAYS = st.dates(date(1960, 1, 1), date(2060, 12, 31))
SHIFTS = st.integers(-FARTHEST_DAYS, -NEAREST_DAYS)


def as_date(text: str | None) -> date:
    assert text is not None
    return date.fromisoformat(text[:8])


@given(DAYS, DAYS, SHIFTS)
def test_intervals_in_days_stay(first: date, second: date, days: int) -> None:
    moved = [as_date(shifted_date(f"{day:%Y%m%d}", days)) for day in (first, second)]
    assert moved[1] - moved[0] == second - first
    assert moved[0] - first == timedelta(days)


@given(st.datetimes(datetime(1960, 1, 1), datetime(2060, 1, 1)), SHIFTS)
def test_date_and_time_moves_with_the_date_and_keeps_the_time(moment: datetime, days: int) -> None:
    text = f"{moment:%Y%m%d%H%M%S}.{moment.microsecond:06d}"
    moved = shifted_moment(text, days)
    assert moved is not None
    assert datetime.fromisoformat(f"{moved[:8]}T{moved[8:]}") - moment == timedelta(days)


@pytest.mark.parametrize(
    ("text", "moved"),
    [
        # Forms of VR DT: PS3.5 table 6.2-1. 1000 days before 1 March 2024 is 6 June 2021.
        ("20240301", "20210605"),
        ("202403", "202106"),
        ("2024", "2021"),
        ("2024030108", "2021060508"),
        ("202403010830", "202106050830"),
        ("20240301083059.123456", "20210605083059.123456"),
        ("20240301083059.1+0100", "20210605083059.1"),
        ("2024030108-0500", "2021060508"),
    ],
)
def test_moments_stay_as_precise_as_they_were(text: str, moved: str) -> None:
    assert date(2024, 3, 1) - timedelta(1000) == date(2021, 6, 5)
    assert shifted_moment(text, -1000) == moved


def test_dates_of_the_old_form_are_dates() -> None:
    """PS3.5 section 6.2, note on VR DA of earlier editions."""
    assert shifted_date("2024.03.01", -1000) == "20210605"
    assert kept_time("08:30:59") == "08:30:59"


@pytest.mark.parametrize(
    "text",
    ["", "2024", "20240230", "20241301", "00010101", "19000101", "hello", "20240301x", "٢٠٢٤٠٣٠١"],
)
def test_what_is_no_date_is_not_moved(text: str) -> None:
    assert shifted_date(text, -1000) is None


@pytest.mark.parametrize(
    "text", ["", "202", "20240230", "2024030125", "x", "20240301083059.1234567"]
)
def test_what_is_no_moment_is_not_moved(text: str) -> None:
    assert shifted_moment(text, -1000) is None


@pytest.mark.parametrize("text", ["2460", "25", "120000.1234567", "noon", "12000", "12:61"])
def test_what_is_no_time_is_not_kept(text: str) -> None:
    assert kept_time(text) is None


def test_a_shift_beyond_the_calendar_is_none() -> None:
    assert shifted_date("20240301", -10_000_000) is None
    assert shifted_date("20240301", -400_000) is None


def test_each_subject_has_one_shift_that_the_secret_decides() -> None:
    shifts = {date_shift(SECRET, f"S{number:03d}") for number in range(200)}
    assert all(-FARTHEST_DAYS <= each <= -NEAREST_DAYS for each in shifts)
    assert len(shifts) > 180
    assert date_shift(SECRET, "S014") == date_shift(SECRET, "S014")
    assert date_shift(SECRET, "S014") != date_shift(SECRET[::-1], "S014")
    assert deidentifier().date_shift_days == date_shift(SECRET, "S014")


def test_scans_of_one_subject_keep_their_distance_and_times() -> None:
    before = clean(image(StudyDate="20240115", StudyTime="235959.9", AcquisitionDate="20240116"))
    after = clean(image(StudyDate="20250115", StudyTime="000001", AcquisitionDate="20250115"))
    assert as_date(after.StudyDate) - as_date(before.StudyDate) == timedelta(366)
    assert as_date(before.AcquisitionDate) - as_date(before.StudyDate) == timedelta(1)
    assert (before.StudyTime, after.StudyTime) == ("235959.9", "000001")
    assert before.StudyDate != "20240115"
    assert before.LongitudinalTemporalInformationModified == "MODIFIED"


def test_dates_within_frames_move_too() -> None:
    content = Dataset()
    content.FrameAcquisitionDateTime = "20240305120000"
    group = Dataset()
    group.FrameContentSequence = Sequence([content])
    dataset = image(Kind.ENHANCED_MR, PerFrameFunctionalGroupsSequence=Sequence([group]))
    cleaned = clean(dataset)
    moment = cleaned.PerFrameFunctionalGroupsSequence[0].FrameContentSequence[0]
    assert moment.FrameAcquisitionDateTime == f"{cleaned.StudyDate}120000"


def test_a_placeholder_for_a_date_that_must_be_there_is_replaced_by_one() -> None:
    dataset = image(Kind.ENHANCED_MR, ContentDate="00010101", StudyDate="00010101")
    dataset.AcquisitionDateTime = "00010101010101.000000+0000"
    dataset.SeriesDate = "00010101"
    cleaned = clean(dataset)
    assert (cleaned.ContentDate, cleaned.AcquisitionDateTime) == ("19000101", "19000101")
    assert cleaned.StudyDate == ""
    assert "SeriesDate" not in cleaned


def test_the_zone_of_the_hospital_is_not_told() -> None:
    dataset = image(TimezoneOffsetFromUTC="+0530", AcquisitionDateTime="20240305101112+0530")
    cleaned = clean(dataset)
    assert "TimezoneOffsetFromUTC" not in cleaned
    assert cleaned.AcquisitionDateTime == f"{cleaned.StudyDate}101112"
