"""How well one rough click in a gap is answered, over shoulders whose truth is known.

Run by hand: ``python tests/bench/accuracy_suggestions.py [--torn N] [--metal N] [--continuous N]
[--jobs N]``. The shoulders, their scans and clicks are made in ``suggestion_cases.py``.

A rough click is the true middle of the gap on the cuff, moved by 2 to 3 mm within a coronal slice
and by up to one slice across it. The continuous cuffs are partly torn, scarred, wet or have
titanium anchors. Retraction is judged as the tool states it: from the edge of the bare footprint,
or from the lateral stump where tendon is left on it, to the medial stump. The aim is the project's
own: a mean absolute error of 1.0 mm or less for width and retraction. A gap without a proposed
line has no error and is counted apart: missed, or an end of it hidden by metal. Slices of one scan
belong together, so their limits are those of clustered shares.
"""

from __future__ import annotations

import argparse
import os
import sys
import time
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace

import numpy as np
from suggestion_cases import CONTINUOUS, SHAPES, SLICES, Case, Scan, cases, rough_click, scanned

from imgtrack.domain.errors import Refused
from imgtrack.domain.subjects import Side
from imgtrack.measure.suggest.gap import GapProposal, gap_at
from imgtrack.stats.proportions import clustered_proportion, proportion
from synthetic_scans.truth.shoulder import Truth

AIM_MM = 1.0
MEDIAL_SHARE = 0.8
"""Where between lateral end and stump a gap with metal is clicked the second time."""

FAR_MM = 3.0
"""An error beyond this is counted as a proposal the reader has to redraw."""

PLANES = {"coronal_oblique": "coronal", "sagittal_oblique": "sagittal"}


@dataclass(frozen=True)
class Answer:
    """One case judged: errors in mm where a line is proposed, and slices by plane."""

    case: Case
    width_mm: float | None
    retraction_mm: float | None
    shown: dict[str, frozenset[int]]
    proposed: dict[str, frozenset[int]]
    is_hidden: bool = False
    refused: str = ""


def judged(case: Case, scan: Scan) -> Answer:
    """Ask for a proposal and hold it against the truth."""
    shown = {
        stack.plane: frozenset(one.index for one in stack.shown) for stack in scan.truth.stacks
    }
    coronal, sagittal = scan.volumes.values()
    try:
        found = gap_at(scan.click, coronal=coronal, sagittal=sagittal, side=Side(case.spec.side))
    except Refused as why:
        nothing = dict.fromkeys(SLICES, frozenset[int]())
        return Answer(case, None, None, shown, nothing, refused=str(why))
    return Answer(case, *errors(found, scan.truth), shown, slices(found), found.is_hidden)


def slices(found: GapProposal) -> dict[str, frozenset[int]]:
    numbers = (found.coronal_slices, found.sagittal_slices)
    return dict(zip(SLICES, map(frozenset, numbers), strict=True))


def errors(found: GapProposal, known: Truth) -> tuple[float | None, float | None]:
    """Return the errors of width and retraction, mm; ``None`` where one is not proposed."""
    pairs = ((found.width, "defect_width"), (found.retraction, "defect_gap"))
    return tuple(
        None if line is None or known.value(name) is None else line.straight_mm - known.value(name)
        for line, name in pairs
    )


def answered(case: Case) -> tuple[Answer, Answer | None]:
    """Scan and judge one case; a gap with metal once more, clicked where a reader may see it."""
    scan = scanned(case)
    return judged(case, scan), judged_beside_metal(case, scan)


def judged_beside_metal(case: Case, scan: Scan) -> Answer | None:
    """Judge the answer to a click in the medial part of a gap, beside the metal; else ``None``."""
    if not (case.is_torn and case.has_metal):
        return None
    click = rough_click(case, scan.volumes["coronal_oblique"], MEDIAL_SHARE)
    return judged(case, replace(scan, click=click))


def error_line(name: str, found: Sequence[float | None]) -> str:
    """Return one row of the table of errors."""
    errors_mm = np.array([each for each in found if each is not None])
    without = len(found) - errors_mm.size
    if errors_mm.size == 0:
        return f"{name:<34}{len(found):>5}{without:>8}"
    off = np.abs(errors_mm)
    figures = (off.mean(), np.median(off), np.quantile(off, 0.95), errors_mm.mean())
    columns = "".join(f"{figure:>9.2f}" for figure in figures)
    return f"{name:<34}{len(found):>5}{without:>8}{columns}{100 * (off > FAR_MM).mean():>9.0f} %"


def groups(answers: Sequence[Answer]) -> Iterator[tuple[str, list[Answer]]]:
    """Yield the rows of the table of errors: all, without and with metal, and by shape."""
    yield "all torn", list(answers)
    for words, metal in (("without metal", False), ("with metal", True)):
        of_kind = [each for each in answers if each.case.has_metal == metal]
        yield words, of_kind
        for shape in SHAPES:
            yield f"  {words}, {shape}", [each for each in of_kind if each.case.kind == shape]


def print_errors(answers: Sequence[Answer]) -> None:
    """Print the errors of width and retraction in mm."""
    for measure in ("width_mm", "retraction_mm"):
        print(f"\n{measure.removesuffix('_mm')}, error in mm")
        heads = ("mean |e|", "median", "95th", "mean e", f"> {FAR_MM:g} mm")
        print(f"{'':<34}{'n':>5}{'no line':>8}" + "".join(f"{head:>9}" for head in heads))
        for name, group in groups(answers):
            if group:
                print(error_line(name, [getattr(each, measure) for each in group]))


def share(words: str, hits: Iterable[bool]) -> None:
    """Print a share of cases with its Wilson limits."""
    held = list(hits)
    if held:
        print(f"{words:<52} {said(sum(held), len(held), proportion(sum(held), len(held)))}")


def said(events: int, n: int, found) -> str:
    limits = f"{100 * found.low:.1f} to {100 * found.high:.1f}"
    return f"{events:>5} of {n:<5} {100 * events / n:5.1f} % ({limits})"


def print_cases(answers: Sequence[Answer]) -> None:
    """Print how often a gap is found where there is one, and none where there is none."""
    print("\ngap proposed, per case; 95 % limits after Wilson")
    views: dict[str, Callable[[Answer], bool]] = {
        "either plane": lambda each: any(each.proposed.values()),
        **{
            words: lambda each, plane=plane: bool(each.proposed[plane])
            for plane, words in PLANES.items()
        },
    }
    whole = [each for each in answers if not each.case.is_torn]
    for words, says in views.items():
        for metal, with_metal in (("", (False, True)), ("no metal", (False,)), ("metal", (True,))):
            label = f"{words}{', ' + metal if metal else ''}"
            group = [each for each in answers if each.case.has_metal in with_metal]
            share(f"sensitivity, {label}", (says(e) for e in group if e.case.is_torn))
            share(f"specificity, {label}", (not says(e) for e in group if not e.case.is_torn))
    for kind in dict.fromkeys(CONTINUOUS):
        of_kind = [each for each in whole if each.case.kind == kind]
        share(f"specificity, either plane, {kind}", (not any(e.proposed.values()) for e in of_kind))


def print_slices(answers: Sequence[Answer]) -> None:
    """Print how the proposed slices agree with those that show the gap."""
    print("\nslices; 95 % limits of clustered shares, one cluster per scan")
    for words, metal in (("no metal", False), ("metal", True)):
        group = [each for each in answers if each.case.has_metal == metal]
        for plane, name in PLANES.items():
            print_plane(f"{name}, {words}", plane, group)


def print_plane(words: str, plane: str, answers: Sequence[Answer]) -> None:
    """Print the agreement about the slices of one plane."""
    every = SLICES[plane][0]
    torn_cuffs = [each for each in answers if each.case.is_torn]
    hits = [len(each.shown[plane] & each.proposed[plane]) for each in torn_cuffs]
    clustered(f"sensitivity, {words}", hits, [len(each.shown[plane]) for each in torn_cuffs])
    kept = [every - len(each.shown[plane] | each.proposed[plane]) for each in answers]
    clustered(f"specificity, {words}", kept, [every - len(each.shown[plane]) for each in answers])
    off = [abs(len(each.shown[plane]) - len(each.proposed[plane])) for each in torn_cuffs]
    share(f"count within one slice, torn, {words}", (each <= 1 for each in off))


def clustered(words: str, events: list[int], sizes: list[int]) -> None:
    if not sum(sizes):
        return
    found = clustered_proportion(events, sizes)
    print(f"{words:<52} {said(sum(events), sum(sizes), found)}")


def print_beside_metal(answers: Sequence[Answer]) -> None:
    """Print what a click in the medial part of a gap with metal brings."""
    if not answers:
        return
    print("\ngaps with metal, clicked at four fifths of the way to the stump")
    for plane, words in PLANES.items():
        share(f"sensitivity, {words}", (bool(each.proposed[plane]) for each in answers))
    share("said to be hidden by metal", (each.is_hidden for each in answers))
    for measure in ("width_mm", "retraction_mm"):
        print(error_line(measure, [getattr(each, measure) for each in answers]))


def report(answers: Sequence[Answer], beside_metal: Sequence[Answer]) -> bool:
    """Print all tables; return whether the aim is kept over the lines proposed."""
    of_torn = [each for each in answers if each.case.is_torn]
    print_errors(of_torn)
    print_cases(answers)
    print_slices(answers)
    for words, metal in (("no metal", False), ("metal", True)):
        of_kind = (each for each in answers if each.case.has_metal == metal)
        share(f"said to be hidden by metal, {words}", (each.is_hidden for each in of_kind))
    print_beside_metal(beside_metal)
    refused = [each for each in answers if each.refused]
    print(f"\nno head found: {len(refused)} of {len(answers)}")
    kept = True
    for measure in ("width_mm", "retraction_mm"):
        off = [abs(e) for each in of_torn if (e := getattr(each, measure)) is not None]
        kept &= bool(off) and float(np.mean(off)) <= AIM_MM
    print(f"aim of {AIM_MM} mm over the lines proposed: {'kept' if kept else 'missed'}")
    return kept


def main() -> int:
    """Run and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--torn", type=int, default=100)
    parser.add_argument("--metal", type=int, default=40)
    parser.add_argument("--continuous", type=int, default=100)
    parser.add_argument("--jobs", type=int, default=2)
    asked = parser.parse_args()
    os.environ.setdefault("OMP_NUM_THREADS", "1")
    wanted = cases(asked.torn, asked.metal, asked.continuous)
    began = time.perf_counter()
    with ProcessPoolExecutor(asked.jobs) as pool:
        pairs = list(pool.map(answered, wanted))
    answers = [first for first, _ in pairs]
    beside_metal = [second for _, second in pairs if second is not None]
    print(f"{len(answers)} cases in {time.perf_counter() - began:.0f} s, {asked.jobs} processes")
    return 0 if report(answers, beside_metal) else 1


if __name__ == "__main__":
    sys.exit(main())
