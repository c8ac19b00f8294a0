"""What is done to each attribute of a kind of image: the profile with the options in use.

Options in use: retain longitudinal modified dates, retain patient characteristics, clean
descriptors. Where the table leaves a choice (``X/Z/D``), the type of the attribute in the image's
own object definition decides, as the standard asks. Beyond the table:

- an attribute that is not in ``kept.csv`` for the kind of image is removed, listed by the table
  or not; but numbers and code strings of any kind of image may stand in every other, because
  scanners extend the older objects with them (standard extended classes, PS3.2 section 7.3);
- of the patient's characteristics, sex, age, height and weight stay, the others are removed;
- of the descriptors, those in `DESCRIPTORS` are rebuilt from known words, the others are removed;
- references to images (``X/Z/U*``) stay with replaced UIDs, because they tie series together;
- an attribute the table does not list goes by its value representation: numbers, code strings
  and coded concepts stay when they are well formed, text is rebuilt from known words, dates are
  moved, UIDs replaced unless the standard itself defines them, names and addresses removed.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
from enum import Enum, auto
from functools import cache
from types import MappingProxyType
from typing import TYPE_CHECKING

from pydicom.datadict import dictionary_keyword, dictionary_VR

from imgtrack.dicom.deidentify.kinds import Kind, Need, Place, kept
from imgtrack.dicom.deidentify.profile import BasicAction, Option, Row, profile
from imgtrack.dicom.deidentify.words import Text

if TYPE_CHECKING:
    from collections.abc import Mapping

CHARACTERISTICS = frozenset({"PatientSex", "PatientAge", "PatientSize", "PatientWeight"})

DESCRIPTORS = frozenset(
    {
        "StudyDescription",
        "SeriesDescription",
        "ProtocolName",
        "PerformedProcedureStepDescription",
        "AcquisitionProtocolDescription",
        "AcquisitionDeviceProcessingDescription",
        "DerivationDescription",
        "ContrastBolusAgent",
    }
)


class Action(Enum):
    """What is done to an attribute that may stay."""

    REMOVE = auto()
    EMPTY = auto()
    DUMMY = auto()
    UID = auto()
    STANDARD_UID = auto()
    MOVE = auto()
    WORDS = auto()
    LABEL = auto()
    CODE_STRING = auto()
    NUMBER = auto()
    SEX = auto()
    AGE = auto()
    BYTES = auto()
    ITEMS = auto()
    CODES = auto()


@dataclass(frozen=True, slots=True)
class Rule:
    """What is done to one attribute at one place.

    Attributes
    ----------
    keyword, vr
        From the data dictionary (PS3.6).
    action
        What is done.
    need
        Its type in the object definition, which decides what stands in when nothing is left.
    text
        For `Action.WORDS`, what the text says.
    """

    keyword: str
    vr: str
    action: Action
    need: Need
    text: Text = Text.DESCRIPTION


@cache
def rules(kind: Kind) -> Mapping[Place, Rule]:
    """Return the rule of every attribute of a kind of image that may stay."""
    return MappingProxyType(_extensions() | _own_rules(kind))


@cache
def _own_rules(kind: Kind) -> dict[Place, Rule]:
    """Return the rules of the attributes of the object definition itself."""
    listed, places = profile().by_tag(), kept(kind)
    return {
        place: _rule(place, need, listed.get(place.tag), places) for place, need in places.items()
    }


def _extensions() -> dict[Place, Rule]:
    """Return the rules of what scanners add at the top of any image."""
    return {
        Place("", place.tag): replace(rule, need=Need.NONE)
        for kind in Kind
        for place, rule in _own_rules(kind).items()
        if rule.action in {Action.NUMBER, Action.CODE_STRING} or rule.keyword == "RescaleType"
    }


def _rule(place: Place, need: Need, row: Row | None, places: Mapping[Place, Need]) -> Rule:
    keyword, vr = dictionary_keyword(place.tag), dictionary_VR(place.tag)
    if row is not None:
        action = _listed(row, need, vr)
    elif vr == "SQ":
        is_coded = Place(keyword, _CODE_VALUE) in places
        action = Action.CODES if is_coded else Action.ITEMS
    else:
        action = Action.LABEL if keyword in _LABELS else _BY_VR[vr]
    return Rule(keyword, vr, action, need, _text(keyword))


_CODE_VALUE = 0x00080100

_LABELS = frozenset({"MultiCoilElementName", "StackID"})
"""Names that only tell groups of frames, or coils, apart."""

_EQUIPMENT = re.compile(r"Manufacturer|Coil")


def _text(keyword: str) -> Text:
    if keyword.endswith("SoftwareVersions"):
        return Text.VERSION
    return Text.EQUIPMENT if _EQUIPMENT.search(keyword) else Text.DESCRIPTION


def _listed(row: Row, need: Need, vr: str) -> Action:
    """Return the action of an attribute the table lists: the options' before the profile's."""
    if Option.MODIFIED_DATES in row.options:
        return Action.MOVE
    if row.keyword in CHARACTERISTICS:
        return _CHARACTERISTIC.get(row.keyword, Action.NUMBER)
    if row.keyword in DESCRIPTORS:
        return Action.WORDS
    action = _basic(row.basic, need)
    return Action.ITEMS if vr == "SQ" and action in {Action.DUMMY, Action.UID} else action


_CHARACTERISTIC = {"PatientSex": Action.SEX, "PatientAge": Action.AGE}


def _basic(basic: BasicAction, need: Need) -> Action:
    """Return the action of the basic profile, its choices decided by the type."""
    choices = set(basic.split("/"))
    if choices & {"U", "U*"}:
        return Action.UID
    if "D" in choices and (need.of_value or choices == {"D"}):
        return Action.DUMMY
    if "Z" in choices and (need is not Need.NONE or "X" not in choices):
        return Action.EMPTY
    return Action.REMOVE


_BY_VR: Mapping[str, Action] = MappingProxyType(
    dict.fromkeys(("LO", "SH", "ST", "LT", "UC", "UT"), Action.WORDS)
    | dict.fromkeys(("DA", "TM", "DT"), Action.MOVE)
    | dict.fromkeys(("DS", "IS", "US", "SS", "UL", "SL", "UV", "SV", "FL", "FD"), Action.NUMBER)
    | dict.fromkeys(("AT", "US or SS"), Action.NUMBER)
    | dict.fromkeys(("OB", "OW", "OB or OW", "US or OW"), Action.BYTES)
    | dict.fromkeys(("PN", "AE", "UR", "AS"), Action.REMOVE)
    | {"CS": Action.CODE_STRING, "UI": Action.STANDARD_UID}
)
