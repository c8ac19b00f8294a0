"""Measuring in a folder of files, without a study."""

from __future__ import annotations

import numpy as np
import pytest
from blindness import found_in
from intake_samples import write_study

from imgtrack.desk.cases.loose import loose_form, open_loose
from imgtrack.domain.errors import InvalidInput, Refused
from imgtrack.domain.form import Purpose, review
from imgtrack.domain.imaging import Modality
from imgtrack.domain.protocol import Plane
from imgtrack.domain.subjects import Side


@pytest.fixture
def folder(scans):
    """One study of three series, beside a file that is no image."""
    write_study(scans)
    (scans / "letter.txt").write_text("no image")
    return scans


def test_every_series_is_shown_with_the_geometry_and_pixels_of_its_files(folder):
    booth = open_loose(folder)
    with booth.open_next() as case:
        assert [each.plane for each in case.series] == [
            Plane.CORONAL_OBLIQUE,
            Plane.SAGITTAL_OBLIQUE,
            Plane.SAGITTAL_OBLIQUE,
        ]
        coronal = case.series[0]
        assert coronal.spacing_mm == pytest.approx(4.4, abs=1e-4)  # as the samples place them
        assert coronal.images[0].spacing == (0.5, 0.5)
        pixels = case.pixels(coronal.alias).values
        assert np.array_equal(np.sort(pixels[:, 0, 0]), [0, 1, 2])
        assert case.side is Side.RIGHT
    assert booth.open_next() is None
    booth.close()


def test_files_that_cannot_be_used_are_counted(folder):
    assert open_loose(folder).left_out == 1  # the letter


def test_nothing_in_the_case_tells_whose_images_they_are(folder):
    with open_loose(folder).open_next() as case:
        for series in case.series:
            case.pixels(series.alias)
        told = ("Doe", "P-001", "19600102", "1960-01-02", "ACC77", "20310601", "1.2.1", str(folder))
        assert found_in(case, told) == set()


def test_nothing_is_kept_and_nothing_is_signed(folder):
    before = sorted(folder.rglob("*"))
    booth = open_loose(folder)
    case = booth.open_next()
    assert booth.save(case, {}) == 0
    with pytest.raises(Refused, match="nothing is signed"):
        booth.sign(case, "any phrase")
    booth.close()
    assert sorted(folder.rglob("*")) == before


@pytest.mark.parametrize("modality", [Modality.MR, Modality.DIGITAL_RADIOGRAPHY])
def test_every_measurement_is_asked_and_none_is_required(modality):
    form = loose_form(modality)
    assert form.questions
    looked = review(form, {}, purpose=Purpose.SIGNING)
    assert not looked.faults
    assert {each.state.value for each in looked.asking.values()} == {"asked"}


def test_a_folder_without_images_says_why(tmp_path):
    (tmp_path / "letter.txt").write_text("no image")
    with pytest.raises(InvalidInput, match="no image to measure") as caught:
        open_loose(tmp_path)
    assert len(caught.value.faults) == 2
    with pytest.raises(InvalidInput, match="no image to measure"):
        open_loose(tmp_path / "not there")
