"""The frames of an Enhanced MR object, out of its functional groups (PS3.3 C.7.6.16)."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any

from imgtrack.dicom.elements import Unreadable
from imgtrack.dicom.frames import (
    FRAME_LIMIT,
    directions,
    part_of,
    place,
    positive,
    rescale,
    size,
    spacing,
)
from imgtrack.dicom.records import Frame, Part

if TYPE_CHECKING:
    from imgtrack.dicom.sources import Source
    from imgtrack.dicom.values import Values

COMPONENTS = {"PHASE": Part.PHASE, "REAL": Part.REAL, "IMAGINARY": Part.IMAGINARY}
"""What Complex Image Component (0008,9208) says of pixels that are not magnitudes."""


class Groups:
    """The functional groups of one frame: its own, else those all frames share.

    Parameters
    ----------
    shared
        Item of the Shared Functional Groups Sequence.
    own
        Item of the Per-frame Functional Groups Sequence.
    nothing
        Stands for a group that is nowhere.
    """

    def __init__(self, shared: Values, own: Values, nothing: Values) -> None:
        self._places = (own, shared)
        self._nothing = nothing

    def of(self, sequence: str) -> Values:
        """Return a functional group by the keyword of its sequence; empty when absent."""
        items = (place.item(sequence) for place in self._places)
        return next((item for item in items if item is not None), self._nothing)


def frame_groups(values: Values) -> list[Groups]:
    """Return the functional groups of every frame.

    Raises
    ------
    Unreadable
        If there are no frames, or not as many as stated.
    """
    own = values.items("PerFrameFunctionalGroupsSequence")
    stated = values.whole("NumberOfFrames")
    if not own or stated != len(own):
        raise Unreadable(
            "the frames are not described one by one",
            f"{stated} items of Per-frame Functional Groups Sequence",
            str(len(own)),
        )
    if len(own) > FRAME_LIMIT:
        raise Unreadable("the object holds too many frames", f"{FRAME_LIMIT}", str(len(own)))
    nothing = values.empty()
    shared = values.item("SharedFunctionalGroupsSequence") or nothing
    return [Groups(shared, item, nothing) for item in own]


def enhanced_frames(
    values: Values, groups: list[Groups], source: Source, uid: str
) -> tuple[Frame, ...]:
    """Return the frames of an Enhanced MR object, in stored order.

    Raises
    ------
    Unreadable
        If the geometry of a frame is missing or impossible.
    """
    rows, columns = size(values)
    template = Frame(source, uid, 0, rows, columns)
    return tuple(
        _frame(values, group, replace(template, number=number))
        for number, group in enumerate(groups, start=1)
    )


def _frame(values: Values, groups: Groups, template: Frame) -> Frame:
    """Return one frame; `values` are those of the whole object."""
    measures, content = groups.of("PixelMeasuresSequence"), groups.of("FrameContentSequence")
    timing = groups.of("MRTimingAndRelatedParametersSequence")
    orientation = groups.of("PlaneOrientationSequence").numbers("ImageOrientationPatient")
    row, column = directions(orientation)
    stated_spacing = measures.number("SpacingBetweenSlices")
    return replace(
        template,
        position=place(groups.of("PlanePositionSequence").numbers("ImagePositionPatient")),
        row=row,
        column=column,
        spacing=spacing(measures.numbers("PixelSpacing")),
        thickness_mm=positive(measures.number("SliceThickness")),
        stated_spacing_mm=stated_spacing or values.number("SpacingBetweenSlices"),
        part=_part(groups.of("MRImageFrameTypeSequence")),
        temporal_position=content.whole("TemporalPositionIndex"),
        acquisition_number=content.whole("FrameAcquisitionNumber"),
        instance_number=content.whole("InStackPositionNumber"),
        echo_number=groups.of("MREchoSequence").whole("EchoNumbers"),
        echo_time_ms=groups.of("MREchoSequence").number("EffectiveEchoTime"),
        repetition_time_ms=timing.number("RepetitionTime"),
        flip_deg=timing.number("FlipAngle"),
        inversion_time_ms=groups.of("MRModifierSequence").number("InversionTimes"),
        b_value=groups.of("MRDiffusionSequence").number("DiffusionBValue"),
        trigger_time_ms=groups.of("CardiacSynchronizationSequence").number(
            "NominalCardiacTriggerDelayTime"
        ),
        acquired_at=content.moment("FrameAcquisitionDateTime"),
        rescale=rescale(groups.of("PixelValueTransformationSequence")),
        laterality=groups.of("FrameAnatomySequence").text("FrameLaterality"),
    )


def _part(frame_type: Values) -> Part:
    component = COMPONENTS.get(frame_type.text("ComplexImageComponent"))
    return component or part_of(frame_type.texts("FrameType"))


def pulse_sequence(values: Values, groups: Groups) -> dict[str, Any]:
    """Return what an Enhanced MR object tells of its pulse sequence, as fields of a header.

    Its own attributes (PS3.3 C.8.13.4, C.8.13.5.7) are told in the words of Scanning Sequence.
    """
    modifier = groups.of("MRModifierSequence")
    echo = values.text("EchoPulseSequence")
    sequence = {
        "SE": echo in {"SPIN", "BOTH"},
        "GR": echo in {"GRADIENT", "BOTH"},
        "IR": modifier.text("InversionRecovery") == "YES",
        "EP": values.text("EchoPlanarPulseSequence") == "YES",
    }
    contrast = groups.of("MRImageFrameTypeSequence").text("AcquisitionContrast")
    return {
        "scanning_sequence": tuple(word for word, used in sequence.items() if used),
        "sequence_name": values.text("PulseSequenceName"),
        "spectral_suppression": values.text("SpectrallySelectedSuppression"),
        "spectral_excitation": modifier.text("SpectrallySelectedExcitation"),
        "acquisition_contrast": contrast or values.text("AcquisitionContrast"),
        "echo_train_length": groups.of("MRTimingAndRelatedParametersSequence").whole(
            "EchoTrainLength"
        ),
    }
