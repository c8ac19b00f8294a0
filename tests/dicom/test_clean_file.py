"""Originals become de-identified files, or are refused whatever their bytes hold."""

from __future__ import annotations

from io import BytesIO
from pathlib import Path

import pydicom
import pytest
from pydicom.data import get_testdata_file

from imgtrack.dicom import clean_file
from imgtrack.dicom.clean_file import cleaned_file
from imgtrack.dicom.deidentify import Deidentifier, TrialLabels
from imgtrack.dicom.deidentify.uncleanable import Uncleanable
from imgtrack.dicom.headers import read_header
from imgtrack.dicom.sources import Refusal, Source


@pytest.fixture
def deidentifier():
    return Deidentifier(b"0123456789abcdef", "S1", TrialLabels("protocol"))


@pytest.fixture
def content():
    """A small MR image that comes with pydicom."""
    with Path(get_testdata_file("MR_small.dcm")).open("rb") as file:
        return file.read()


def header_of(content):
    return read_header(Source.of_bytes("here.dcm", content))


def test_a_clean_file_is_a_dicom_file(content, deidentifier):
    clean = cleaned_file(header_of(content), deidentifier)
    original = pydicom.dcmread(BytesIO(content))
    written = pydicom.dcmread(BytesIO(clean))
    assert written.PatientID == "S1"
    assert (written.pixel_array == original.pixel_array).all()


def test_a_file_without_meta_header_is_read_as_its_bytes_show(content, deidentifier):
    dataset = pydicom.dcmread(BytesIO(content))
    bare = BytesIO()
    pydicom.dcmwrite(bare, pydicom.Dataset(dataset), implicit_vr=True, little_endian=True)
    clean = cleaned_file(header_of(bare.getvalue()), deidentifier)
    written = pydicom.dcmread(BytesIO(clean))
    assert (written.pixel_array == dataset.pixel_array).all()


def test_a_file_that_went_away_is_refused(content, deidentifier, tmp_path):
    path = tmp_path / "gone.dcm"
    path.write_bytes(content)
    header = read_header(Source(str(path), path))
    path.unlink()
    refusal = cleaned_file(header, deidentifier)
    assert (refusal.source, refusal.reason) == (str(path), "the file cannot be read")
    assert refusal.found == "FileNotFoundError"


@pytest.mark.parametrize(
    ("error", "reason"),
    [
        (ValueError("Doe^Jane"), "the image cannot be rewritten"),
        (MemoryError(), "the image cannot be rewritten"),
        (Uncleanable("a value cannot be written"), "a value cannot be written"),
    ],
)
def test_what_cannot_be_written_is_refused_without_quoting_it(
    content, deidentifier, monkeypatch, error, reason
):
    def broken(_dataset):
        raise error

    monkeypatch.setattr(clean_file, "encode", broken)
    refusal = cleaned_file(header_of(content), deidentifier)
    assert isinstance(refusal, Refusal)
    assert refusal.reason == reason
    assert "Doe" not in str(refusal.fault)
