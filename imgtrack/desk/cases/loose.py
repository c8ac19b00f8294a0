"""Measure in a loose folder of DICOM files, without a study: nothing is recorded or signed."""

from __future__ import annotations

import secrets
from collections import defaultdict
from typing import TYPE_CHECKING, Any

from imgtrack.desk.cases.booth import booth_of
from imgtrack.desk.cases.images import ShownImage, ShownPixels, ShownSeries
from imgtrack.desk.cases.next_case import Opening
from imgtrack.desk.cases.screen import BlindCase, open_hatch
from imgtrack.dicom.headers import read_header
from imgtrack.dicom.naming import name_stack
from imgtrack.dicom.pixels import load_volume
from imgtrack.dicom.records import Header
from imgtrack.dicom.sources import Refusal, sources
from imgtrack.dicom.stacks import stacks
from imgtrack.domain.errors import Fault, InvalidInput, Refused
from imgtrack.domain.form import Form, GapSlices, Measured, Question, Step, mr
from imgtrack.domain.imaging import Modality
from imgtrack.domain.protocol import Measure, Plane
from imgtrack.domain.scales import View

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator, Mapping
    from pathlib import Path

    from imgtrack.desk.cases.booth import Booth
    from imgtrack.dicom.naming import NamedStack
    from imgtrack.domain.form.questions import Asks
    from imgtrack.domain.subjects import Side

LENGTH, LENGTH_TITLE = "any length", "Any length"
ANYWHERE: tuple[View, ...] = ()

TEAR: tuple[tuple[str, str, Asks], ...] = (
    (LENGTH, LENGTH_TITLE, Measured(("one end", "other end"), ANYWHERE)),
    (
        Measure.GAP_SLICES.value,
        "Slices with a gap",
        GapSlices((Plane.CORONAL_OBLIQUE, Plane.SAGITTAL_OBLIQUE)),
    ),
    (Measure.WIDTH.value, "Tear width", mr.WIDTH),
    (Measure.RETRACTION.value, "Retraction, straight", mr.RETRACTION),
    (Measure.RETRACTION_ALONG_HEAD.value, "Retraction along the head", mr.ALONG_HEAD),
    (Measure.PATTE_LANDMARKS.value, "Patte landmarks", mr.LANDMARKS),
    (Measure.THICKNESS.value, "Tendon thickness", mr.THICKNESS),
    (Measure.FOOTPRINT_COVERAGE.value, "Footprint coverage", mr.COVERAGE),
)
MUSCLE: tuple[tuple[str, str, Asks], ...] = (
    (Measure.TANGENT_LINE.value, "Tangent line", mr.TANGENT),
    (Measure.OCCUPATION_RATIO.value, "Occupation ratio", mr.OCCUPATION),
    (Measure.FAT_FRACTION.value, "Fat fraction of the supraspinatus", mr.FAT_FRACTION),
)


def open_loose(folder: Path) -> Booth:
    """Return a booth whose cases are the studies found in a folder.

    Parameters
    ----------
    folder
        With DICOM files, as they came; they are only read.

    Returns
    -------
    Booth
        Its drafts are kept nowhere, and signing is refused; it tells how many files are left out.

    Raises
    ------
    InvalidInput
        When no image is found that can be shown; with what was wrong with the first files.
    """
    by_study: defaultdict[str, list[Header]] = defaultdict(list)
    refused: list[Refusal] = []
    for source in sources([folder]):
        read = source if isinstance(source, Refusal) else read_header(source)
        if isinstance(read, Refusal):
            refused.append(read)
        else:
            by_study[f"{read.study_uid} {read.modality.value}"].append(read)
    if not by_study:
        first = [each.fault for each in refused[:3]]
        raise InvalidInput([Fault("no image to measure on is found", str(folder)), *first])
    waiting = iter(by_study.values())
    done = [0, len(by_study)]

    def open_next() -> Opening:
        headers = next(waiting, None)
        if headers is None:
            return Opening(None, ())
        done[0] += 1
        return Opening(_case(headers, done[0]), ())

    acts: dict[str, Callable[..., Any]] = {
        "open next": open_next,
        "save": lambda _case, _answers, _proposals: 0,
        "sign": _refuse,
        "implied": lambda _form, _answers: (),
        "progress": lambda: (max(done[0] - 1, 0), done[1]),
        "prepare": lambda _after: None,
    }
    return booth_of("", acts, lambda _text: None, left_out=len(refused))


def loose_form(modality: Modality) -> Form:
    """Return what can be measured in a loose folder; nothing is required."""
    if modality is not Modality.MR:
        asked = [Question(LENGTH, LENGTH_TITLE, Step.JOINT, TEAR[0][2], required=False)]
        return Form(modality, tuple(asked), ())
    questions = [
        Question(name, title, step, asks, required=False, help=mr.HELP.get(name, ""))
        for step, group in ((Step.TEAR, TEAR), (Step.MUSCLE, MUSCLE))
        for name, title, asks in group
    ]
    return Form(modality, tuple(questions), ())


def _refuse(_case: BlindCase, _phrase: str) -> None:
    raise Refused(
        Fault("nothing is signed without a study", next_step="take the scan into a study")
    )


def _case(headers: Iterable[Header], number: int) -> BlindCase:
    named = [name_stack(stack) for stack in stacks(headers)]
    shown = [_shown(place, each) for place, each in enumerate(named, 1)]
    by_alias = {series.alias: each for series, each in zip(shown, named, strict=True)}

    def load(alias: str) -> ShownPixels:
        volume = load_volume(by_alias[alias].stack)
        return ShownPixels(volume.values, volume.inverted, volume.unit)

    modality = named[0].stack.header.modality
    return BlindCase(
        code=f"loose {number}",
        session=secrets.token_hex(8),
        modality=modality,
        form=loose_form(modality),
        series=tuple(shown),
        answers=_nothing(),
        proposals=_nothing(),
        training=False,
        timepoint="",
        side=_side(named),
        _hatch=open_hatch(load, lambda _text: None),
    )


def _nothing() -> Mapping[str, Any]:
    return {}


def _side(named: Iterable[NamedStack]) -> Side | None:
    """Return the side all series agree on."""
    sides = {each.naming.side for each in named} - {None}
    return sides.pop() if len(sides) == 1 else None


def _shown(number: int, named: NamedStack) -> ShownSeries:
    stack, naming = named.stack, named.naming
    alias = f"0.{number}"
    return ShownSeries(
        alias,
        0,
        naming.plane,
        naming.weighting,
        naming.part.value,
        tuple(_images(alias, named)),
        stack.spacing_mm,
    )


def _images(alias: str, named: NamedStack) -> Iterator[ShownImage]:
    stack = named.stack
    for place, frame in enumerate(stack.frames):
        plane = stack.planes[place] if stack.planes else None
        spacing = frame.spacing if plane is None else plane.spacing
        yield ShownImage(f"{alias}.{place + 1}", frame.rows, frame.columns, spacing, plane)
