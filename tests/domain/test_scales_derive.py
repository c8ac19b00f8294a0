"""Grades implied by measurements: every limit from both sides, and what is left open."""

from __future__ import annotations

import itertools
import math

import pytest

from imgtrack.domain import scales
from imgtrack.domain.errors import InvalidInput
from imgtrack.domain.scales import derive
from imgtrack.domain.scales.derive import Flag

NAN = float("nan")


def sugaya(coronal, sagittal, ratio=None, bright=None, version="2007"):
    return derive.sugaya(
        coronal_gap_slices=coronal,
        sagittal_gap_slices=sagittal,
        thickness_ratio=ratio,
        high_signal=bright,
        version=version,
    )


# Sugaya H et al. J Bone Joint Surg Am 2007;89:953-60, wording recalled.
@pytest.mark.parametrize(
    ("findings", "level"),
    [
        ((0, 0, 1.0, False), "I"),
        ((0, 0, 0.5, False), "I"),  # half is not below half
        ((0, 0, 0.5, True), "II"),
        ((0, 0, 0.49, False), "III"),
        ((0, 0, 0.49, True), "III"),  # any signal
        ((1, 1), "IV"),
        ((2, 2), "IV"),
        ((3, 3), "V"),
        ((7, 4), "V"),
        ((2, 1, 0.2, True), "IV"),  # thin and discontinuous: the gap decides
    ],
)
def test_sugaya_2007(findings, level):
    derived = sugaya(*findings)
    assert derived.level == level
    assert derived.flags == ()
    assert derived.allows(level) is True
    assert derived.allows("I" if level != "I" else "V") is False


@pytest.mark.parametrize(("coronal", "sagittal"), [(1, 3), (3, 2), (2, 9)])
def test_sugaya_planes_on_two_sides_of_the_limit_are_flagged(coronal, sagittal):
    derived = sugaya(coronal, sagittal)
    assert derived.level == "V"
    assert derived.flags == (Flag.PLANES_DISAGREE,)


@pytest.mark.parametrize(("coronal", "sagittal"), [(0, 1), (4, 0)])
@pytest.mark.parametrize("version", ["2005", "2007"])
def test_sugaya_a_gap_in_one_plane_is_never_graded(coronal, sagittal, version):
    derived = sugaya(coronal, sagittal, 1.0, bright=True, version=version)
    assert derived.level is None
    assert derived.possible == ()
    assert derived.allows("IV") is None
    assert derived.flags == (Flag.GAP_IN_ONE_PLANE,)


@pytest.mark.parametrize(
    ("findings", "possible", "named"),
    [
        ((None, 3), (), "coronal slices that show the gap"),
        ((2, None), (), "sagittal slices that show the gap"),
        (
            (0, 0, None, None),
            ("I", "II", "III"),
            "thickness of the tendon over normal, any bright area within the tendon",
        ),
        ((0, 0, None, True), ("II", "III"), "thickness of the tendon over normal"),
        ((0, 0, None, False), ("I", "III"), "thickness of the tendon over normal"),
        ((0, 0, 0.8, None), ("I", "II"), "any bright area within the tendon"),
    ],
)
def test_sugaya_what_is_missing_leaves_the_types_that_remain(findings, possible, named):
    derived = sugaya(*findings)
    assert derived.level is None
    assert derived.possible == possible
    assert derived.flags == (Flag.INPUT_MISSING,)
    assert derived.reason.endswith(f"not recorded: {named}")


def test_sugaya_a_missing_thickness_matters_not_when_there_is_a_gap():
    assert sugaya(1, 2).level == "IV"
    # and a thin tendon needs no signal
    assert sugaya(0, 0, 0.3, None).level == "III"


# Arthroscopy 2005;21:1307-16 has no number of slices and no fraction of thickness (recalled).
@pytest.mark.parametrize(
    ("findings", "possible"), [((2, 5), ("IV", "V")), ((0, 0, 0.3, True), ("I", "II", "III"))]
)
def test_sugaya_2005_implies_only_continuity(findings, possible):
    derived = sugaya(*findings, version="2005")
    assert derived.possible == possible
    assert derived.flags == (Flag.NO_PUBLISHED_LIMIT,)


def test_sugaya_never_turns_a_torn_tendon_into_a_healed_one():
    rule = scales.retear_rule("sugaya_iv_v")
    for coronal, sagittal in itertools.product(range(5), repeat=2):
        derived = sugaya(coronal, sagittal, 1.0, bright=False)
        if derived.level is not None:
            is_torn = coronal > 0 and sagittal > 0
            assert (rule.outcome(derived.level) is scales.Healing.RETEAR) == is_torn


def test_sugaya_refuses_impossible_numbers_together():
    with pytest.raises(InvalidInput) as caught:
        sugaya(-1, 2, NAN)
    assert len(caught.value.faults) == 2
    with pytest.raises(InvalidInput, match="expected 2005 or 2007"):
        sugaya(1, 1, version="2010")


def patte(stump, apex=22.0, rim=40.0):
    return derive.patte_stage(stump_mm=stump, apex_mm=apex, rim_mm=rim)


# Patte D. Clin Orthop 1990;254:81-6: near the insertion, level of the head, level of the glenoid.
@pytest.mark.parametrize(
    ("stump", "stage"),
    [(-2.0, "1"), (0.0, "1"), (21.9, "1"), (22.0, "2"), (39.9, "2"), (40.0, "3"), (55.0, "3")],
)
def test_patte_stage_at_its_landmarks(stump, stage):
    assert patte(stump).level == stage


@pytest.mark.parametrize(("apex", "rim"), [(0.0, 40.0), (40.0, 40.0), (45.0, 40.0)])
def test_patte_landmarks_out_of_order_imply_nothing(apex, rim):
    derived = patte(10.0, apex, rim)
    assert derived.possible == ()
    assert derived.flags == (Flag.LANDMARKS_OUT_OF_ORDER,)


def test_patte_missing_and_impossible_landmarks():
    assert patte(None).reason == "not recorded: landmarks of the retraction"
    with pytest.raises(InvalidInput, match="stump_mm"):
        patte(NAN)


# DeOrio JK, Cofield RH. J Bone Joint Surg Am 1984;66:563-7: <1, 1-3, 3-5, >5 cm; to which class
# a limit belongs is our rule.
@pytest.mark.parametrize(
    ("diameter", "size"),
    [
        (0.1, "small"),
        (9.9, "small"),
        (10.0, "medium"),
        (29.9, "medium"),
        (30.0, "large"),
        (49.9, "large"),
        (50.0, "massive"),
        (80.0, "massive"),
    ],
)
def test_deorio_cofield(diameter, size):
    assert derive.deorio_cofield(greatest_diameter_mm=diameter).level == size


def test_deorio_cofield_no_tear_is_no_size():
    with pytest.raises(InvalidInput, match="leave it empty"):
        derive.deorio_cofield(greatest_diameter_mm=0.0)
    assert derive.deorio_cofield(greatest_diameter_mm=None).level is None


def davidson(length, width, arthropathy=False):
    return derive.davidson_burkhart(length_mm=length, width_mm=width, arthropathy=arthropathy)


# Davidson J, Burkhart SS. Arthroscopy 2010;26:417-24, limits of 2 cm read literally.
@pytest.mark.parametrize(
    ("length", "width", "kind"),
    [
        (25.0, 15.0, "2"),
        (15.0, 30.0, "1"),
        (20.0, 20.0, "3"),
        (15.0, 15.0, "1"),
        (15.1, 15.0, "2"),
        (19.9, 19.9, "1"),
        (30.0, 19.9, "2"),
        (19.9, 30.0, "1"),
    ],
)
def test_davidson_burkhart(length, width, kind):
    assert davidson(length, width).level == kind


def test_davidson_burkhart_every_size_has_exactly_one_shape():
    sizes = [0.5, 10.0, 19.99, 20.0, 20.01, 35.0]
    for length, width in itertools.product(sizes, repeat=2):
        fits = {
            "1": length <= width and length < 20,
            "2": length > width and width < 20,
            "3": length >= 20 and width >= 20,
        }
        assert [davidson(length, width).level] == [kind for kind, holds in fits.items() if holds]


def test_davidson_burkhart_arthropathy_overrides_and_its_absence_is_flagged():
    assert davidson(5.0, 5.0, arthropathy=True).level == "4"
    assert davidson(None, None, arthropathy=True).level == "4"
    unknown = davidson(5.0, 5.0, arthropathy=None)
    assert unknown.level == "1"
    assert unknown.flags == (Flag.RADIOGRAPH_MISSING,)
    assert davidson(None, 5.0).reason == "not recorded: retraction"


# Ellman H. Clin Orthop 1990;254:64-74: below 3 mm, 3 to 6 mm, above 6 mm.
@pytest.mark.parametrize(
    ("depth", "grade"), [(2.9, "I"), (3.0, "II"), (6.0, "II"), (6.1, "III"), (None, None)]
)
def test_ellman(depth, grade):
    assert derive.ellman_depth(depth_mm=depth).level == grade


# Fuchs B et al. J Shoulder Elbow Surg 1999;8:599-605.
@pytest.mark.parametrize(
    ("goutallier", "grade"),
    [("0", "normal"), ("1", "normal"), ("2", "moderate"), ("3", "severe"), ("4", "severe")],
)
def test_fuchs(goutallier, grade):
    derived = derive.fuchs(goutallier=goutallier)
    assert derived.level == grade
    assert scales.get(derived.scale, derived.version).level(grade)


def test_fuchs_missing_and_unknown():
    assert derive.fuchs(goutallier=None).level is None
    with pytest.raises(InvalidInput, match="no level '5'"):
        derive.fuchs(goutallier="5")


def gfdi(*grades):
    names = ("supraspinatus", "infraspinatus", "subscapularis")
    return derive.gfdi(**dict(zip(names, grades, strict=True)))


def test_gfdi_is_the_mean_of_three_muscles_or_nothing():
    # Goutallier D et al. J Shoulder Elbow Surg 2003;12:550-4.
    assert gfdi("2", "1", "0").value == 1.0
    assert gfdi("4", "4", "3").value == pytest.approx(11 / 3, abs=1e-15)
    for grades in [(None, "1", "0"), ("2", None, "0"), ("2", "1", None)]:
        assert gfdi(*grades).value is None
        assert gfdi(*grades).flags == (Flag.INPUT_MISSING,)
    with pytest.raises(InvalidInput):
        gfdi("2", None, "NE")


# Thomazeau H et al. Acta Orthop Scand 1996;67:264-8; to which stage a limit belongs is our rule.
@pytest.mark.parametrize(
    ("ratio", "stage"),
    [(0.9, "I"), (0.6, "I"), (0.599, "II"), (0.4, "II"), (0.399, "III"), (None, None)],
)
def test_thomazeau(ratio, stage):
    assert derive.thomazeau(occupation_ratio=ratio).level == stage


def test_thomazeau_a_muscle_larger_than_its_fossa_is_flagged():
    assert derive.thomazeau(occupation_ratio=1.2).flags == (Flag.RATIO_ABOVE_ONE,)
    with pytest.raises(InvalidInput):
        derive.thomazeau(occupation_ratio=0.0)


# Zanetti M et al. Invest Radiol 1998;33:163-70: positive when the muscle does not cross above.
@pytest.mark.parametrize(
    ("height", "sign"), [(0.1, "negative"), (0.0, "positive"), (-3.0, "positive"), (None, None)]
)
def test_tangent_sign(height, sign):
    assert derive.tangent_sign(height_above_line_mm=height).level == sign


@pytest.mark.parametrize("height", [NAN, math.inf])
def test_tangent_sign_refuses_what_is_no_height(height):
    with pytest.raises(InvalidInput):
        derive.tangent_sign(height_above_line_mm=height)


def hamada(interval, hollow=False, narrow=False, collapse=False):
    return derive.hamada(
        acromiohumeral_interval_mm=interval,
        acetabulisation=hollow,
        narrowing=narrow,
        collapse=collapse,
    )


# Hamada K et al. Clin Orthop 1990;254:92-6 with Walch's 4a and 4b, restated at
# radiopaedia.org/articles/hamada-classification-of-massive-rotator-cuff-tears.
@pytest.mark.parametrize(
    ("findings", "grade"),
    [
        ((9.0,), "1"),
        ((6.0,), "1"),
        ((5.0,), "2"),
        ((0.0,), "2"),
        ((5.0, True), "3"),
        ((6.9, False, True), "4a"),
        ((5.0, True, True), "4b"),
        ((9.0, True, True, True), "5"),
        ((None, None, None, True), "5"),
    ],
)
def test_hamada(findings, grade):
    derived = hamada(*findings)
    assert derived.level == grade
    assert derived.flags == ()
    assert scales.get("hamada").level(grade)


@pytest.mark.parametrize(
    ("findings", "possible"),
    [((5.5,), ("1", "2")), ((5.5, True), ()), ((5.5, True, True), ())],
)
def test_hamada_between_5_and_6_mm_is_graded_by_eye(findings, possible):
    derived = hamada(*findings)
    assert derived.level is None
    assert derived.possible == possible
    assert derived.flags == (Flag.GRADE_BY_EYE,)


@pytest.mark.parametrize("findings", [(6.0, True), (7.0, False, True), (6.0, True, True)])
def test_hamada_findings_no_grade_describes_are_flagged(findings):
    assert hamada(*findings).flags == (Flag.CRITERIA_CONFLICT,)


@pytest.mark.parametrize(
    "findings", [(None,), (5.0, None), (5.0, True, None), (5.0, True, True, None)]
)
def test_hamada_missing_findings_imply_nothing(findings):
    derived = hamada(*findings)
    assert derived.possible == ()
    assert derived.flags == (Flag.INPUT_MISSING,)


def test_inputs_are_kept_and_cannot_be_changed():
    derived = patte(3.0)
    assert derived.inputs == {"stump_mm": 3.0, "apex_mm": 22.0, "rim_mm": 40.0}
    with pytest.raises(TypeError):
        derived.inputs["stump_mm"] = 4.0


@pytest.mark.parametrize(
    "derived",
    [
        patte(3.0),
        davidson(5.0, 5.0),
        derive.ellman_depth(depth_mm=2.0),
        derive.deorio_cofield(greatest_diameter_mm=12.0),
        derive.thomazeau(occupation_ratio=0.5),
        derive.tangent_sign(height_above_line_mm=1.0),
        hamada(7.0),
        sugaya(1, 1),
        sugaya(1, 1, version="2005"),
    ],
)
def test_every_derived_level_is_a_level_of_the_scale_and_version_it_names(derived):
    scale = scales.get(derived.scale, derived.version)
    assert set(derived.possible) <= set(scale.codes)
    assert scale.derived_from or derived.version == "2005"
