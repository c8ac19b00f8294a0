"""De-identification of images: the profile applied to whole data sets."""

from __future__ import annotations

import hmac
import warnings
from io import BytesIO
from typing import TYPE_CHECKING

from pydicom import config, dcmwrite, uid
from pydicom.dataelem import DataElement
from pydicom.dataset import FileMetaDataset

from imgtrack.dicom.deidentify.burned import burned_in
from imgtrack.dicom.deidentify.dates import date_shift
from imgtrack.dicom.deidentify.items import Rebuilding
from imgtrack.dicom.deidentify.kinds import KIND_OF_SOP_CLASS, Kind
from imgtrack.dicom.deidentify.labels import TrialLabels, label_faults, write_labels
from imgtrack.dicom.deidentify.pixels import pure_pixels
from imgtrack.dicom.deidentify.rules import rules
from imgtrack.dicom.deidentify.uids import KeyedUids, UidMap
from imgtrack.dicom.deidentify.uncleanable import Uncleanable
from imgtrack.dicom.deidentify.values import Replacements, read, standard_name, texts
from imgtrack.dicom.deidentify.words import Vocabulary
from imgtrack.domain.errors import Fault, InvalidInput

if TYPE_CHECKING:
    from collections.abc import Collection, Iterator

    from pydicom.dataset import Dataset

    from imgtrack.dicom.deidentify.private import SafePrivate
    from imgtrack.dicom.sources import Refusal

IMPLEMENTATION_UID = uid.UID("2.25.122183188232158025325702281970407338929")
"""Names this program in file meta information; name-based UUID of ``urn:imgtrack``."""

IMPLEMENTATION_NAME = "IMGTRACK"

LEAST_SECRET_BYTES = 16

NATIVE = frozenset(
    {
        uid.ImplicitVRLittleEndian,
        uid.ExplicitVRLittleEndian,
        uid.DeflatedExplicitVRLittleEndian,
        uid.ExplicitVRBigEndian,
    }
)
COMPRESSED = frozenset(
    {
        uid.JPEGBaseline8Bit,
        uid.JPEGExtended12Bit,
        uid.JPEGLossless,
        uid.JPEGLosslessSV1,
        uid.JPEGLSLossless,
        uid.JPEGLSNearLossless,
        uid.JPEG2000Lossless,
        uid.JPEG2000,
        uid.HTJ2KLossless,
        uid.HTJ2KLosslessRPCL,
        uid.HTJ2K,
        uid.RLELossless,
    }
)

_SOP_CLASS, _TRANSFER_SYNTAX = 0x00080016, 0x00020010
_IDENTIFIERS = {
    0x00080018: "SOP Instance UID",
    0x0020000D: "Study Instance UID",
    0x0020000E: "Series Instance UID",
}
_PIXELS = 0x7FE00010


class Deidentifier:
    """Turns images of one subject into images nobody can be recognised in.

    Basic profile of DICOM PS3.15 Annex E with the options retain longitudinal modified dates,
    retain patient characteristics and clean descriptors. What is done to each attribute stands
    in :mod:`imgtrack.dicom.deidentify.rules`.

    Parameters
    ----------
    secret
        At least 16 random bytes, from the key file; the same for all subjects of a study, so that
        UIDs stay consistent between them.
    subject
        Subject code, written in place of name and ID.
    trial
        What the images say of the study.
    uid_map
        Replacement of UIDs; derived from the secret by default.
    date_shift_days
        Days by which dates are moved; derived from the secret by default.
    safe_private
        Private attributes a person declares to be safe; none by default.
    extra_words
        Further words that may stand in descriptions.

    Raises
    ------
    InvalidInput
        With everything that is wrong with the parameters.
    """

    def __init__(
        self,
        secret: bytes,
        subject: str,
        trial: TrialLabels,
        *,
        uid_map: UidMap | None = None,
        date_shift_days: int | None = None,
        safe_private: Collection[SafePrivate] = (),
        extra_words: Collection[str] = (),
    ) -> None:
        faults = [*_faults(secret, safe_private), *label_faults("subject", subject, needed=True)]
        if faults:
            raise InvalidInput(faults)
        self._subject, self._trial = subject, trial
        self._safe_private = tuple(safe_private)
        self._secret = secret
        self._uids = uid_map if uid_map is not None else KeyedUids(secret)
        self._days = date_shift(secret, subject) if date_shift_days is None else date_shift_days
        self._words = Vocabulary.load(extra_words)

    @property
    def date_shift_days(self) -> int:
        """Days by which the dates of this subject are moved."""
        return self._days

    def clean(
        self, dataset: Dataset, *, label: str = "", pixels_seen_clean: bool = False
    ) -> Dataset | Refusal:
        """Return a de-identified copy of an image, or why there is none.

        Not to be called from several threads at once: the reader's checks and warnings, which
        quote what they read, are silenced for the whole process meanwhile.

        Parameters
        ----------
        dataset
            The image as read or received; not altered.
        label
            Label of its source, for the refusal.
        pixels_seen_clean
            Whether a person has looked at the pixels and found nobody named in them.

        Returns
        -------
        Dataset or Refusal
            The copy with its file meta information, native pixels in Explicit VR Little Endian,
            compressed ones as they were; `encode` gives its bytes.
        """
        with config.disable_value_validation(), warnings.catch_warnings():
            warnings.simplefilter("ignore")
            try:
                return self._cleaned(dataset, pixels_seen_clean=pixels_seen_clean)
            except Uncleanable as reason:
                return reason.refusal(label)

    def _cleaned(self, dataset: Dataset, *, pixels_seen_clean: bool) -> Dataset:
        kind = _kind(dataset)
        if not pixels_seen_clean:
            _refuse_burned(dataset, kind)
        for tag, name in _IDENTIFIERS.items():
            _one(dataset, tag, name)
        syntax, little = _encoding(dataset)
        by = Replacements(self._uids, self._days, self._words, self._label, swapped=not little)
        new = Rebuilding(rules(kind), by, self._safe_private).dataset(dataset)
        pixels = pure_pixels(dataset, syntax, little=little)
        if pixels is not None:
            new.add(_pixel_element(pixels, new, compressed=syntax.is_encapsulated))
        if pixels_seen_clean:
            new.BurnedInAnnotation = "NO"
        write_labels(new, self._subject, self._trial, safe_private=bool(self._safe_private))
        new.file_meta = _meta(new, syntax)
        return new

    def _label(self, original: str) -> str:
        text = b"imgtrack label\0" + original.encode(errors="surrogatepass")
        return hmac.digest(self._secret, text, "sha256").hex()[:12].upper()


def encode(dataset: Dataset) -> bytes:
    """Return a de-identified image as the bytes of a DICOM file (PS3.10), its preamble empty."""
    buffer = BytesIO()
    dcmwrite(buffer, dataset, enforce_file_format=True)
    return buffer.getvalue()


def _faults(secret: bytes, safe_private: Collection[SafePrivate]) -> Iterator[Fault]:
    if len(secret) < LEAST_SECRET_BYTES:
        expected, found = f"at least {LEAST_SECRET_BYTES} bytes", f"{len(secret)} bytes"
        yield Fault("the secret is too short", "", expected, found)
    for each in safe_private:
        if not each.group % 2 or not 0 <= each.element <= 0xFF or not each.creator:
            yield Fault("this is no private attribute", str(each), "creator, odd group, 00 to FF")


def _kind(dataset: Dataset) -> Kind:
    sop_class = _one(dataset, _SOP_CLASS, "SOP Class UID")
    kind = KIND_OF_SOP_CLASS.get(sop_class)
    if kind is None:
        found = standard_name(sop_class) or "an object the standard does not know"
        raise Uncleanable("a study has no use for this", "an MR image or a radiograph", found)
    return kind


def _refuse_burned(dataset: Dataset, kind: Kind) -> None:
    reason = burned_in(dataset, kind)
    if reason:
        raise Uncleanable(
            "the patient may be named in the pixels",
            "pixels without text",
            reason,
            "look at the images; when they are clean, say so and take them in again",
        )


def _one(dataset: Dataset, tag: int, name: str) -> str:
    values = texts(read(dataset, tag)) if tag in dataset else []
    if len(values) != 1 or not values[0]:
        raise Uncleanable(f"{name} is missing", "one UID", f"{len(values)} values")
    return values[0]


def _encoding(dataset: Dataset) -> tuple[uid.UID, bool]:
    """Return the transfer syntax of an image, and whether it is little-endian."""
    _, little = dataset.original_encoding
    meta = getattr(dataset, "file_meta", None)
    stated = texts(read(meta, _TRANSFER_SYNTAX)) if meta and _TRANSFER_SYNTAX in meta else []
    if not stated:
        return uid.ExplicitVRLittleEndian, little is not False
    syntax = uid.UID(stated[0])
    if syntax not in NATIVE | COMPRESSED:
        found = standard_name(syntax) or "one the standard does not know"
        raise Uncleanable("images are not taken in this transfer syntax", found=found)
    return syntax, syntax.is_little_endian


def _pixel_element(pixels: bytes, new: Dataset, *, compressed: bool) -> DataElement:
    words = not compressed and new.get("BitsAllocated", 0) > 8
    element = DataElement(_PIXELS, "OW" if words else "OB", pixels)
    element.is_undefined_length = compressed
    return element


def _meta(new: Dataset, syntax: uid.UID) -> FileMetaDataset:
    meta = FileMetaDataset()
    meta.MediaStorageSOPClassUID = new.SOPClassUID
    meta.MediaStorageSOPInstanceUID = new.SOPInstanceUID
    meta.TransferSyntaxUID = syntax if syntax in COMPRESSED else uid.ExplicitVRLittleEndian
    meta.ImplementationClassUID = IMPLEMENTATION_UID
    meta.ImplementationVersionName = IMPLEMENTATION_NAME
    return meta
