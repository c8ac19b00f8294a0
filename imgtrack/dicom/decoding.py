"""Turn stored pixel data into arrays, with whichever decoder can, and tell which one did.

Decoders come with pydicom and with packages it finds; what none of them reads goes through the
GDCM library inside SimpleITK, which wants a file: a temporary one with the pixels and their
description, without anything about the patient.
"""

from __future__ import annotations

from contextlib import suppress
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING, Any

import numpy as np
import SimpleITK
from pydicom.dataset import Dataset, FileMetaDataset
from pydicom.encaps import encapsulate, get_frame
from pydicom.pixels.decoders.base import get_decoder
from pydicom.uid import (
    AllTransferSyntaxes,
    DeflatedExplicitVRLittleEndian,
    ExplicitVRBigEndian,
    ExplicitVRLittleEndian,
    ImplicitVRLittleEndian,
    SecondaryCaptureImageStorage,
    generate_uid,
)

if TYPE_CHECKING:
    from collections.abc import Iterator

    from numpy.typing import NDArray
    from pydicom.uid import UID

NATIVE = frozenset(
    {
        ImplicitVRLittleEndian,
        ExplicitVRLittleEndian,
        ExplicitVRBigEndian,
        DeflatedExplicitVRLittleEndian,
    }
)
"""Transfer syntaxes of pixels that are not compressed."""

UNCOMPRESSED = "none"
"""Name of the decoder of pixels that are not compressed."""

FALLBACK = "SimpleITK GDCM"
"""Name of the decoder of last resort."""

DESCRIPTION = (
    "SamplesPerPixel",
    "Rows",
    "Columns",
    "BitsAllocated",
    "BitsStored",
    "HighBit",
    "PixelRepresentation",
)
"""Attributes that describe stored pixels (PS3.3 C.7.6.3)."""


class Undecodable(Exception):  # noqa: N818 - becomes a fault of the stack
    """No decoder can read the pixels; carries what each of them said."""


def decode_frame(dataset: Dataset, index: int) -> tuple[NDArray[Any], str]:
    """Decode one frame.

    Parameters
    ----------
    dataset
        With pixel data and with the transfer syntax in its file meta information.
    index
        Number of the frame, from 0.

    Returns
    -------
    ndarray of shape (rows, columns)
        Stored values, not rescaled, in the machine's byte order.
    str
        Name of the decoder.

    Raises
    ------
    Undecodable
        If no decoder can.
    """
    said: list[str] = []
    syntax = dataset.file_meta.TransferSyntaxUID
    for name in _decoders(syntax):
        try:
            pixels = _decode_with(name, dataset, index)
        except Exception as fault:  # noqa: BLE001 - decoders raise whatever their libraries do
            said.append(f"{name}: {type(fault).__name__}: {fault}")
        else:
            return pixels.astype(pixels.dtype.newbyteorder("="), copy=False), name
    raise Undecodable("; ".join(said) or f"unknown transfer syntax {syntax}")


def _decoders(syntax: UID) -> Iterator[str]:
    """Yield the names of the decoders to try, in this order; none for an unknown syntax."""
    if syntax in NATIVE:
        yield UNCOMPRESSED
    elif syntax in AllTransferSyntaxes:
        with suppress(NotImplementedError):
            yield from (f"pydicom {name}" for name in get_decoder(syntax).available_plugins)
        yield FALLBACK


def _decode_with(name: str, dataset: Dataset, index: int) -> NDArray[Any]:
    if name == FALLBACK:
        return _decode_with_gdcm(dataset, index)
    plugin = "" if name == UNCOMPRESSED else name.removeprefix("pydicom ")
    decoder = get_decoder(dataset.file_meta.TransferSyntaxUID)
    pixels, _ = decoder.as_array(dataset, index=index, raw=True, decoding_plugin=plugin)
    return pixels


def _decode_with_gdcm(dataset: Dataset, index: int) -> NDArray[Any]:
    """Decode one compressed frame through a temporary file that holds nothing but pixels."""
    bare = Dataset()
    for keyword in DESCRIPTION:
        setattr(bare, keyword, dataset[keyword].value)
    bare.PhotometricInterpretation = "MONOCHROME2"  # GDCM would invert MONOCHROME1
    count = int(dataset.get("NumberOfFrames") or 1)
    bare.PixelData = encapsulate([get_frame(dataset.PixelData, index, number_of_frames=count)])
    bare.SOPClassUID, bare.SOPInstanceUID = SecondaryCaptureImageStorage, generate_uid()
    bare.file_meta = FileMetaDataset()
    bare.file_meta.TransferSyntaxUID = dataset.file_meta.TransferSyntaxUID
    with TemporaryDirectory() as folder:
        path = Path(folder) / "frame.dcm"
        bare.save_as(path, enforce_file_format=True)
        image = SimpleITK.ReadImage(str(path), imageIO="GDCMImageIO")
    pixels: NDArray[Any] = np.squeeze(SimpleITK.GetArrayFromImage(image), axis=0)
    return pixels
