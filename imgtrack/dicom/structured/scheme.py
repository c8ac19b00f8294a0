"""Coded concepts: published ones where a verified code exists, else a scheme of our own.

Published codes are those of the dictionaries in pydicom (PS3.16 and the DICOM subset of SNOMED
CT); none is written from memory. Sugaya, Patte, Goutallier and the other scales have no code
anywhere, so they, their levels and our questions are named in the private scheme `SCHEME`;
`imgtrack.dicom.structured.definitions` lists it in full. A code of it is the id of a scale with its
version, or the name of a question; a level or option adds a colon and what the reading holds.
"""

from __future__ import annotations

from dataclasses import dataclass
from types import MappingProxyType
from typing import TYPE_CHECKING

from imgtrack.dicom.structured.findings import Key
from imgtrack.domain import scales
from imgtrack.domain.form import names
from imgtrack.domain.protocol import Measure
from imgtrack.domain.scales import Concept

if TYPE_CHECKING:
    from collections.abc import Mapping

    from imgtrack.domain.scales import Scale

SCHEME = "99IMGTRACK"
SCHEME_UID = "2.25.29368732953386159001000333242806682374"
SCHEME_NAME = "imgtrack concepts of rotator cuff readings"
SCHEME_VERSION = "1"
LONGEST_MEANING = 64
"""Characters of a Code Meaning (PS3.5, LO)."""


@dataclass(frozen=True, slots=True)
class Defined:
    """One concept of the private scheme with its definition."""

    code: str
    meaning: str
    definition: str

    @property
    def concept(self) -> Concept:
        """As DICOM writes it."""
        return own(self.code, self.meaning)


def own(code: str, meaning: str = "") -> Concept:
    """Return a concept of the private scheme."""
    return Concept(SCHEME, code, (meaning or code)[:LONGEST_MEANING].strip() or code)


DISTANCE = Concept("DCM", "121206", "Distance")
WIDTH = Concept("SCT", "103355008", "Width")
PATH_LENGTH = Concept("DCM", "121211", "Path length")
AREA = Concept("SCT", "42798000", "Area")
ANGLE = Concept("SCT", "1483009", "Angle")
RATIO = Concept("SCT", "118586006", "Ratio")
SIGNAL = Concept("DCM", "110852", "MR signal intensity")
FAT_FRACTION = Concept("DCM", "129100", "Fat fraction")
MEAN = Concept("SCT", "373098007", "Mean")
DEVIATION = Concept("SCT", "386136009", "Standard Deviation")
SPACING = Concept("DCM", "112226", "Spacing between slices")
THICKNESS = Concept("DCM", "112225", "Slice Thickness")
COMMENT = Concept("DCM", "121106", "Comment")
SOURCE = Concept("DCM", "121112", "Source of Measurement")
REGION = Concept("DCM", "111030", "Image Region")
SHOULDER = Concept("SCT", "16982005", "Shoulder")
CUFF_TENDON = Concept("SCT", "245100002", "Tendon of Rotator Cuff of Shoulder")
TENDON = Concept("SCT", "13024002", "Tendon structure")
DELTOID = Concept("SCT", "35259002", "Deltoid muscle")
FOSSA = Concept("DCM", "112100", "Scapular Supraspinatus Fossa")
LEFT = Concept("SCT", "7771000", "Left")
RIGHT = Concept("SCT", "24028007", "Right")
READER = Concept("NCIt", "C28747", "Reader")
ADJUDICATOR = Concept("NCIt", "C96561", "Adjudicator")
BODY_STRUCTURE = Concept("SCT", "123037004", "Anatomical Structure")
MUSCLES: Mapping[str, Concept] = MappingProxyType(
    {
        names.SUPRASPINATUS: Concept("SCT", "6423006", "Supraspinatus muscle"),
        names.INFRASPINATUS: Concept("SCT", "72573008", "Infraspinatus muscle"),
        names.SUBSCAPULARIS: Concept("SCT", "90588001", "Subscapularis muscle"),
        names.TERES_MINOR: Concept("SCT", "51159009", "Teres minor muscle"),
    }
)
PUBLISHED = (
    *(DISTANCE, WIDTH, PATH_LENGTH, AREA, ANGLE, RATIO, SIGNAL, FAT_FRACTION, MEAN, DEVIATION),
    SPACING,
    *(THICKNESS, COMMENT, SOURCE, REGION, SHOULDER, CUFF_TENDON, TENDON, DELTOID, FOSSA, LEFT),
    *(RIGHT, READER, ADJUDICATOR, BODY_STRUCTURE, *MUSCLES.values()),
)
"""Every published concept that is written, for the test that holds them against PS3.16."""

MM, MM2, DEGREE, ONE, PERCENT, SECOND = (
    Concept("UCUM", "mm", "mm"),
    Concept("UCUM", "mm2", "mm2"),
    Concept("UCUM", "deg", "degree"),
    Concept("UCUM", "1", "no units"),
    Concept("UCUM", "%", "percent"),
    Concept("UCUM", "s", "second"),
)


@dataclass(frozen=True, slots=True)
class Quantity:
    """How a number is named: concept, unit, and how it was computed where the name needs that."""

    concept: Concept
    unit: Concept
    derivation: Concept | None = None


OWN_QUANTITIES: Mapping[Key, tuple[Defined, Concept]] = MappingProxyType(
    {
        ("count",): (Defined("gap count", "Slices with gap", "How many slices show a gap."), ONE),
        ("implied_mm",): (
            Defined(
                "gap extent",
                "Extent of gap",
                "Longest run of neighbouring slices with a gap, times their spacing.",
            ),
            MM,
        ),
        ("voxels",): (Defined("voxels", "Voxels", "How many voxels the mean is of."), ONE),
        ("implants",): (Defined("implants", "Implants seen", "How many implants are seen."), ONE),
        ("residual_mm",): (
            Defined("residual", "Residual", "How far apart the bones stay once laid together."),
            MM,
        ),
        ("seconds",): (
            Defined("reading time", "Reading time", "Active time of reading, without pauses."),
            SECOND,
        ),
    }
    | {
        ("mm", name): (
            Defined(f"position of {name}", f"Position of {name}", definition),
            MM,
        )
        for name, definition in {
            "stump": "Position of the stump on the line from footprint edge (0) to rim.",
            "apex": "Position of the apex of the head on the line from footprint edge (0) to rim.",
            "rim": "Position of the superior glenoid rim: length of the line from footprint edge.",
            "height": "Height of the muscle above the line from spine to coracoid; else negative.",
        }.items()
    }
)
INDEX = Defined("index", "Index", "Number on the scale that the finding names.")

LENGTHS: Mapping[str, Concept] = MappingProxyType(
    {Measure.WIDTH: WIDTH, Measure.RETRACTION_ALONG_HEAD: PATH_LENGTH}
)

QUANTITIES: Mapping[Key, Quantity] = MappingProxyType(
    {
        ("mm",): Quantity(DISTANCE, MM),
        ("mm2",): Quantity(AREA, MM2),
        ("degrees",): Quantity(ANGLE, DEGREE),
        ("mean",): Quantity(SIGNAL, ONE, MEAN),
        ("sd",): Quantity(SIGNAL, ONE, DEVIATION),
        ("percent",): Quantity(FAT_FRACTION, PERCENT, MEAN),
        ("sd_percent",): Quantity(FAT_FRACTION, PERCENT, DEVIATION),
        ("value",): Quantity(RATIO, ONE),
        ("spacing_mm",): Quantity(SPACING, MM),
        ("thickness_mm",): Quantity(THICKNESS, MM),
    }
    | {key: Quantity(each.concept, unit) for key, (each, unit) in OWN_QUANTITIES.items()}
)

WORDS: Mapping[str, Defined] = MappingProxyType(
    {
        "value": Defined("answer", "Answer", "The option or level that was given."),
        "origin": Defined("origin", "Origin of points", "Where the points come from."),
        "not_assessable": Defined("not assessable", "Not assessable", "Why it cannot be judged."),
        "not_asked": Defined("not asked", "Not asked", "Why the question does not apply."),
        "because": Defined("because", "Falls with", "The question it falls with."),
        "note": Defined("note", "Note", "More about why it cannot be judged; free text."),
        "text": Defined("note text", "Text of note", "A note of the reader; free text."),
        "label": Defined("implant label", "Label of implant", "How the reader tells it apart."),
        "seat": Defined("seat", "Seat of implant", "How an implant sits."),
        "fossa_roof": Defined("fossa roof", "Roof of fossa", "What closes the fossa above."),
        "reference_tissue": Defined(
            "reference tissue", "Reference tissue", "What the signal is compared with."
        ),
    }
)
"""By key of the answer. All but those of `TEXTS` have coded values."""

FREE_TEXTS = frozenset({"note", "text", "label"})
"""What a reader types; nobody has looked for names or dates in it."""

TEXTS = FREE_TEXTS | {"not_asked", "because"}

SIGNED: Mapping[str, Defined] = MappingProxyType(
    {
        "reading": Defined("reading", "Key of reading", "Key of the signed reading."),
        "protocol": Defined("protocol", "Protocol", "SHA-256 of the protocol it was signed under."),
        "program": Defined("program", "Program", "Version of imgtrack it was signed with."),
        "amends": Defined("amends", "Amends", "Key of the reading it replaces."),
        "shown": Defined("shown", "Shown", "What the reader saw beyond the images."),
        "mismatch": Defined(
            "mismatch", "Mismatch", "Where a grade is not the one the measurements imply."
        ),
    }
)
"""What is said of the reading itself."""

IMPLIED = Defined(
    "implied grade", "Implied grade", "What the measurements imply, computed by the program."
)
"""Begins the name of the group of a grade that nobody gave."""

IMPLIED_BECAUSE = Defined("implied because", "Implied because", "What the implied grade is from.")
READING = Defined("signed reading", "Signed reading", "What a reading was signed under.")
PROCEDURES: Mapping[bool, Defined] = MappingProxyType(
    {
        True: Defined("shoulder MR", "MR of a shoulder", "Magnetic resonance imaging."),
        False: Defined("shoulder X-ray", "Radiograph of a shoulder", "Projection radiograph."),
    }
)
"""By whether it is MR."""


def landmark(name: str) -> Concept:
    """Return the concept of a named point; of the source of the measurement for no name."""
    return own(f"point {name}", f"Point: {name}") if name else SOURCE


def quantity_of(key: Key, question: str, *, is_index: bool) -> Quantity:
    """Return how a number of a question is named."""
    if key == ("value",) and is_index:
        return Quantity(INDEX.concept, ONE)
    if key == ("mm",):
        return Quantity(LENGTHS.get(question, DISTANCE), MM)
    return QUANTITIES[key]


def key_of(concept: Concept, derivation: Concept | None) -> Key | None:
    """Return the key of a number by its name; the way back from `quantity_of`."""
    if _same(concept, INDEX.concept):
        return ("value",)
    if any(_same(concept, each) for each in LENGTHS.values()):
        return ("mm",)
    for key, quantity in QUANTITIES.items():
        if _same(concept, quantity.concept) and _same(derivation, quantity.derivation):
            return key
    return None


def _same(one: Concept | None, other: Concept | None) -> bool:
    if one is None or other is None:
        return one is other
    return (one.scheme, one.value) == (other.scheme, other.value)


def scale_concept(scale: Scale, protocol_hash: str) -> Concept:
    """Return the concept of a scale; one that a study describes itself is named with its protocol.

    Two studies may give their own scales one name.
    """
    is_own = scale.version not in scales.versions(scale.id)
    return own(f"{scale.name}@{protocol_hash[:8]}" if is_own else scale.name, scale.title)


def level_concept(scale: Scale, code: str, protocol_hash: str) -> Concept:
    """Return the concept of a level: the published one, or ours."""
    level = scale.level(code)
    if level.concept is not None:
        return level.concept
    return own(f"{scale_concept(scale, protocol_hash).value}:{code}", f"{code}: {level.title}")


def option_concept(question: str, option: str) -> Concept:
    """Return the concept of an option of a question."""
    return own(f"{question}:{option}", option)


def answer_of(concept: Concept) -> str:
    """Return what a reading holds for a coded value; the way back of the two above."""
    if concept.scheme == SCHEME:
        return concept.value.partition(":")[2]
    return next(
        (
            level.code
            for name in scales.known()
            for version in scales.versions(name)
            for level in scales.get(name, version).levels
            if _same(level.concept, concept)
        ),
        concept.meaning,
    )
