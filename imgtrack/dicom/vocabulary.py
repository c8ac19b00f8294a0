"""The attributes intake reads, by their keywords in DICOM PS3.6."""

from __future__ import annotations

from imgtrack.dicom.values import Vocabulary
from imgtrack.domain.imaging import Modality

ENVELOPE = (
    "TransferSyntaxUID",
    "MediaStorageSOPClassUID",
    "MediaStorageSOPInstanceUID",
    "SpecificCharacterSet",
)

IDENTITY = (
    "PatientID",
    "IssuerOfPatientID",
    "PatientName",
    "PatientBirthDate",
    "PatientSex",
    "AccessionNumber",
)

OBJECT = (
    "SOPClassUID",
    "SOPInstanceUID",
    "StudyInstanceUID",
    "SeriesInstanceUID",
    "FrameOfReferenceUID",
    "Modality",
    "StudyDate",
    "SeriesDate",
    "AcquisitionDate",
    "AcquisitionTime",
    "AcquisitionDateTime",
    "StudyDescription",
    "SeriesDescription",
    "ProtocolName",
    "SeriesNumber",
    "AcquisitionNumber",
    "InstanceNumber",
    "Manufacturer",
    "BodyPartExamined",
    "PatientPosition",
    "ViewPosition",
    "Laterality",
    "ImageLaterality",
    "AnatomicRegionSequence",
    "AnatomicRegionModifierSequence",
    "CodeValue",
    "BurnedInAnnotation",
)

GEOMETRY = (
    "ImageOrientationPatient",
    "ImagePositionPatient",
    "SliceLocation",
    "SliceThickness",
    "SpacingBetweenSlices",
    "PixelSpacing",
    "ImagerPixelSpacing",
)

PIXELS = (
    "Columns",
    "NumberOfFrames",
    "PhotometricInterpretation",
    "RescaleIntercept",
    "RescaleSlope",
    "Rows",
    "SamplesPerPixel",
)

PHYSICS = (
    "DiffusionBValue",
    "EchoNumbers",
    "EchoTime",
    "EchoTrainLength",
    "FlipAngle",
    "ImageType",
    "InversionTime",
    "MagneticFieldStrength",
    "RepetitionTime",
    "ScanOptions",
    "ScanningSequence",
    "SequenceName",
    "SequenceVariant",
    "TemporalPositionIdentifier",
    "TriggerTime",
)

ENHANCED = (
    "AcquisitionContrast",
    "CardiacSynchronizationSequence",
    "ComplexImageComponent",
    "EchoPlanarPulseSequence",
    "EchoPulseSequence",
    "EffectiveEchoTime",
    "FrameAcquisitionDateTime",
    "FrameAcquisitionNumber",
    "FrameAnatomySequence",
    "FrameContentSequence",
    "FrameLaterality",
    "FrameType",
    "InStackPositionNumber",
    "InversionRecovery",
    "InversionTimes",
    "MRDiffusionSequence",
    "MREchoSequence",
    "MRImageFrameTypeSequence",
    "MRModifierSequence",
    "MRTimingAndRelatedParametersSequence",
    "NominalCardiacTriggerDelayTime",
    "PerFrameFunctionalGroupsSequence",
    "PixelMeasuresSequence",
    "PixelValueTransformationSequence",
    "PlaneOrientationSequence",
    "PlanePositionSequence",
    "PulseSequenceName",
    "SharedFunctionalGroupsSequence",
    "SpectrallySelectedExcitation",
    "SpectrallySelectedSuppression",
    "TemporalPositionIndex",
)

VOCABULARY = Vocabulary((*ENVELOPE, *IDENTITY, *OBJECT, *GEOMETRY, *PIXELS, *PHYSICS, *ENHANCED))
"""Everything that is read; other elements are stepped over."""

_RADIOGRAPH = ("SOPInstanceUID", "StudyInstanceUID", "SeriesInstanceUID", "Rows", "Columns")
_PLACED = ("ImageOrientationPatient", "ImagePositionPatient", "PixelSpacing")


def _tags(*keywords: str) -> frozenset[int]:
    return frozenset(VOCABULARY.tags[keyword] for keyword in keywords)


NEEDED = {
    Modality.MR: _tags(*_RADIOGRAPH, *_PLACED),
    Modality.COMPUTED_RADIOGRAPHY: _tags(*_RADIOGRAPH),
    Modality.DIGITAL_RADIOGRAPHY: _tags(*_RADIOGRAPH),
}
"""Tags without which a single image cannot be taken in."""
