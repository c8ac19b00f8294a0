"""Load the pixels of a stack, and record which decoders read them."""

from __future__ import annotations

import warnings
from collections import defaultdict
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, BinaryIO

import numpy as np
from pydicom import dcmread
from pydicom.pixels.processing import apply_modality_lut
from pydicom.uid import UID, JPEGBaseline8Bit, JPEGExtended12Bit, JPEGLSNearLossless

from imgtrack.dicom.archives import READ_FAULTS
from imgtrack.dicom.decoding import Undecodable, decode_frame
from imgtrack.dicom.real_world import PERCENT, percent_scale
from imgtrack.dicom.records import Part
from imgtrack.dicom.sources import Source
from imgtrack.domain.errors import Fault, InvalidInput

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence

    from numpy.typing import NDArray
    from pydicom.dataset import Dataset

    from imgtrack.dicom.records import Frame
    from imgtrack.dicom.stacks import Stack

LOSSY = frozenset({JPEGBaseline8Bit, JPEGExtended12Bit, JPEGLSNearLossless})
"""Transfer syntaxes that always lose something; JPEG 2000 may, its header tells."""

PIXEL_LIMIT = 2**30
"""Pixels of one stack beyond which it is refused rather than loaded."""


@dataclass(frozen=True, slots=True, eq=False)
class Volume:
    """The pixels of a stack.

    Attributes
    ----------
    stack
        The stack, with the geometry of every slice.
    values
        (slices, rows, columns): stored whole numbers where no rescaling is stated, else real
        values as float32; percent where ``unit`` says so.
    decoders
        Names of the decoders that were used, each once; ``none`` for pixels not compressed.
    inverted
        Whether high values are meant to be shown dark (MONOCHROME1).
    lossy
        Whether any slice was ever compressed with loss, as its header or encoding tells.
    unit
        ``%`` for a map of fat fractions that says what its values stand for; else empty.
    """

    stack: Stack
    values: NDArray[Any]
    decoders: tuple[str, ...]
    inverted: bool
    lossy: bool
    unit: str = ""


@dataclass(frozen=True, slots=True, eq=False)
class _Slice:
    """One loaded slice."""

    values: NDArray[Any]
    decoder: str
    inverted: bool
    lossy: bool
    unit: str


def load_volume(stack: Stack, opener: Callable[[Source], BinaryIO] = Source.open) -> Volume:
    """Load and rescale the pixels of a stack.

    Parameters
    ----------
    stack
        The stack; its frames say which objects hold the pixels.
    opener
        Opens the bytes of an object.

    Returns
    -------
    Volume
        In the order of the stack's frames.

    Raises
    ------
    InvalidInput
        With a fault for every object whose pixels cannot be read, or are not what its header
        says.
    """
    first = stack.frames[0]
    size = len(stack.frames) * first.rows * first.columns
    if size > PIXEL_LIMIT:
        raise InvalidInput(Fault("too many pixels to load", "", f"{PIXEL_LIMIT}", f"{size}"))
    places: defaultdict[Source, list[int]] = defaultdict(list)
    for place, frame in enumerate(stack.frames):
        places[frame.source].append(place)
    slices: dict[int, _Slice] = {}
    faults: list[Fault] = []
    for source, wanted in places.items():
        try:
            frames = [stack.frames[place] for place in wanted]
            with warnings.catch_warnings():
                warnings.simplefilter("ignore")  # the header's notes tell what is odd about it
                slices.update(zip(wanted, _load(source, frames, stack, opener), strict=True))
        except (Undecodable, *READ_FAULTS) as fault:
            step = "ask for the image again, uncompressed"
            faults.append(Fault("pixels cannot be read", source.label, "", str(fault), step))
    if faults:
        raise InvalidInput(faults)
    ordered = [slices[place] for place in range(len(stack.frames))]
    return Volume(
        stack=stack,
        values=np.stack([loaded.values for loaded in ordered]),
        decoders=tuple(dict.fromkeys(loaded.decoder for loaded in ordered)),
        inverted=ordered[0].inverted,
        lossy=any(loaded.lossy for loaded in ordered),
        unit=PERCENT if all(loaded.unit == PERCENT for loaded in ordered) else "",
    )


def _load(
    source: Source, frames: Sequence[Frame], stack: Stack, opener: Callable[[Source], BinaryIO]
) -> Iterator[_Slice]:
    """Yield the wanted frames of one object."""
    dataset = _dataset(source, stack.header.transfer_syntax_uid, opener)
    is_rescaled = any(frame.rescale != (1.0, 0.0) for frame in stack.frames)
    is_real = is_rescaled or _has_table(dataset)
    is_map = stack.frames[0].part is Part.FAT_FRACTION
    for frame in frames:
        stored, decoder = decode_frame(dataset, frame.number - 1)
        if stored.shape != (frame.rows, frame.columns):
            raise Undecodable(f"expected {frame.rows} x {frame.columns}, found {stored.shape}")
        share = percent_scale(dataset, frame.number) if is_map else None
        yield _Slice(
            _real(stored, frame, dataset, share) if is_real or share else stored,
            decoder,
            inverted=dataset.get("PhotometricInterpretation") == "MONOCHROME1",
            lossy=dataset.get("LossyImageCompression") == "01"
            or dataset.file_meta.TransferSyntaxUID in LOSSY,
            unit=PERCENT if share else "",
        )


def _dataset(source: Source, transfer_syntax: str, opener: Callable[[Source], BinaryIO]) -> Dataset:
    """Return a whole object; files without meta header get the syntax their bytes show."""
    with opener(source) as stream:
        try:
            dataset = dcmread(stream, force=True)
            dataset.file_meta.TransferSyntaxUID = UID(
                dataset.file_meta.get("TransferSyntaxUID") or transfer_syntax
            )
        except READ_FAULTS:
            raise
        except Exception as fault:
            raise Undecodable(f"{type(fault).__name__}: {fault}") from fault
    return dataset


def _has_table(dataset: Dataset) -> bool:
    return bool(dataset.get("ModalityLUTSequence"))


def _real(
    stored: NDArray[Any], frame: Frame, dataset: Dataset, share: tuple[float, float] | None
) -> NDArray[np.float32]:
    """Return real values: percent of a map, else by the Modality LUT, its table before its line."""
    if share is None and _has_table(dataset):
        return apply_modality_lut(stored, dataset).astype(np.float32)
    slope, intercept = share or frame.rescale
    return (stored * np.float64(slope) + intercept).astype(np.float32)
