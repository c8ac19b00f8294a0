"""What is claimed about the shoulder a stack shows: by its header, its place and its tilt."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import TYPE_CHECKING

from imgtrack.dicom.certainty import Certainty
from imgtrack.dicom.planes import side_by_tilt
from imgtrack.domain.subjects import Side

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    from imgtrack.dicom.stacks import Stack
    from imgtrack.domain.protocol import Plane
    from imgtrack.measure.points import Vector

LIKELY_MM, UNSURE_MM = 80.0, 40.0
"""How far beside the middle of the magnet a stack's centre must be to claim a side.

Common practice, no source: shoulders are some 15 to 20 cm apart from the midline, and a patient
can be shifted in the bore by some centimetres to bring the shoulder nearer to its middle.
"""

LIKELY_TILT_DEG, UNSURE_TILT_DEG = 20.0, 10.0
"""How far a stack must be tilted off the planes of the body to claim a side."""

SIDES = {"L": Side.LEFT, "R": Side.RIGHT}
LEFT_WORDS = re.compile(r"(?<![A-Z])(LEFT|LT)(?![A-Z])")
RIGHT_WORDS = re.compile(r"(?<![A-Z])(RIGHT|RT)(?![A-Z])")


@dataclass(frozen=True, slots=True)
class SideClaim:
    """One claim about which shoulder is shown.

    Attributes
    ----------
    side
        The side claimed.
    source
        Where the claim stands: the name of an attribute, ``position`` or ``tilt``.
    certainty
        How far to trust it.
    reason
        The numbers behind it; never the words of a description.
    """

    side: Side
    source: str
    certainty: Certainty
    reason: str


def header_claims(stack: Stack) -> Iterator[SideClaim]:
    """Yield what the headers say: coded attributes, and words of descriptions as hints.

    Image Laterality and Frame Laterality are read of every image: each side that any image
    states is a claim of its own.
    """
    header = stack.header
    coded = {
        "Laterality": {header.laterality},
        "Anatomic Region Modifier": {header.region_modifier},
        "Image Laterality": {frame.laterality for frame in stack.frames},
    }
    for source, letters in coded.items():
        for letter in sorted(letters & SIDES.keys()):
            yield SideClaim(SIDES[letter], source, Certainty.CERTAIN, f"stated as {letter}")
    texts = {
        "Series Description": header.series_description,
        "Study Description": header.study_description,
        "Protocol Name": header.protocol_name,
        "Body Part Examined": header.body_part,
    }
    for source, text in texts.items():
        side = _side_in(text)
        if side is not None:
            yield SideClaim(side, source, Certainty.LIKELY, f"a word for {side} in it")


def position_claims(stack: Stack) -> Iterator[SideClaim]:
    """Yield the side of the patient on which the centre of the volume lies.

    Patient coordinates grow to the left, from an origin the standard leaves open; scanners use
    the middle of the magnet, which is near the midline of a patient who lies straight. A patient
    shifted far to one side, or lying on the side, can make this claim wrong: it is never certain
    and is not made near the middle.
    """
    centre = stack.centre
    if centre is None or abs(centre[0]) < UNSURE_MM:
        return
    side = Side.LEFT if centre[0] > 0 else Side.RIGHT
    certainty = Certainty.LIKELY if abs(centre[0]) >= LIKELY_MM else Certainty.UNSURE
    reason = f"the centre lies {abs(centre[0]):.0f} mm to the {side} of the magnet's middle"
    yield SideClaim(side, "position", certainty, reason)


def tilt_claims(normal: Vector, plane: Plane) -> Iterator[SideClaim]:
    """Yield the side whose scapula the stack is tilted along.

    Oblique stacks follow the scapula (see :func:`imgtrack.dicom.planes.name_plane`); a stack
    set up against the rule makes this claim wrong, so it is never certain.
    """
    told = side_by_tilt(normal, plane)
    if told is None or told[1] < UNSURE_TILT_DEG:
        return
    side, tilt = told
    certainty = Certainty.LIKELY if tilt >= LIKELY_TILT_DEG else Certainty.UNSURE
    yield SideClaim(side, "tilt", certainty, f"tilted by {tilt:.0f} degrees along a {side} scapula")


def agreed_side(claims: Iterable[SideClaim]) -> Side | None:
    """Return the side on which all trusted claims agree; ``None`` without one or in conflict."""
    sides = {claim.side for claim in claims if claim.certainty.is_trusted}
    return sides.pop() if len(sides) == 1 else None


def in_conflict(claims: Iterable[SideClaim]) -> bool:
    """Whether trusted claims contradict each other."""
    return len({claim.side for claim in claims if claim.certainty.is_trusted}) > 1


def _side_in(text: str) -> Side | None:
    """Return the one side a text names; ``None`` when it names none or both."""
    upper = text.upper()
    named = {Side.LEFT: LEFT_WORDS.search(upper), Side.RIGHT: RIGHT_WORDS.search(upper)}
    found = [side for side, match in named.items() if match]
    return found[0] if len(found) == 1 else None
