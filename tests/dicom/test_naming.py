"""Planes, weightings and sides: by geometry and physics, with descriptions as hints only."""

from __future__ import annotations

import math

import mr_objects as objects
import numpy as np
import pytest

from imgtrack.dicom.certainty import Certainty
from imgtrack.dicom.naming import Naming, name_stack
from imgtrack.dicom.planes import name_plane, side_by_tilt
from imgtrack.dicom.records import Part
from imgtrack.dicom.stacks import stacks
from imgtrack.domain.protocol import Plane, Weighting
from imgtrack.domain.subjects import Side

SURE, LIKELY, UNSURE = Certainty.CERTAIN, Certainty.LIKELY, Certainty.UNSURE


def naming(*objects_: object, **attributes: object) -> Naming:
    """Return the name of the one stack that objects make."""
    (stack,) = stacks(objects.headers(list(objects_) or [objects.mr(**attributes)]))
    return name_stack(stack).naming


def blade(side: Side, degrees: float) -> np.ndarray:
    """Return the direction along a scapula that stands so many degrees before the coronal plane.

    From the anatomy itself: from its medial border the blade runs to its own side and forwards.
    """
    outwards = 1 if side is Side.LEFT else -1
    angle = math.radians(degrees)
    return np.array([outwards * math.cos(angle), -math.sin(angle), 0])


@pytest.mark.parametrize("side", Side)
@pytest.mark.parametrize("degrees", [0, 10, 20, 30, 36, 40, 44.9, 45.1, 50, 54])
def test_oblique_planes_follow_the_scapula_of_either_side(side: Side, degrees: float) -> None:
    """A sagittal oblique stack lies across the blade, a coronal oblique one along it."""
    along = blade(side, degrees)
    across = np.cross(along, [0, 0, 1])
    for sign in (1, -1):
        assert name_plane(tuple(sign * across), side)[0] is Plane.CORONAL_OBLIQUE
        assert name_plane(tuple(sign * along), side)[0] is Plane.SAGITTAL_OBLIQUE
        assert name_plane((0, 0.2, sign * 0.98), side)[0] is Plane.AXIAL


@pytest.mark.parametrize(
    ("degrees", "certainty"),
    [(0, SURE), (24, SURE), (26, LIKELY), (34, LIKELY), (36, UNSURE), (44, UNSURE)],
)
def test_without_a_side_the_angle_alone_decides_and_is_unsure_half_way(
    degrees: float, certainty: Certainty
) -> None:
    across = np.cross(blade(Side.LEFT, degrees), [0, 0, 1])
    plane, found, _ = name_plane(tuple(across), None)
    assert (plane, found) == (Plane.CORONAL_OBLIQUE, certainty)


@pytest.mark.parametrize(
    ("off_axis", "plane", "certainty"),
    [
        (0, Plane.AXIAL, SURE),
        (24, Plane.AXIAL, SURE),
        (30, Plane.AXIAL, LIKELY),
        (40, Plane.AXIAL, UNSURE),
        (50, Plane.CORONAL_OBLIQUE, UNSURE),
        (60, Plane.CORONAL_OBLIQUE, LIKELY),
        (70, Plane.CORONAL_OBLIQUE, SURE),
    ],
)
def test_axial_or_not(off_axis: float, plane: Plane, certainty: Certainty) -> None:
    angle = math.radians(off_axis)
    found = name_plane((0, math.sin(angle), math.cos(angle)), None)
    assert found[:2] == (plane, certainty)


@pytest.mark.parametrize("side", Side)
def test_the_tilt_tells_the_side(side: Side) -> None:
    along = blade(side, 25)
    across = np.cross(along, [0, 0, 1])
    for normal, plane in ((across, Plane.CORONAL_OBLIQUE), (along, Plane.SAGITTAL_OBLIQUE)):
        for sign in (1, -1):
            told = side_by_tilt(tuple(sign * normal), plane)
            assert told is not None
            assert told[0] is side
            assert told[1] == pytest.approx(25)
    assert side_by_tilt((0, 0, 1), Plane.AXIAL) is None
    assert side_by_tilt(tuple(blade(side, 40)), Plane.SAGITTAL_OBLIQUE) is None


T1, T2, PD = Weighting.T1, Weighting.T2, Weighting.PD
T1_FS = Weighting.T1_FAT_SUPPRESSED
T2_FS = Weighting.T2_FAT_SUPPRESSED
PD_FS = Weighting.PD_FAT_SUPPRESSED
STIR = Weighting.STIR

SPIN_ECHOES = [
    # ACR large phantom: T1 500/20, PD 2000/20, T2 2000/80 (ACR Large and Medium Phantom Test
    # Guidance, prescribed sequences)
    (500, 20, T1, SURE),
    (2000, 20, PD, SURE),
    (2000, 80, T2, SURE),
    # Common shoulder prescriptions, no source
    (650, 12, T1, SURE),
    (3000, 30, PD, SURE),
    (3200, 40, PD, SURE),
    (4000, 60, T2, LIKELY),
    (4500, 75, T2, SURE),
    # Gaps in which nobody can be sure
    (1100, 15, T1, UNSURE),
    (700, 40, T1, UNSURE),
    (3000, 50, PD, UNSURE),
    (1000, 81, T2, LIKELY),
]


@pytest.mark.parametrize(("tr", "te", "weighting", "certainty"), SPIN_ECHOES)
def test_spin_echoes(tr: float, te: float, weighting: Weighting, certainty: Certainty) -> None:
    plain = naming(RepetitionTime=tr, EchoTime=te)
    assert (plain.weighting, plain.weighting_certainty) == (weighting, certainty)
    assert (plain.contrast, plain.fat_suppressed) == (weighting, False)
    fat = naming(RepetitionTime=tr, EchoTime=te, ScanOptions=["PFP", "FS"])
    assert (fat.weighting, fat.contrast) == (
        {T1: T1_FS, T2: T2_FS, PD: PD_FS}[weighting],
        weighting,
    )
    assert fat.fat_suppressed
    assert fat.weighting_certainty is certainty


@pytest.mark.parametrize(
    ("description", "weighting", "certainty"),
    [
        ("", PD, UNSURE),
        ("cor pd tse", PD, LIKELY),
        ("COR T2 TSE", T2, LIKELY),
        ("T1 or T2", PD, UNSURE),
        ("axial T1", PD, UNSURE),
        ("WPD", PD, UNSURE),
    ],
)
def test_a_description_decides_only_between_what_is_possible(
    description: str, weighting: Weighting, certainty: Certainty
) -> None:
    found = naming(RepetitionTime=3000, EchoTime=50, SeriesDescription=description)
    assert (found.weighting, found.weighting_certainty) == (weighting, certainty)


def test_a_description_never_overrules_the_physics() -> None:
    found = naming(RepetitionTime=500, EchoTime=12, SeriesDescription="COR T2")
    assert (found.weighting, found.weighting_certainty) == (T1, LIKELY)
    assert "though the description says T2" in found.reasons[1]


@pytest.mark.parametrize("sequence", [None, "RM", "EP"])
def test_what_is_not_said_to_be_a_spin_echo_is_not_certain(sequence: str | None) -> None:
    found = naming(ScanningSequence=sequence)
    assert (found.weighting, found.weighting_certainty) == (T1, LIKELY)
    assert "taken for a spin echo" in found.reasons[1]


def test_without_times_a_description_is_all_there_is() -> None:
    for absent in ({"EchoTime": None}, {"RepetitionTime": None}):
        found = naming(SeriesDescription="T2 FS", **absent)
        assert (found.weighting, found.weighting_certainty) == (T2_FS, UNSURE)
        assert naming(**absent).weighting is None
        assert naming(**absent).weighting_certainty is UNSURE


@pytest.mark.parametrize(
    "words",
    [
        "COR PD FS",
        "pd_tse_fs_cor",
        "PDFS cor",
        "T2 FATSAT",
        "fat sat",
        "PD SPAIR",
        "T1W_FS",
        "SPIR",
    ],
)
def test_fat_suppression_that_only_a_description_tells_is_unsure(words: str) -> None:
    found = naming(SeriesDescription=words)
    assert (found.weighting, found.weighting_certainty) == (T1_FS, UNSURE)


@pytest.mark.parametrize("words", ["HFS supine", "OFFSET", "shoulder", "FSE"])
def test_other_words_mean_no_fat_suppression(words: str) -> None:
    assert naming(SeriesDescription=words).weighting is T1


def test_absent_scan_options_leave_fat_unknown() -> None:
    found = naming(ScanOptions=None)
    assert (found.weighting, found.weighting_certainty, found.fat_suppressed) == (T1, UNSURE, None)


def test_inversion_that_nulls_fat() -> None:
    """ln 2 times T1 of fat is some 180 ms at 1.5 T and 260 ms at 3 T (from memory)."""
    stir = {"RepetitionTime": 4500, "EchoTime": 40, "InversionTime": 160}
    found = naming(ScanningSequence=["SE", "IR"], **stir)
    assert (found.weighting, found.weighting_certainty, found.fat_suppressed) == (STIR, SURE, True)
    assert naming(**stir).weighting is STIR
    assert naming(**stir).weighting_certainty is LIKELY


def test_inversion_for_another_end_has_no_name() -> None:
    long = naming(ScanningSequence=["SE", "IR"], InversionTime=2500)
    assert (long.weighting, long.weighting_certainty, long.contrast) == (None, UNSURE, T1)
    prepared = naming(ScanningSequence=["GR", "IR"], InversionTime=900, EchoTime=3)
    assert prepared.weighting is None
    gradient = naming(ScanningSequence=["GR"], InversionTime=200, EchoTime=3, FlipAngle=30)
    assert gradient.weighting is T1


@pytest.mark.parametrize("time", [None, 0])
def test_inversion_without_a_time(time: float | None) -> None:
    inversion = {"ScanningSequence": ["SE", "IR"], "InversionTime": time}
    assert naming(**inversion).weighting is None
    hinted = naming(SeriesDescription="COR TIRM", **inversion)
    assert (hinted.weighting, hinted.weighting_certainty) == (STIR, UNSURE)


@pytest.mark.parametrize(
    ("te", "flip", "weighting"),
    [(3, 30, T1), (3, 8, None), (15, 30, None), (3, None, None)],
)
def test_gradient_echoes(te: float, flip: float | None, weighting: Weighting | None) -> None:
    found = naming(
        ScanningSequence="GR", EchoTime=te, FlipAngle=flip, SeriesDescription="AX T2* GRE"
    )
    assert found.weighting is weighting


@pytest.mark.parametrize(
    ("word", "part", "suppressed"),
    [
        ("WATER", Part.WATER, True),
        ("FAT", Part.FAT, False),
        ("IN_PHASE", Part.IN_PHASE, False),
        ("OUT_PHASE", Part.OPPOSED_PHASE, False),
    ],
)
def test_dixon_images(word: str, part: Part, suppressed: bool) -> None:
    found = naming(
        ImageType=["DERIVED", "PRIMARY", "DIXON", word], RepetitionTime=3000, EchoTime=30
    )
    assert (found.weighting, found.weighting_certainty) == (Weighting.DIXON, SURE)
    assert (found.part, found.contrast, found.fat_suppressed) == (part, PD, suppressed)


def test_images_that_are_no_signal_have_no_weighting() -> None:
    found = naming(ImageType=["ORIGINAL", "PRIMARY", "P"])
    assert (found.weighting, found.part) == (None, Part.PHASE)


def test_enhanced_objects_state_more() -> None:
    ds = objects.enhanced([(0, 0, 0)])
    assert naming(ds).weighting is T1
    assert naming(ds).weighting_certainty is SURE
    for attributes, weighting in (
        ({"SpectrallySelectedSuppression": "FAT"}, T1_FS),
        ({"SpectrallySelectedSuppression": "FAT_AND_WATER"}, T1_FS),
        ({"SpectrallySelectedSuppression": "WATER"}, T1),
    ):
        objects.change(ds, attributes)
        assert naming(ds).weighting is weighting
    shared = ds.SharedFunctionalGroupsSequence[0]
    shared.MRModifierSequence = objects.item(SpectrallySelectedExcitation="WATER")
    assert naming(ds).weighting is T1_FS
    shared.MREchoSequence = objects.item(EffectiveEchoTime=50.0)
    shared.MRTimingAndRelatedParametersSequence = objects.item(RepetitionTime=3000)
    ds.AcquisitionContrast = "T2"
    found = naming(ds)
    assert (found.weighting, found.weighting_certainty) == (T2_FS, LIKELY)
    assert "Acquisition Contrast says T2" in found.reasons[1]


def side_of(**attributes: object) -> Naming:
    """Return the name of a straight coronal slice in the middle of the magnet."""
    return naming(ImagePositionPatient=[0, 0, 0], **attributes)


def test_nothing_is_claimed_without_a_reason() -> None:
    found = side_of()
    assert (found.side_claims, found.side, found.sides_conflict) == ((), None, False)


@pytest.mark.parametrize(
    ("attributes", "source", "certainty"),
    [
        ({"Laterality": "L"}, "Laterality", SURE),
        ({"ImageLaterality": "L"}, "Image Laterality", SURE),
        (
            {
                "AnatomicRegionSequence": objects.item(
                    AnatomicRegionModifierSequence=objects.item(CodeValue="7771000")
                )
            },
            "Anatomic Region Modifier",
            SURE,
        ),
        ({"StudyDescription": "MR Schulter LT nativ"}, "Study Description", LIKELY),
        ({"SeriesDescription": "cor_pd_left"}, "Series Description", LIKELY),
        ({"ProtocolName": "LEFT SHOULDER"}, "Protocol Name", LIKELY),
    ],
)
def test_claims_of_the_header(
    attributes: dict[str, object], source: str, certainty: Certainty
) -> None:
    (claim,) = side_of(**attributes).side_claims
    assert (claim.side, claim.source, claim.certainty) == (Side.LEFT, source, certainty)


@pytest.mark.parametrize("text", ["LEFT and RIGHT", "ALT", "BRIGHT", "CLEFT", "both"])
def test_words_that_name_no_side(text: str) -> None:
    assert side_of(StudyDescription=text).side_claims == ()


@pytest.mark.parametrize("letter", ["", "B", "U"])
def test_letters_that_name_no_side(letter: str) -> None:
    assert side_of(Laterality=letter).side_claims == ()


@pytest.mark.parametrize(
    ("x", "side", "certainty"),
    [
        (150, Side.LEFT, LIKELY),
        (-150, Side.RIGHT, LIKELY),
        (60, Side.LEFT, UNSURE),
        (20, None, None),
    ],
)
def test_the_place_claims_a_side(x: float, side: Side | None, certainty: Certainty | None) -> None:
    """Patient coordinates grow to the left (PS3.3 C.7.6.2.1.1)."""
    found = naming(ImagePositionPatient=[x - 1.25, 0, 0])
    told = [(claim.side, claim.certainty) for claim in found.side_claims]
    assert told == ([] if side is None else [(side, certainty)])
    assert found.side is (side if certainty is LIKELY else None)


@pytest.mark.parametrize(
    ("degrees", "certainty"), [(30, LIKELY), (15, UNSURE), (5, None), (40, None)]
)
def test_the_tilt_claims_a_side(degrees: float, certainty: Certainty | None) -> None:
    along = blade(Side.RIGHT, degrees)
    way = [f"{value:.12f}" for value in (*-along, 0, 0, -1)]
    found = naming(ImageOrientationPatient=way, ImagePositionPatient=[0, 0, 0])
    told = [(claim.side, claim.source, claim.certainty) for claim in found.side_claims]
    assert told == ([] if certainty is None else [(Side.RIGHT, "tilt", certainty)])


def test_trusted_claims_in_conflict_are_told() -> None:
    wrong = naming(Laterality="L", ImagePositionPatient=[-150, 0, 0])
    assert wrong.sides_conflict
    assert wrong.side is None
    unsure = naming(Laterality="L", ImagePositionPatient=[-60, 0, 0])
    assert not unsure.sides_conflict
    assert unsure.side is Side.LEFT


def test_a_wrong_side_in_the_header_does_not_turn_the_plane() -> None:
    """Half way between the planes the side decides only where header and place agree."""
    along = blade(Side.RIGHT, 40)
    way = [f"{value:.12f}" for value in (*-along, 0, 0, -1)]
    place = {"ImageOrientationPatient": way, "ImagePositionPatient": [-150, 0, 0]}
    right = naming(Laterality="R", **place)
    assert (right.plane, right.plane_certainty) == (Plane.CORONAL_OBLIQUE, LIKELY)
    wrong = naming(Laterality="L", **place)
    assert (wrong.plane, wrong.plane_certainty) == (Plane.CORONAL_OBLIQUE, UNSURE)
    assert wrong.sides_conflict


def test_a_radiograph_has_neither_plane_nor_weighting() -> None:
    found = naming(objects.radiograph(ImageLaterality="R"))
    assert (found.plane, found.weighting, found.side) == (None, None, Side.RIGHT)


def test_reasons_repeat_no_description() -> None:
    secret = "COR PD FS LEFT Mrs Rehn"
    found = naming(SeriesDescription=secret, StudyDescription=secret, ProtocolName=secret)
    told = " ".join([*found.reasons, *(claim.reason for claim in found.side_claims)])
    assert "Rehn" not in told
