"""The kinds of image a study takes in, and which attributes of each may stay.

Only what is listed in ``kept.csv`` can be in a cleaned image. The list holds the attributes of
the image's own object definition (PS3.3 A.2, A.4, A.8, A.26, A.36) with their types, without
what the profile always removes and without what nobody needs to read a shoulder: specimens,
treatment, animals, implanted and contributing devices, requests, codes of local procedures,
signatures, icons, overlays, and addresses of servers.
"""

from __future__ import annotations

import csv
from enum import StrEnum
from functools import cache
from types import MappingProxyType
from typing import TYPE_CHECKING, NamedTuple

from pydicom import uid

from imgtrack.dicom.deidentify.profile import data_lines

if TYPE_CHECKING:
    from collections.abc import Mapping


class Kind(StrEnum):
    """A kind of image object, named as its column in ``kept.csv``."""

    MR = "mr"
    ENHANCED_MR = "enhanced_mr"
    CR = "cr"
    DX = "dx"
    SECONDARY_CAPTURE = "secondary_capture"


class Need(StrEnum):
    """Type of an attribute in its object definition (PS3.5 section 7.4)."""

    VALUE = "1"
    VALUE_IF = "1C"
    PRESENCE = "2"
    PRESENCE_IF = "2C"
    NONE = "3"

    @property
    def of_value(self) -> bool:
        """Whether it must have a value."""
        return self in {Need.VALUE, Need.VALUE_IF}

    @property
    def of_presence(self) -> bool:
        """Whether it must be there, empty if need be."""
        return self in {Need.PRESENCE, Need.PRESENCE_IF}


class Place(NamedTuple):
    """Where an attribute stands: keyword of the sequence that holds it, and its tag.

    The keyword is empty at the top of the data set.
    """

    parent: str
    tag: int


KIND_OF_SOP_CLASS: Mapping[str, Kind] = MappingProxyType(
    {
        uid.MRImageStorage: Kind.MR,
        uid.EnhancedMRImageStorage: Kind.ENHANCED_MR,
        uid.EnhancedMRColorImageStorage: Kind.ENHANCED_MR,
        uid.LegacyConvertedEnhancedMRImageStorage: Kind.ENHANCED_MR,
        uid.ComputedRadiographyImageStorage: Kind.CR,
        uid.DigitalXRayImageStorageForPresentation: Kind.DX,
        uid.DigitalXRayImageStorageForProcessing: Kind.DX,
        uid.SecondaryCaptureImageStorage: Kind.SECONDARY_CAPTURE,
        uid.MultiFrameSingleBitSecondaryCaptureImageStorage: Kind.SECONDARY_CAPTURE,
        uid.MultiFrameGrayscaleByteSecondaryCaptureImageStorage: Kind.SECONDARY_CAPTURE,
        uid.MultiFrameGrayscaleWordSecondaryCaptureImageStorage: Kind.SECONDARY_CAPTURE,
        uid.MultiFrameTrueColorSecondaryCaptureImageStorage: Kind.SECONDARY_CAPTURE,
    }
)


@cache
def kept(kind: Kind) -> Mapping[Place, Need]:
    """Return which attributes of a kind of image may stay, and how they are needed."""
    _, *lines = data_lines("kept.csv")
    return MappingProxyType(
        {
            Place(line["parent"], int(line["tag"], 16)): Need(line[kind])
            for line in csv.DictReader(lines)
            if line[kind]
        }
    )
