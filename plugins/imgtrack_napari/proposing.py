"""Proposals from pixels: the reader accepts, moves or rejects them; none is saved by itself."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from imgtrack.domain.errors import Fault, InvalidInput, Refused
from imgtrack.domain.form import Measured, Origin
from imgtrack.domain.protocol import Measure, Plane
from imgtrack.measure.stack import Stack
from imgtrack.measure.suggest.edge import edges_near_ends
from imgtrack.measure.suggest.gap import gap_at
from imgtrack.measure.suggest.volume import Volume
from imgtrack_napari.hanging import FLUID
from imgtrack_napari.measuring import Placed, gap_value, line_value
from imgtrack_napari.moving import moved

if TYPE_CHECKING:
    from collections.abc import Mapping

    from imgtrack.desk.cases.images import ShownSeries
    from imgtrack.measure.suggest.gap import GapProposal
    from imgtrack.measure.suggest.lines import Line
    from imgtrack_napari.figures import Handle
    from imgtrack_napari.session import Session

CORONAL, SAGITTAL = Plane.CORONAL_OBLIQUE, Plane.SAGITTAL_OBLIQUE


@dataclass(frozen=True, slots=True)
class Proposal:
    """Answers the program proposes.

    Attributes
    ----------
    answers
        By question, with the origin they are recorded with once accepted.
    words
        What is proposed.
    """

    answers: Mapping[str, Any]
    words: str

    def taken(self, session: Session) -> Mapping[str, Any]:  # noqa: ARG002 - others look there
        """Return the answers that accepting it gives."""
        return self.answers

    def moved(self, session: Session, handle: Handle, placed: Placed) -> Proposal:
        """Return the proposal with one point moved by the reader."""
        question = session.question(handle.question)
        value = moved(question, self.answers[handle.question], handle, placed, session)
        return replace(self, answers={**self.answers, handle.question: value})


def propose_gap(session: Session, point: tuple[float, float, float]) -> Proposal:
    """Return gap slices, width and retraction of the gap that a click lies in.

    Raises
    ------
    Refused
        When the case lacks a series, its side is not known, or the cuff is not interrupted there.
    """
    case = session.case
    if case is None or case.side is None:
        raise Refused(Fault("the side of this shoulder is not known", next_step="draw it"))
    coronal, sagittal = _series(session, CORONAL), _series(session, SAGITTAL)
    found = gap_at(
        point,
        coronal=_volume(session, coronal),
        sagittal=_volume(session, sagittal),
        side=case.side,
    )
    answers = _answers(session, found, coronal, sagittal)
    if not answers:
        seen = "metal hides the cuff" if found.hidden else "no gap is found"
        raise Refused(Fault(f"{seen} where you clicked", next_step="draw it"))
    return Proposal(answers, f"Proposed: accept, move its points, or reject it.{_withheld(found)}")


def _withheld(found: GapProposal) -> str:
    """Return a warning of metal, and which lines it withholds; nothing when it withholds none."""
    if not found.hidden:
        return ""
    hidden = " and ".join(found.hidden)
    return f" Metal is near: what is bright may be no fluid. It may hide {hidden}: no line for it."


def _series(session: Session, plane: Plane) -> ShownSeries:
    """Return the fluid-sensitive series of a plane, of the scan to be read."""
    wanted = [
        each
        for each in session.viewing.panes[plane].choices
        if not each.earlier and each.weighting in FLUID
    ]
    if not wanted or len(wanted[0].images) < 2:
        raise Refused(Fault(f"no fluid-sensitive {plane.value} series", next_step="draw it"))
    return wanted[0]


def _volume(session: Session, series: ShownSeries) -> Volume:
    planes = tuple(image.plane for image in series.images if image.plane is not None)
    return Volume(session.images.pixels(series.alias).values, Stack(planes))


def _answers(
    session: Session, found: GapProposal, coronal: ShownSeries, sagittal: ShownSeries
) -> dict[str, Any]:
    answers: dict[str, Any] = {}
    if session.standing.is_asked(Measure.GAP_SLICES) and (
        found.coronal_slices or found.sagittal_slices
    ):
        answers[Measure.GAP_SLICES.value] = {
            CORONAL.value: _gap(coronal, found.coronal_slices),
            SAGITTAL.value: _gap(sagittal, found.sagittal_slices),
        }
    lines = (
        (Measure.WIDTH, found.width, sagittal),
        (Measure.RETRACTION, found.retraction, coronal),
    )
    for measure, line, series in lines:
        if line is not None and session.standing.is_asked(measure):
            value = _line(session, measure.value, line, series)
            answers |= {} if value is None else {measure.value: value}
    return answers


def _gap(series: ShownSeries, slices: tuple[int, ...]) -> dict[str, Any]:
    return gap_value(series, {series.images[number].alias for number in slices})


def _line(session: Session, name: str, line: Line, series: ShownSeries) -> dict[str, Any] | None:
    """Return a proposed line, its ends moved along the normal onto their slices."""
    asks = session.question(name).asks
    if not isinstance(asks, Measured) or None in line.slices:
        return None
    placed = []
    for point, number in zip((line.start, line.end), line.slices, strict=True):
        image = series.images[number or 0]
        if image.plane is None:
            return None
        on_slice = image.plane.to_patient(image.plane.to_pixels([point]))[0]
        placed.append(Placed(tuple(map(float, on_slice)), image.alias))
    return line_value(asks, placed, Origin.ACCEPTED)


def propose_edges(session: Session, name: str) -> Proposal:
    """Return a drawn line with its ends moved to the edges of the fluid nearest to them.

    Raises
    ------
    Refused
        When nothing was drawn, or its ends lie on two images.
    InvalidInput
        When there is no edge near an end.
    """
    answer = session.value(name)
    asks = session.question(name).asks
    if not isinstance(asks, Measured) or len(answer.get("images", ())) != 1:
        raise Refused(Fault("draw the line on one slice first"))
    alias = answer["images"][0]["uid"]
    image, pixels = session.images.image(alias), session.images.image_pixels(alias)
    if image.plane is None:
        raise Refused(Fault("this image states no geometry"))
    found = edges_near_ends(np.asarray(pixels, dtype=np.float64), image.plane, answer["points"])
    if None in found:
        raise InvalidInput(Fault("no edge of fluid lies near an end of the line"))
    placed = [Placed(tuple(each.point), alias) for each in found if each is not None]
    value = line_value(asks, placed, Origin.ACCEPTED)
    return Proposal(
        {name: value}, f"Proposed {value[asks.quantity]:.1f} mm: accept, move or reject."
    )
