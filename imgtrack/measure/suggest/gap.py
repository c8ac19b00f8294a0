"""What one click in a fluid gap proposes: slices that show it, width and retraction."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import TYPE_CHECKING

import numpy as np

from imgtrack.domain.errors import Fault, InvalidInput
from imgtrack.domain.subjects import Side
from imgtrack.measure.points import as_point
from imgtrack.measure.suggest.head import Head, head_near
from imgtrack.measure.suggest.lines import Line, Scene, on_slices, retraction_line, width_line

if TYPE_CHECKING:
    from numpy.typing import ArrayLike

    from imgtrack.measure.points import Points
    from imgtrack.measure.suggest.volume import Volume


class Hidden(StrEnum):
    """What metal may hide."""

    CUFF = "the cuff"
    RETRACTION = "an end of the retraction"
    WIDTH = "an end of the width"


@dataclass(frozen=True, slots=True)
class GapProposal:
    """What one click proposes.

    Attributes
    ----------
    head
        The sphere the cuff was followed on.
    coronal_slices, sagittal_slices
        Numbers of the slices that show the gap, in order; empty when there is none.
    retraction
        Along the fibres where it is longest, on the bone: from the lateral end of the gap (edge
        of the bare footprint, or lateral stump) to the medial stump, read on the coronal series.
        Its ends lie on different slices when the gap runs obliquely through them. ``None``
        without a gap, and where metal hides an end.
    width
        In the sagittal plane where it is longest, in mid-thickness, from front to back. ``None``
        without a gap, and where metal hides an end.
    hidden
        What metal hides: ends, whose lines are then withheld; or the cuff at the click, so that
        no gap does not mean an uninterrupted cuff.
    """

    head: Head
    coronal_slices: tuple[int, ...]
    sagittal_slices: tuple[int, ...]
    retraction: Line | None
    width: Line | None
    hidden: tuple[Hidden, ...] = ()


def gap_at(click: ArrayLike, *, coronal: Volume, sagittal: Volume, side: Side) -> GapProposal:
    """Return the full-thickness gap that a click lies in, as a proposal.

    The humeral head is found, the cuff followed along it slice by slice, and the gap grown from
    the click to neighbouring slices as long as it overlaps.

    Parameters
    ----------
    click
        Shape ``(3,)``, patient LPS mm: a place within the gap, or up to 3 mm beside it.
    coronal, sagittal
        Fat-suppressed fluid-sensitive series of one scan in the two oblique planes.
    side
        The shoulder.

    Returns
    -------
    GapProposal
        With empty slices and no lines when the cuff is not seen to be interrupted at the click.

    Raises
    ------
    InvalidInput
        If the two series are exchanged.
    Refused
        If no humeral head is found beneath the click.

    Notes
    -----
    Full thickness means: fluid 3 mm high or more on the bone or cartilage. That is wrong where
    repair tissue is as bright as fluid, beside metal, and for a partial tear deeper than that;
    the reader decides.
    """
    start = as_point(click, "click")
    if _leftwards(coronal) > _leftwards(sagittal):
        what = "the coronal and the sagittal series are exchanged"
        raise InvalidInput(Fault(what, next_step="name each by its plane"))
    head = head_near(start, (coronal, sagittal))
    scenes = Scene.of(start, coronal, head), Scene.of(start, sagittal, head)
    on_coronal, on_sagittal = map(on_slices, scenes)
    if not (on_coronal.is_clear or on_sagittal.is_clear):
        is_hidden = bool(scenes[0].voids.hide([start])[0])
        return GapProposal(head, (), (), None, None, (Hidden.CUFF,) if is_hidden else ())
    retraction = retraction_line(*scenes, _lateral(sagittal, side))
    width = width_line(on_sagittal, *scenes)
    named = ((Hidden.RETRACTION, retraction), (Hidden.WIDTH, width))
    return GapProposal(
        head=head,
        coronal_slices=tuple(cut.layer.number for cut in on_coronal.cuts),
        sagittal_slices=tuple(cut.layer.number for cut in on_sagittal.cuts),
        retraction=_seen(retraction),
        width=_seen(width),
        hidden=tuple(name for name, line in named if line is not None and line.is_hidden),
    )


def _seen(line: Line | None) -> Line | None:
    """Return a line unless metal hides an end of it."""
    return None if line is None or line.is_hidden else line


def _leftwards(volume: Volume) -> float:
    """Return how far a series is cut from side to side: 1 for a true sagittal one."""
    return abs(float(volume.stack.planes[0].normal[0]))


def _lateral(sagittal: Volume, side: Side) -> Points:
    """Return the direction, normal to the sagittal series, that points out of the body."""
    normal = sagittal.stack.planes[0].normal
    outwards = 1.0 if side is Side.LEFT else -1.0
    lateral: Points = normal * np.sign(normal[0] * outwards)
    return lateral
