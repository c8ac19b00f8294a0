"""Values of any VR: numbers, dates, times, character sets."""

from __future__ import annotations

import struct
from datetime import date, datetime
from io import BytesIO
from pathlib import Path

import pydicom
import pytest
from pydicom.data import get_charset_files

from imgtrack.dicom.elements import EVERYTHING, Element, Elements
from imgtrack.dicom.envelope import unseal
from imgtrack.dicom.values import Values, Vocabulary
from imgtrack.dicom.vocabulary import VOCABULARY

CHARACTER_SETS = sorted(
    path
    for path in get_charset_files()
    if "PatientName" in pydicom.dcmread(path, force=True, stop_before_pixels=True)
)


def values(notes: list[str] | None = None, **raw: bytes | tuple[bytes, bytes]) -> Values:
    """Return values of elements given as bytes, or as VR and bytes, little endian."""
    elements = {}
    for word, told in raw.items():
        vr, value = told if isinstance(told, tuple) else (b"", told)
        elements[VOCABULARY.tags[word]] = Element(vr, value, True)
    return Values(elements, VOCABULARY, [] if notes is None else notes)


@pytest.mark.parametrize(
    ("raw", "numbers"),
    [
        (b"1.5\\-2e1\\ 3 ", (1.5, -20, 3)),
        (b"7\0", (7,)),
        (b"", ()),
        (b"  ", ()),
        ((b"UN", b"4 "), (4,)),
        ((b"LO", b"4 "), (4,)),
        ((b"FD", struct.pack("<2d", 0.5, 2)), (0.5, 2)),
        ((b"SL", struct.pack("<l", -3)), (-3,)),
    ],
)
def test_numbers_in_whatever_vr(raw: bytes, numbers: tuple[float, ...]) -> None:
    notes: list[str] = []
    assert values(notes, SliceThickness=raw).numbers("SliceThickness") == numbers
    assert notes == []


@pytest.mark.parametrize(
    "raw",
    [
        b"1,5",
        b"abc",
        b"1_0",
        b"nan",
        b"1\\inf",
        b"1\\\\2",
        b"\xb2",
        (b"FD", b"\0\0\0"),
        (b"FL", struct.pack("<f", float("nan"))),
    ],
)
def test_what_is_no_number_is_absent_and_noted(raw: bytes) -> None:
    notes: list[str] = []
    found = values(notes, SliceThickness=raw)
    assert found.numbers("SliceThickness") == ()
    assert found.number("SliceThickness") is None
    assert notes == ["Slice Thickness is not a number"], "once, however often it is asked for"


def test_binary_numbers_need_the_dictionary_when_no_vr_is_stated() -> None:
    assert values(Rows=b"\x02\x01").whole("Rows") == 258
    big = {VOCABULARY.tags["Rows"]: Element(b"", b"\x02\x01", False)}
    assert Values(big, VOCABULARY, []).whole("Rows") == 513


def test_a_fraction_is_no_whole_number() -> None:
    notes: list[str] = []
    found = values(notes, EchoNumbers=b"1.5", InstanceNumber=b"3.0")
    assert found.whole("EchoNumbers") is None
    assert found.whole("InstanceNumber") == 3
    assert found.whole("AcquisitionNumber") is None
    assert notes == ["Echo Number(s) is not a whole number"]


@pytest.mark.parametrize(
    ("raw", "day"),
    [
        (b"20240229", date(2024, 2, 29)),
        (b"2024.02.29", date(2024, 2, 29)),
        (b"2024-02-29", date(2024, 2, 29)),
        (b"20240229\\20250101", date(2024, 2, 29)),
        (b"00010101", None),
        (b"18991231", None),
        (b"19000101", date(1900, 1, 1)),
        (b"", None),
    ],
)
def test_dates(raw: bytes, day: date | None) -> None:
    notes: list[str] = []
    assert values(notes, StudyDate=raw).day("StudyDate") == day
    assert notes == []


@pytest.mark.parametrize("raw", [b"20240230", b"2024", b"yesterday", b"99999999"])
def test_what_is_no_date_is_noted_without_repeating_it(raw: bytes) -> None:
    notes: list[str] = []
    assert values(notes, PatientBirthDate=raw).day("PatientBirthDate") is None
    assert notes == ["Patient's Birth Date is not a date"]


@pytest.mark.parametrize(
    ("clock", "told"),
    [
        (b"101112.5", datetime(2024, 2, 29, 10, 11, 12, 500000)),
        (b"10:11:12", datetime(2024, 2, 29, 10, 11, 12)),
        (b"1011", datetime(2024, 2, 29, 10, 11)),
        (b"", datetime(2024, 2, 29)),
        (b"noon", datetime(2024, 2, 29)),
        (b"256199", datetime(2024, 2, 29)),
    ],
)
def test_moments(clock: bytes, told: datetime) -> None:
    """TM and DT of PS3.5 table 6.2-1; a time that is none leaves the day."""
    apart = values(AcquisitionDate=b"20240229", AcquisitionTime=clock)
    assert apart.moment_of("AcquisitionDate", "AcquisitionTime") == told
    assert values(AcquisitionTime=clock).moment_of("AcquisitionDate", "AcquisitionTime") is None


def test_date_times_lose_their_zone() -> None:
    for raw in (b"20240229101112.5+0100", b"20240229101112.5-0500", b"20240229101112.5"):
        told = values(AcquisitionDateTime=raw).moment("AcquisitionDateTime")
        assert told == datetime(2024, 2, 29, 10, 11, 12, 500000)
    assert values().moment("AcquisitionDateTime") is None


@pytest.mark.filterwarnings("ignore::UserWarning:pydicom")
@pytest.mark.parametrize("path", CHARACTER_SETS, ids=lambda path: Path(path).name)
def test_names_in_every_character_set_are_what_pydicom_reads(path: str) -> None:
    """Files bundled with pydicom 3 for the character sets of PS3.5 annexes H to K."""
    theirs = pydicom.dcmread(path, force=True)
    envelope = unseal(BytesIO(Path(path).read_bytes()).read, VOCABULARY)
    kept: Elements = {}
    envelope.walk.until(EVERYTHING, kept)
    found = Values(kept, VOCABULARY, [])
    theirs.decode()
    assert found.text("PatientName").rstrip("=") == str(theirs.PatientName).strip()


def test_an_unknown_character_set_is_noted_and_text_stays_readable() -> None:
    notes: list[str] = []
    found = values(notes, SpecificCharacterSet=b"KLINGON", PatientName=b"M\xfcller^A")
    assert found.text("PatientName") == "Müller^A"
    assert notes == ["Specific Character Set is unknown"]


def test_text_that_does_not_fit_its_character_set_is_not_lost() -> None:
    found = values(SpecificCharacterSet=b"ISO_IR 192", PatientName=b"M\xfcller^A")
    assert found.text("PatientName") == "M�ller^A"


def test_items_of_what_is_no_sequence_and_text_of_what_is_one() -> None:
    nested = {VOCABULARY.tags["CodeValue"]: Element(b"", b"X", True)}
    elements = {
        VOCABULARY.tags["AnatomicRegionSequence"]: Element(b"SQ", [nested], True),
        VOCABULARY.tags["CodeValue"]: Element(b"SH", b"Y", True),
    }
    found = Values(elements, VOCABULARY, [])
    assert found.items("CodeValue") == ()
    assert found.item("CodeValue") is None
    assert found.text("AnatomicRegionSequence") == ""
    assert found.numbers("AnatomicRegionSequence") == ()
    assert found.item("AnatomicRegionSequence").text("CodeValue") == "X"
    assert "CodeValue" in found
    assert "CodeValue" not in found.empty()


def test_a_misspelt_keyword_is_no_attribute() -> None:
    with pytest.raises(ValueError, match="PatientNaem"):
        Vocabulary(["PatientName", "PatientNaem"])
