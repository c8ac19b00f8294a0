"""What the values of a map of fat fractions stand for, by its Real World Value Mapping.

Source: PS3.3 C.7.6.16.2.11: a real value is slope times stored value plus intercept, in the unit
that the mapping codes (UCUM), and does not depend on the rescaling of the Modality LUT.
"""

from __future__ import annotations

from io import BytesIO

import mr_objects as objects
import numpy as np
import pytest

from imgtrack.dicom.pixels import load_volume
from imgtrack.dicom.stacks import stacks

STORED = np.arange(24).reshape(4, 6)
MAP = ["DERIVED", "PRIMARY", "FF"]


def mapping(unit, slope=0.1, intercept=-2.0, scheme="UCUM"):
    coded = objects.item(CodeValue=unit, CodingSchemeDesignator=scheme, CodeMeaning=unit)
    return objects.item(
        RealWorldValueSlope=slope,
        RealWorldValueIntercept=intercept,
        MeasurementUnitsCodeSequence=coded,
    )


def loaded(ds):
    """Load an object through its header, as an intake does."""
    raw = objects.encoded(ds)
    (stack,) = stacks([objects.header(ds)])
    return load_volume(stack, lambda _: BytesIO(raw))


def image(**attributes):
    return loaded(objects.mr(**attributes))


@pytest.mark.parametrize(("unit", "factor"), [("%", 1.0), ("1", 100.0)])
def test_a_map_that_says_its_unit_is_loaded_in_percent(unit, factor):
    volume = image(ImageType=MAP, RealWorldValueMappingSequence=mapping(unit))
    assert volume.unit == "%"
    np.testing.assert_allclose(volume.values[0], factor * (0.1 * STORED - 2.0), rtol=1e-6)


def test_the_mapping_goes_from_stored_values_whatever_the_rescaling():
    scaled = {"RescaleSlope": 7, "RescaleIntercept": 3}
    volume = image(ImageType=MAP, RealWorldValueMappingSequence=mapping("%"), **scaled)
    np.testing.assert_allclose(volume.values[0], 0.1 * STORED - 2.0, rtol=1e-6)


@pytest.mark.parametrize(
    "attributes",
    [
        {"ImageType": MAP},
        {"ImageType": MAP, "RescaleSlope": 0.1, "RescaleIntercept": 0},
        {"ImageType": MAP, "RealWorldValueMappingSequence": mapping("ms")},
        {"ImageType": MAP, "RealWorldValueMappingSequence": mapping("%", scheme="99OWN")},
        {"RealWorldValueMappingSequence": mapping("%")},
    ],
    ids=["nothing", "rescaling", "another unit", "another scheme", "no map"],
)
def test_without_it_nothing_is_taken_for_percent(attributes):
    volume = image(**attributes)
    assert volume.unit == ""


def test_each_frame_of_an_enhanced_map_has_its_own():
    ds = objects.enhanced([(0.0, 0.0, 0.0), (0.0, 3.0, 0.0)])
    for number, frame in enumerate(ds.PerFrameFunctionalGroupsSequence):
        frame.RealWorldValueMappingSequence = mapping("%", slope=1.0 + number, intercept=0.0)
        frame.MRImageFrameTypeSequence = objects.item(FrameType=MAP)
    volume = loaded(ds)
    order = [frame.number - 1 for frame in volume.stack.frames]
    stored = np.frombuffer(ds.PixelData, dtype="<u2").reshape(2, 4, 6)[order]
    slopes = np.array(order)[:, np.newaxis, np.newaxis] + 1.0
    np.testing.assert_allclose(volume.values, slopes * stored)
    assert volume.unit == "%"
