"""The table as data: whole, of one edition, in agreement with the data dictionary."""

from __future__ import annotations

import re

import pytest
from pydicom.datadict import DicomDictionary, dictionary_VR

from imgtrack.dicom.deidentify.kinds import Kind, Need, Place, kept
from imgtrack.dicom.deidentify.profile import BasicAction, Option, OptionAction, profile
from imgtrack.dicom.deidentify.rules import CHARACTERISTICS, DESCRIPTORS, Action, rules

ROWS = {row.keyword: row for row in profile().rows}


def test_the_edition_is_named() -> None:
    assert profile().edition == "PS3.15 2026c"


def test_every_line_of_the_edition_is_there() -> None:
    """PS3.15 2026c, table E.1-1: 656 lines, of which 652 name one tag."""
    assert len(profile().rows) == 656
    assert len(profile().by_tag()) == 652
    groups = [row.tag for row in profile().rows if int(row.tag, 36) and "x" in row.tag]
    assert groups == ["50xxxxxx", "60xx3000", "60xx4000"]


@pytest.mark.parametrize(
    ("keyword", "basic", "options"),
    [
        # PS3.15 2026c, table E.1-1, one line of each sort of action.
        ("PatientName", "Z", {}),
        ("PatientID", "Z/D", {}),
        ("AccessionNumber", "Z", {}),
        ("SOPInstanceUID", "U", {Option.UIDS: "K"}),
        ("FrameOfReferenceUID", "U", {Option.UIDS: "K"}),
        ("ReferencedImageSequence", "X/Z/U*", {Option.UIDS: "K"}),
        ("AcquisitionDateTime", "X/Z/D", {Option.FULL_DATES: "K", Option.MODIFIED_DATES: "C"}),
        ("ContentDate", "Z/D", {Option.FULL_DATES: "K", Option.MODIFIED_DATES: "C"}),
        ("SeriesDescription", "X", {Option.DESCRIPTORS: "C"}),
        ("ProtocolName", "X/D", {Option.DESCRIPTORS: "C"}),
        ("PatientSex", "Z", {Option.PATIENT: "K"}),
        ("Allergies", "X", {Option.PATIENT: "C", Option.DESCRIPTORS: "C"}),
        ("StationAETitle", "X", {Option.DEVICE: "C"}),
        ("InstitutionName", "X/Z/D", {Option.INSTITUTION: "K"}),
        ("AcquisitionContextSequence", "X/Z", {Option.STRUCTURED_CONTENT: "C"}),
        ("OverlayData", "X", {Option.GRAPHICS: "C"}),
        ("PrivateAttributes", "X", {Option.SAFE_PRIVATE: "C"}),
    ],
)
def test_lines_are_those_of_the_standard(
    keyword: str, basic: str, options: dict[Option, OptionAction]
) -> None:
    assert ROWS[keyword].basic == basic
    assert dict(ROWS[keyword].options) == options


def test_keywords_and_retirement_agree_with_the_data_dictionary() -> None:
    """Reference: PS3.6 as pydicom holds it. Ethnic Group was retired after its edition."""
    known = {tag: row for tag, row in profile().by_tag().items() if tag in DicomDictionary}
    assert len(known) > 620
    for tag, row in known.items():
        _, _, _, retired, keyword = DicomDictionary[tag]
        assert row.keyword == keyword
        assert row.retired == bool(retired) or keyword == "EthnicGroup", keyword


def test_dates_and_uids_have_the_actions_of_their_kind() -> None:
    """Reference: the value representations of PS3.6; exceptions as the table itself has them."""
    for tag, row in profile().by_tag().items():
        if tag not in DicomDictionary:
            continue
        vr = dictionary_VR(tag)
        if vr in {"DA", "TM"} and not row.keyword.startswith("PatientBirth"):
            assert row.options[Option.MODIFIED_DATES] == "C", row.keyword
        if row.basic is BasicAction.UID:
            assert vr == "UI", row.keyword
        if re.search("Description$", row.keyword) and vr != "SQ" and not row.retired:
            assert row.options.keys() & {Option.DESCRIPTORS, Option.DEVICE} or row.keyword in {
                "ConfidentialityConstraintOnPatientDataDescription"
            }, row.keyword


@pytest.mark.parametrize("kind", Kind)
def test_what_the_profile_removes_may_not_stay_unless_an_option_says_so(kind: Kind) -> None:
    listed = profile().by_tag()
    for place in kept(kind):
        row = listed.get(place.tag)
        if row is None or row.basic is not BasicAction.REMOVE:
            continue
        excepted = row.keyword in CHARACTERISTICS | DESCRIPTORS
        assert excepted or Option.MODIFIED_DATES in row.options, row.keyword


@pytest.mark.parametrize("kind", Kind)
def test_no_names_addresses_or_unknown_bytes_may_stay(kind: Kind) -> None:
    for rule in rules(kind).values():
        if rule.vr in {"PN", "AE", "UR", "UN"}:
            assert rule.action in {Action.EMPTY, Action.REMOVE}, rule.keyword
        if rule.action is Action.BYTES:
            assert "LUTData" in rule.keyword or "LookupTableData" in rule.keyword


@pytest.mark.parametrize(
    ("kind", "place", "action"),
    [
        # Types: PS3.3 tables C.7-8, C.7-8b, C.8-1 and C.8-71; actions: table E.1-1.
        (Kind.MR, Place("", 0x00181000), Action.REMOVE),  # Device Serial Number X/Z/D, type 3
        (Kind.ENHANCED_MR, Place("", 0x00181000), Action.DUMMY),  # the same, type 1
        (Kind.ENHANCED_MR, Place("", 0x00400555), Action.EMPTY),  # Acquisition Context, type 2
        (Kind.MR, Place("", 0x00081111), Action.REMOVE),  # Ref. Performed Procedure Step, type 3
        (Kind.DX, Place("", 0x00081111), Action.ITEMS),  # the same, type 1C
        (Kind.MR, Place("", 0x00100030), Action.EMPTY),  # Patient's Birth Date Z
        (Kind.MR, Place("", 0x00080016), Action.STANDARD_UID),  # SOP Class UID, not listed
        (Kind.MR, Place("", 0x00080020), Action.MOVE),  # Study Date
        (Kind.MR, Place("", 0x00081140), Action.ITEMS),  # Referenced Image Sequence X/Z/U*
        (Kind.MR, Place("", 0x00101010), Action.AGE),
        (Kind.MR, Place("", 0x00101030), Action.NUMBER),  # Patient's Weight
        (Kind.MR, Place("", 0x00180024), Action.WORDS),  # Sequence Name, not listed
    ],
)
def test_choices_of_the_table_are_decided_by_type(kind: Kind, place: Place, action: Action) -> None:
    assert rules(kind)[place].action is action


def test_types_are_read_as_the_standard_writes_them() -> None:
    assert Need("1C").of_value
    assert not Need("1C").of_presence
    assert Need("2").of_presence
    assert not Need("3").of_value
