"""Pixels in every encoding and the decoder that read them; SimpleITK and pydicom to compare."""

from __future__ import annotations

from io import BytesIO
from pathlib import Path

import mr_objects as objects
import numpy as np
import pydicom
import pytest
import SimpleITK
from pydicom.data import get_testdata_file
from pydicom.dataset import Dataset
from pydicom.uid import (
    ExplicitVRBigEndian,
    ImplicitVRLittleEndian,
    JPEGLosslessSV1,
    JPEGLSNearLossless,
    RLELossless,
)

from imgtrack.dicom import decoding
from imgtrack.dicom.headers import read_header
from imgtrack.dicom.pixels import Volume, load_volume
from imgtrack.dicom.records import Header
from imgtrack.dicom.sources import Source
from imgtrack.dicom.stacks import stacks
from imgtrack.domain.errors import InvalidInput


def load(*objects_: Dataset | bytes | Path) -> Volume:
    """Load the one stack that objects make."""
    headers = []
    for number, thing in enumerate(objects_):
        if isinstance(thing, Path):
            source = Source(thing.name, thing)
        else:
            raw = thing if isinstance(thing, bytes) else objects.encoded(thing)
            source = Source.of_bytes(f"{number}", raw)
        header = read_header(source)
        assert isinstance(header, Header), header
        headers.append(header)
    (stack,) = stacks(headers)
    return load_volume(stack)


def bundled(name: str) -> Path:
    """Return a file of pydicom or pydicom-data."""
    path = get_testdata_file(name, download=False)
    assert path is not None
    return Path(path)


def test_stored_whole_numbers_stay_as_they_are() -> None:
    slices = objects.series(3)
    for number, ds in enumerate(slices):
        ds.PixelData = np.full(24, number, dtype="<u2").tobytes()
    volume = load(*slices[::-1])
    assert volume.values.dtype == np.uint16
    assert volume.values.shape == (3, 4, 6)
    assert volume.values[:, 0, 0].tolist() == [0, 1, 2]
    assert (volume.decoders, volume.inverted, volume.lossy) == (("none",), False, False)


def test_each_slice_is_rescaled_by_its_own_slope() -> None:
    slices = objects.series(2)
    slices[0].RescaleSlope, slices[0].RescaleIntercept = 0.5, -1
    volume = load(*slices)
    stored = np.arange(24).reshape(4, 6)
    assert volume.values.dtype == np.float32
    np.testing.assert_allclose(volume.values, [stored * 0.5 - 1, stored])


def test_frames_of_an_enhanced_object_are_picked_one_by_one() -> None:
    ds = objects.enhanced([(-120, 6, 80), (-120, 0, 80), (-120, 3, 80)])
    values = load(ds).values
    stored = np.arange(72).reshape(3, 4, 6)
    np.testing.assert_array_equal(values, stored[[1, 2, 0]])


@pytest.mark.parametrize("syntax", [ImplicitVRLittleEndian, ExplicitVRBigEndian])
def test_either_byte_order(syntax: str) -> None:
    ds = objects.mr()
    ds["PixelData"].VR = "OW"
    expected = np.arange(24).reshape(1, 4, 6)
    raw = objects.encoded(ds, syntax)
    if syntax == ExplicitVRBigEndian:
        little, big = np.arange(24, dtype="<u2"), np.arange(24, dtype=">u2")
        raw = raw.replace(little.tobytes(), big.tobytes())
    volume = load(raw)
    np.testing.assert_array_equal(volume.values, expected)
    assert volume.values.dtype.isnative


def test_pixels_of_a_file_without_meta_header() -> None:
    volume = load(objects.encoded(objects.mr())[132:])
    np.testing.assert_array_equal(volume.values[0], np.arange(24).reshape(4, 6))
    ds = objects.mr()
    stream = BytesIO()
    pydicom.dcmwrite(stream, ds, implicit_vr=True, little_endian=True)
    np.testing.assert_array_equal(load(stream.getvalue()).values, volume.values)


SMALL = "MR_small.dcm"
ENCODINGS = {
    "MR_small_RLE.dcm": ("pydicom pydicom", False),
    "MR_small_bigendian.dcm": ("none", False),
    "MR_small_expb.dcm": ("none", False),
    "MR_small_implicit.dcm": ("none", False),
    "MR_small_jp2klossless.dcm": ("pydicom pillow", False),
    "MR_small_jpeg_ls_lossless.dcm": ("pydicom pyjpegls", False),
    "MR_small_padded.dcm": ("none", False),
}


@pytest.mark.parametrize("name", ENCODINGS)
def test_every_lossless_encoding_gives_the_same_pixels(name: str) -> None:
    """One MR image in several encodings, bundled with pydicom 3."""
    volume = load(bundled(name))
    np.testing.assert_array_equal(volume.values, load(bundled(SMALL)).values)
    allowed = {ENCODINGS[name][0], decoding.FALLBACK}  # without the optional decoder
    assert set(volume.decoders) <= allowed


@pytest.mark.parametrize(
    "name", ["MR_small_RLE.dcm", "MR_small_jp2klossless.dcm", "MR_small_jpeg_ls_lossless.dcm"]
)
def test_without_other_decoders_the_fallback_reads_the_same(
    name: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(decoding, "_decoders", lambda _: iter([decoding.FALLBACK]))
    volume = load(bundled(name))
    np.testing.assert_array_equal(volume.values, load_plain().values)
    assert volume.decoders == (decoding.FALLBACK,)


def load_plain() -> Volume:
    """Load the uncompressed image without any fallback."""
    header = read_header(Source(SMALL, bundled(SMALL)))
    assert isinstance(header, Header)
    values = pydicom.dcmread(bundled(SMALL)).pixel_array[np.newaxis]
    return Volume(stacks([header])[0], values, (), inverted=False, lossy=False)


def compressed(values: np.ndarray, syntax: str, tmp_path: Path) -> Dataset:
    """Return an MR object with the pixels SimpleITK's own writer compresses."""
    image = SimpleITK.GetImageFromArray(values[np.newaxis])
    path = tmp_path / "whole.dcm"
    writer = SimpleITK.ImageFileWriter()
    writer.SetFileName(str(path))
    writer.UseCompressionOn()
    writer.SetCompressor(syntax)
    writer.Execute(image)
    theirs = pydicom.dcmread(path)
    ds = objects.mr(Rows=values.shape[0], Columns=values.shape[1])
    ds.PixelData = theirs.PixelData
    ds["PixelData"].VR = "OB"
    ds["PixelData"].is_undefined_length = True
    ds.file_meta = theirs.file_meta
    return ds


def test_lossless_jpeg_goes_through_the_fallback(tmp_path: Path) -> None:
    """Process 14: no decoder among pydicom's usual ones, GDCM wrote and reads it."""
    values = np.random.default_rng(4).integers(0, 4096, (32, 40), dtype=np.uint16)
    ds = compressed(values, "JPEG", tmp_path)
    if ds.file_meta.TransferSyntaxUID not in {JPEGLosslessSV1, "1.2.840.10008.1.2.4.57"}:
        pytest.skip("this SimpleITK writes another JPEG")
    volume = load(objects.encoded(ds, ds.file_meta.TransferSyntaxUID))
    np.testing.assert_array_equal(volume.values[0], values)
    assert volume.decoders == (decoding.FALLBACK,)


SHOULDER = ("MR2_J2KR.dcm", "MR2_UNCR.dcm", "MR2_J2KI.dcm", "MR2_UNCI.dcm")


def test_a_real_shoulder_slice_in_its_encodings() -> None:
    """`MR2_*` of pydicom-data: reversible JPEG 2000 loses nothing, irreversible says so."""
    volumes = {name: load(bundled(name)) for name in SHOULDER}
    np.testing.assert_array_equal(volumes["MR2_J2KR.dcm"].values, volumes["MR2_UNCR.dcm"].values)
    assert [volume.lossy for volume in volumes.values()] == [False, False, True, True]
    stored = pydicom.dcmread(bundled("MR2_UNCR.dcm"))
    real = stored.pixel_array * float(stored.RescaleSlope) + float(stored.RescaleIntercept)
    np.testing.assert_allclose(volumes["MR2_J2KR.dcm"].values[0], real, rtol=1e-6)


def test_overlay_bits_do_not_show() -> None:
    """Bits above those stored hold overlays in some files; SimpleITK as reference."""
    path = bundled("MR-SIEMENS-DICOM-WithOverlays.dcm")
    theirs = SimpleITK.GetArrayFromImage(SimpleITK.ReadImage(str(path)))
    np.testing.assert_array_equal(load(path).values, theirs)


def test_a_radiograph_that_shows_high_values_dark() -> None:
    """SimpleITK turns MONOCHROME1 round: stored and turned values add up to the greatest."""
    path = bundled("RG3_UNCR.dcm")
    volume = load(path)
    theirs = SimpleITK.GetArrayFromImage(SimpleITK.ReadImage(str(path)))
    assert volume.inverted
    assert np.unique(volume.values.astype(int) + theirs.astype(int)).tolist() == [1023]


def test_the_fallback_does_not_turn_high_values_dark(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    values = np.random.default_rng(5).integers(0, 4096, (32, 40), dtype=np.uint16)
    ds = compressed(values, "JPEG2000", tmp_path)
    ds.PhotometricInterpretation = "MONOCHROME1"
    monkeypatch.setattr(decoding, "_decoders", lambda _: iter([decoding.FALLBACK]))
    volume = load(objects.encoded(ds, ds.file_meta.TransferSyntaxUID))
    np.testing.assert_array_equal(volume.values[0], values)
    assert volume.inverted


def test_a_modality_table_is_applied() -> None:
    """PS3.3 C.11.1: entry n of the table is the real value of stored value n."""
    table = Dataset()
    table.add_new(0x00283002, "US", [24, 0, 16])
    table.add_new(0x00283004, "LO", "US")
    table.add_new(0x00283006, "US", [int(n) ** 2 for n in range(24)])
    ds = objects.radiograph()
    ds.add_new(0x00283000, "SQ", [table])
    volume = load(ds)
    assert volume.values.dtype == np.float32
    np.testing.assert_array_equal(volume.values[0], np.arange(24.0).reshape(4, 6) ** 2)


def test_near_lossless_encodings_are_lossy() -> None:
    path = bundled("JPEGLSNearLossless_16.dcm")
    theirs = pydicom.dcmread(path)
    ds = objects.mr(Rows=theirs.Rows, Columns=theirs.Columns, PixelData=None)
    for word in ("BitsAllocated", "BitsStored", "HighBit", "PixelRepresentation", "PixelData"):
        setattr(ds, word, theirs[word].value)
    ds["PixelData"].VR, ds["PixelData"].is_undefined_length = "OB", True
    volume = load(objects.encoded(ds, JPEGLSNearLossless))
    assert volume.lossy
    assert volume.values.shape == (1, theirs.Rows, theirs.Columns)


def refusals(*objects_: Dataset | bytes | Path) -> list[str]:
    """Return the faults of a stack that must not load."""
    with pytest.raises(InvalidInput) as caught:
        load(*objects_)
    return [f"{fault.where}: {fault.what}: {fault.found}" for fault in caught.value.faults]


def test_every_slice_that_cannot_be_read_is_told() -> None:
    slices = objects.series(3)
    whole = objects.encoded(slices[0])
    cut = objects.encoded(slices[1])[:-20]
    del slices[2].PixelData
    told = refusals(whole, cut, objects.encoded(slices[2]))
    assert len(told) == 2
    assert told[0].startswith("1: pixels cannot be read: none: ValueError: The number of bytes")
    assert told[1].startswith("2: pixels cannot be read: none: AttributeError")


def test_a_truncated_file_is_told() -> None:
    """`MR_truncated.dcm` of pydicom 3 lacks its last pixels."""
    (told,) = refusals(bundled("MR_truncated.dcm"))
    assert "less than expected" in told


def test_pixels_no_decoder_knows() -> None:
    ds = objects.mr()
    raw = objects.encoded(ds)
    unknown = raw.replace(b"1.2.840.10008.1.2.1\0", b"1.2.840.99999.1.2.1\0")
    assert refusals(unknown) == [
        "0: pixels cannot be read: unknown transfer syntax 1.2.840.99999.1.2.1"
    ]
    ds.PixelData = bytes(24)
    ds["PixelData"].is_undefined_length = True
    ds["PixelData"].VR = "OB"
    ds.PixelData = b"\xfe\xff\x00\xe0\x00\x00\x00\x00\xfe\xff\x00\xe0\x04\x00\x00\x00junk"
    (told,) = refusals(objects.encoded(ds, RLELossless))
    assert "pydicom pydicom: " in told
    assert f"{decoding.FALLBACK}: " in told
    (told,) = refusals(objects.encoded(ds, "1.2.840.10008.1.2.4.201"))  # high-throughput JPEG 2000
    assert told.count("Error") == 1
    (told,) = refusals(objects.encoded(ds, "1.2.840.10008.1.2.4.100"))  # MPEG-2, no decoder at all
    assert decoding.FALLBACK in told


def test_an_image_of_another_size_than_its_header_is_told() -> None:
    values = np.zeros((8, 8), dtype=np.uint16)
    ds = objects.mr(Rows=8, Columns=8, PixelData=values.tobytes())
    (stack,) = stacks(objects.headers([ds]))
    wrong = objects.mr(Rows=4, Columns=6)
    with pytest.raises(InvalidInput, match="expected 8 x 8, found"):
        load_volume(stack, lambda _: BytesIO(objects.encoded(wrong)))


def test_an_object_that_cannot_be_opened_or_parsed_any_more_is_told() -> None:
    (stack,) = stacks(objects.headers([objects.mr()]))

    def vanished(_: Source) -> BytesIO:
        raise FileNotFoundError(2, "No such file")

    class Failing(BytesIO):
        def read(self, _size: int | None = -1) -> bytes:
            raise OSError(5, "Input/output error")

    with pytest.raises(InvalidInput, match="No such file"):
        load_volume(stack, vanished)
    with pytest.raises(InvalidInput, match="Input/output error"):
        load_volume(stack, lambda _: Failing())
    with pytest.raises(InvalidInput, match="pixels cannot be read"):
        load_volume(stack, lambda _: BytesIO(b"\x08\x00\x05\x00" * 9))


def test_a_stack_too_large_to_load_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("imgtrack.dicom.pixels.PIXEL_LIMIT", 47)
    with pytest.raises(InvalidInput, match="too many pixels"):
        load(*objects.series(2))


def test_the_fallback_leaves_no_file_and_knows_no_patient(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("tempfile.tempdir", str(tmp_path))
    monkeypatch.setattr(decoding, "_decoders", lambda _: iter([decoding.FALLBACK]))
    seen: list[bytes] = []
    real = SimpleITK.ReadImage

    def spy(path: str, **how: object) -> SimpleITK.Image:
        seen.append(Path(path).read_bytes())
        return real(path, **how)

    monkeypatch.setattr(decoding.SimpleITK, "ReadImage", spy)
    ds = pydicom.dcmread(bundled("MR_small_RLE.dcm"))
    assert str(ds.PatientName) == "CompressedSamples^MR1"
    decoding.decode_frame(ds, 0)
    assert len(seen) == 1
    assert b"CompressedSamples" not in seen[0]
    assert list(tmp_path.iterdir()) == []
