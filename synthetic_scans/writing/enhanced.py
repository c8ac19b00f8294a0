"""Enhanced MR: one multi-frame DICOM file per stack (Enhanced MR Image Storage, PS3.3 A.36)."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from pydicom.dataset import Dataset
from pydicom.sequence import Sequence
from pydicom.tag import Tag
from pydicom.uid import EnhancedMRImageStorage

from synthetic_scans.scanner.acquisition import Weighting
from synthetic_scans.scanner.field import PROTON_MHZ_PER_TESLA
from synthetic_scans.scanner.run import STORED_BITS
from synthetic_scans.scanner.signal import inversion_time
from synthetic_scans.writing.headers import (
    SIDE_CODES,
    Written,
    decimal,
    decimals,
    save,
    shoulder,
    start,
    stated_side,
)
from synthetic_scans.writing.mr import describe, image_type, window

if TYPE_CHECKING:
    from pathlib import Path

    from synthetic_scans.scanner.stack import Stack
    from synthetic_scans.spec import Side
    from synthetic_scans.writing.headers import SeriesHeader, StudyHeader

CONTRASTS = {
    Weighting.PD: "PROTON_DENSITY",
    Weighting.PD_FAT_SUPPRESSED: "PROTON_DENSITY",
    Weighting.T1: "T1",
    Weighting.T2_FAT_SUPPRESSED: "T2",
    Weighting.STIR: "STIR",
    Weighting.DIXON: "PROTON_DENSITY",
}
"""Acquisition Contrast (0008,9209) of each weighting."""


def write_enhanced(stack: Stack, study: StudyHeader, series: SeriesHeader, folder: Path) -> Written:
    """Write a stack as one Enhanced MR multi-frame object.

    Parameters
    ----------
    stack
        Pixels and geometry.
    study, series
        Headers; one Frame of Reference UID serves the whole study.
    folder
        Folder for the file; made when missing.

    Returns
    -------
    Written
        UIDs and the one file.

    Raises
    ------
    ValueError
        If annotation is said to be burned in, which the standard bars from this object.
    """
    if series.burned_in:
        raise ValueError("expected burned_in False: PS3.3 C.8.13.1 allows no other, found True")
    folder.mkdir(parents=True, exist_ok=True)
    dataset = start(EnhancedMRImageStorage, "MR", study, series, describe(stack))
    dataset.SOPInstanceUID = study.uid("enhanced MR", series.number)
    _add_image(dataset, stack, study)
    if dataset.ImageType[0] == "ORIGINAL":  # the module is barred from derived images
        _add_pulse_sequence(dataset, stack)
    _add_dimensions(dataset, study, series)
    dataset.SharedFunctionalGroupsSequence = Sequence(
        [_shared_groups(stack, stated_side(study, series))]
    )
    frames = [_frame_groups(stack, place, dataset) for place in range(len(stack.pixels))]
    dataset.PerFrameFunctionalGroupsSequence = Sequence(frames)
    path = folder / f"EMR{series.number:03d}.dcm"
    save(dataset, path)
    return Written(str(dataset.SeriesInstanceUID), (str(dataset.SOPInstanceUID),), (path,))


def _group(**attributes: object) -> Sequence:
    """Return a sequence of one item with these attributes."""
    item = Dataset()
    for keyword, value in attributes.items():
        setattr(item, keyword, value)
    return Sequence([item])


def _frame_type(stack: Stack) -> list[str]:
    kind = image_type(stack)
    return kind if len(kind) > 2 else [*kind, CONTRASTS[stack.acquisition.weighting], "NONE"]


def _describe_pixels(item: Dataset, stack: Stack) -> None:
    """Add the attributes that image and frames share (PS3.3 C.8.13.3, C.8.16.2)."""
    item.PixelPresentation = "MONOCHROME"
    item.VolumetricProperties = "VOLUME"
    item.VolumeBasedCalculationTechnique = "NONE"
    item.ComplexImageComponent = "MAGNITUDE"
    item.AcquisitionContrast = CONTRASTS[stack.acquisition.weighting]


def _add_image(dataset: Dataset, stack: Stack, study: StudyHeader) -> None:
    dataset.ImageType = _frame_type(stack)
    _describe_pixels(dataset, stack)
    dataset.InstanceNumber = 1
    dataset.AcquisitionNumber = 1
    dataset.AcquisitionDateTime = f"{study.day:%Y%m%d}{study.at:%H%M%S}"
    excitations = stack.acquisition.matrix[0] / stack.acquisition.train
    dataset.AcquisitionDuration = stack.acquisition.tr_ms * excitations / 1000
    dataset.ContentQualification = "RESEARCH"
    dataset.ResonantNucleus = "1H"
    dataset.KSpaceFiltering = "NONE"
    dataset.MagneticFieldStrength = decimal(stack.acquisition.field_t)
    dataset.ApplicableSafetyStandardAgency = "IEC"
    dataset.LossyImageCompression = "00"
    dataset.PresentationLUTShape = "IDENTITY"
    dataset.PatientPosition = "HFS"
    dataset.ProtocolName = dataset.SeriesDescription
    dataset.FrameOfReferenceUID = study.frame_of_reference_uid
    dataset.PositionReferenceIndicator = ""
    dataset.AcquisitionContextSequence = Sequence()
    _add_pixels(dataset, stack)


def _add_pixels(dataset: Dataset, stack: Stack) -> None:
    dataset.SamplesPerPixel = 1
    dataset.PhotometricInterpretation = "MONOCHROME2"
    dataset.NumberOfFrames, dataset.Rows, dataset.Columns = stack.pixels.shape
    dataset.BitsAllocated = 16
    dataset.BitsStored = STORED_BITS
    dataset.HighBit = STORED_BITS - 1
    dataset.PixelRepresentation = 0
    dataset.PixelData = np.ascontiguousarray(stack.pixels, dtype="<u2").tobytes()


def _add_pulse_sequence(dataset: Dataset, stack: Stack) -> None:
    """Add the MR Pulse Sequence module (PS3.3 C.8.13.4)."""
    acquisition = stack.acquisition
    train = acquisition.train > 1
    dataset.PulseSequenceName = "fse" if train else "se"
    dataset.MRAcquisitionType = "2D"
    dataset.EchoPulseSequence = "SPIN"
    dataset.MultipleSpinEcho = "YES" if train else "NO"
    dataset.MultiPlanarExcitation = "NO"
    dataset.PhaseContrast = "NO"
    dataset.TimeOfFlightContrast = "NO"
    dataset.SteadyStatePulseSequence = "NONE"
    dataset.EchoPlanarPulseSequence = "NO"
    dataset.SaturationRecovery = "NO"
    suppressed = acquisition.weighting.spectral_suppression
    dataset.SpectrallySelectedSuppression = "FAT" if suppressed else "NONE"
    dataset.GeometryOfKSpaceTraversal = "RECTILINEAR"
    dataset.SegmentedKSpaceTraversal = "PARTIAL" if train else "SINGLE"
    dataset.RectilinearPhaseEncodeReordering = "LINEAR"
    dataset.OversamplingPhase = "NONE"
    dataset.NumberOfKSpaceTrajectories = 1


def _add_dimensions(dataset: Dataset, study: StudyHeader, series: SeriesHeader) -> None:
    """Add the two dimensions, stack and position in it (PS3.3 C.7.6.17)."""
    organisation = study.uid("dimensions", series.number)
    dataset.DimensionOrganizationSequence = _group(DimensionOrganizationUID=organisation)
    dataset.DimensionIndexSequence = Sequence(
        _group(
            DimensionOrganizationUID=organisation,
            DimensionIndexPointer=Tag(keyword),
            FunctionalGroupPointer=Tag("FrameContentSequence"),
        )[0]
        for keyword in ("StackID", "InStackPositionNumber")
    )


def _shared_groups(stack: Stack, side: Side) -> Dataset:
    """Return the functional groups that hold for every frame."""
    shared = Dataset()
    shared.PixelMeasuresSequence = _group(
        PixelSpacing=decimals(stack.pixel_spacing),
        SliceThickness=decimal(stack.thickness),
        SpacingBetweenSlices=decimal(stack.spacing),
    )
    shared.PlaneOrientationSequence = _group(
        ImageOrientationPatient=decimals((*stack.row, *stack.column))
    )
    shared.FrameAnatomySequence = _group(
        FrameLaterality=SIDE_CODES[side][0], AnatomicRegionSequence=Sequence([shoulder(side)])
    )
    shared.PixelValueTransformationSequence = _group(
        RescaleIntercept="0", RescaleSlope="1", RescaleType="US"
    )
    centre, width = window(stack)
    shared.FrameVOILUTSequence = _group(WindowCenter=decimal(centre), WindowWidth=decimal(width))
    frame_type = Dataset()
    frame_type.FrameType = _frame_type(stack)
    _describe_pixels(frame_type, stack)
    shared.MRImageFrameTypeSequence = Sequence([frame_type])
    _add_physics(shared, stack)
    return shared


def _add_physics(shared: Dataset, stack: Stack) -> None:
    """Add the MR macros of timing, geometry, echo, modifiers, averages and coils."""
    acquisition = stack.acquisition
    rows, columns = acquisition.matrix
    along_columns = acquisition.phase_encoding == "COL"
    shared.MRTimingAndRelatedParametersSequence = _group(
        RepetitionTime=decimal(acquisition.tr_ms),
        FlipAngle="90",
        EchoTrainLength=acquisition.train,
        RFEchoTrainLength=acquisition.train,
        GradientEchoTrainLength=0,
        SpecificAbsorptionRateSequence=_group(
            SpecificAbsorptionRateDefinition="IEC_LOCAL", SpecificAbsorptionRateValue=1.0
        ),
        OperatingModeSequence=_group(OperatingModeType="STATIC FIELD", OperatingMode="IEC_NORMAL"),
        GradientOutputType="PER_NERVE_STIM",
        GradientOutput=50.0,
    )
    shared.MRFOVGeometrySequence = _group(
        InPlanePhaseEncodingDirection="COLUMN" if along_columns else "ROW",
        MRAcquisitionFrequencyEncodingSteps=columns if along_columns else rows,
        MRAcquisitionPhaseEncodingStepsInPlane=rows if along_columns else columns,
        PercentSampling="100",
        PercentPhaseFieldOfView="100",
    )
    shared.MREchoSequence = _group(EffectiveEchoTime=acquisition.te_ms)
    shared.MRModifierSequence = _modifiers(stack)
    shared.MRImagingModifierSequence = _group(
        MagnetizationTransfer="NONE",
        BloodSignalNulling="NO",
        Tagging="NONE",
        TransmitterFrequency=PROTON_MHZ_PER_TESLA * acquisition.field_t,
        PixelBandwidth=decimal(acquisition.bandwidth_hz),
    )
    shared.MRAveragesSequence = _group(NumberOfAverages="1")
    _add_coils(shared)


def _modifiers(stack: Stack) -> Sequence:
    inverts = stack.acquisition.weighting.inversion
    modifiers = _group(
        InversionRecovery="YES" if inverts else "NO",
        FlowCompensation="NONE",
        Spoiling="NONE",
        T2Preparation="NO",
        SpectrallySelectedExcitation="NONE",
        SpatialPresaturation="NONE",
        PartialFourier="NO",
        ParallelAcquisition="NO",
    )
    if inverts:
        modifiers[0].InversionTimes = inversion_time(stack.acquisition)
    return modifiers


def _add_coils(shared: Dataset) -> None:
    shared.MRReceiveCoilSequence = _group(
        ReceiveCoilName="SHOULDER",
        ReceiveCoilManufacturerName="Phantom Works",
        ReceiveCoilType="SURFACE",
        QuadratureReceiveCoil="NO",
    )
    shared.MRTransmitCoilSequence = _group(
        TransmitCoilName="BODY",
        TransmitCoilManufacturerName="Phantom Works",
        TransmitCoilType="BODY",
    )


def _frame_groups(stack: Stack, place: int, dataset: Dataset) -> Dataset:
    """Return the functional groups of one frame."""
    frame = Dataset()
    frame.FrameContentSequence = _group(
        FrameAcquisitionNumber=1,
        FrameReferenceDateTime=dataset.AcquisitionDateTime,
        FrameAcquisitionDateTime=dataset.AcquisitionDateTime,
        FrameAcquisitionDuration=dataset.AcquisitionDuration * 1000,
        DimensionIndexValues=[1, place + 1],
        StackID="1",
        InStackPositionNumber=place + 1,
        FrameComments=f"Frame {place + 1} of {dataset.PatientName}",
    )
    frame.PlanePositionSequence = _group(ImagePositionPatient=decimals(stack.positions[place]))
    return frame
