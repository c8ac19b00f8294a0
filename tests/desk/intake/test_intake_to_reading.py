"""From files that came in to a blind case over the same files."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from blindness import found_in
from intake_samples import write_study
from reading_desk import desk_of, with_phrase

from imgtrack.desk.cases.allot import allot
from imgtrack.desk.cases.next_case import open_next_readable
from imgtrack.desk.cases.opening import open_next
from imgtrack.desk.cases.unreadable import unreadable_cases
from imgtrack.desk.intake.outcome import Fate
from imgtrack.desk.intake.run import take_in
from imgtrack.domain.errors import Unavailable
from imgtrack.domain.imaging import Scan, Stage
from imgtrack.domain.protocol import Plane
from imgtrack.domain.series import Series


@pytest.fixture
def read(enrolled, scans):
    """A study with one scan taken in and allotted, a reader's desk, and the scan."""
    take_in(enrolled, [write_study(scans)])
    allot(enrolled)
    with enrolled.store.look() as look:
        (scan,) = look.all(Scan)
        series = look.all(Series)
    return with_phrase(enrolled, "R1"), scan, series


def secrets(desk, scan, series):
    uids = [uid for each in series for uid in (each.uid, *each.images)]
    told = ["Doe", "P-001", "19600102", "1960-01-02", "ACC77", "S1", "1.2.1", str(desk.folder)]
    days = [scan.acquired_on.isoformat(), f"{scan.acquired_on:%Y%m%d}", "20310601"]
    return [scan.uid, scan.timepoint, *uids, *told, *days, ".dcm"]


def test_the_pixels_and_the_geometry_are_those_of_the_files(read):
    desk, scan, series = read
    with open_next(desk) as case:
        assert [each.plane for each in case.series] == [
            Plane.CORONAL_OBLIQUE,
            Plane.SAGITTAL_OBLIQUE,
            Plane.SAGITTAL_OBLIQUE,
        ]
        coronal = case.series[0]
        pixels = case.pixels(coronal.alias).values
        first = pixels[:, 0, 0].tolist()
        assert sorted(first) == [0, 1, 2]  # each slice begins with its number
        assert np.array_equal(pixels[first.index(1)].ravel(), np.arange(64) + 1)
        assert coronal.spacing_mm == pytest.approx(4.4, abs=1e-4)  # six decimals in the files
        steps = np.diff([image.plane.origin for image in coronal.images], axis=0)
        assert np.linalg.norm(steps, axis=1) == pytest.approx([4.4, 4.4], abs=1e-4)
        assert found_in(case, secrets(desk, scan, series)) == set()


def test_a_file_that_is_gone_is_told_to_the_log_only(read):
    desk, scan, series = read
    path = next((desk.folder / "scans").rglob("*.dcm"))
    path.unlink()
    with pytest.raises(Unavailable) as caught:
        open_next(desk)
    words = str(caught.value)
    assert not [each for each in secrets(desk, scan, series) if each in words]
    with desk.store.look() as look:
        *_, entry = look.log()
    assert entry.what == "images not readable"
    assert "series" in entry.new


def test_a_file_that_is_damaged_is_told_to_the_log_only(read):
    desk, scan, series = read
    path = next((desk.folder / "scans").rglob("*.dcm"))
    path.write_bytes(b"nonsense")
    with pytest.raises(Unavailable) as caught:
        open_next(desk)
    assert found_in([caught.value.args, str(caught.value)], secrets(desk, scan, series)) == set()
    with desk.store.look() as look:
        *_, entry = look.log()
    assert path.name in entry.new


@pytest.mark.parametrize(
    ("how", "why"),
    [
        (lambda path: path.unlink(), "an image file is missing"),
        (lambda path: path.write_bytes(b"nonsense"), "an image file cannot be read"),
        (
            lambda path: path.write_bytes(path.read_bytes()[:-50]),
            "the pixels of an image cannot be decoded",
        ),
    ],
    ids=["gone", "nonsense", "cut short"],
)
def test_a_reader_is_told_in_plain_words_what_is_wrong_with_a_file(read, how, why):
    desk, scan, series = read
    path = next((desk.folder / "scans").rglob("*.dcm"))
    whole = path.read_bytes()
    how(path)
    opening = open_next_readable(desk)
    assert opening.case is None
    assert [each.why for each in opening.passed] == [why]
    assert found_in(opening, secrets(desk, scan, series)) == set()
    (told,) = unreadable_cases(desk_of(desk, "C1"))
    assert path.stem in told.words
    path.write_bytes(whole)
    with open_next_readable(desk).case:
        assert unreadable_cases(desk_of(desk, "C1")) == ()


def test_a_lost_file_is_given_back_while_the_scan_is_being_read(enrolled, scans, read):
    """The same originals mend the scan and change nothing of it."""
    desk, scan, series = read
    with enrolled.store.change(who="C1", now=enrolled.now) as change:
        change.amend(replace(scan, stage=Stage.BEING_READ), reason="as after a first reading")
    path = next((desk.folder / "scans").rglob("*.dcm"))
    whole = path.read_bytes()
    path.unlink()
    assert open_next_readable(desk).case is None
    report = take_in(enrolled, [scans])
    assert [each.fate for each in report.studies] == [Fate.COMPLETED]
    assert path.read_bytes() == whole
    with enrolled.store.look() as look:
        assert look.all(Series) == series
    with open_next_readable(desk).case as case:
        assert len(case.series) == 3
