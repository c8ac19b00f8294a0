"""How well one rough click in a gap is answered, over shoulders whose truth is known.

Run by hand: ``python tests/bench/accuracy_suggestions.py [--torn N] [--metal N] [--continuous N]
[--first SEED] [--jobs N]``. The shoulders, their scans and clicks are made in
``suggestion_cases.py``. The tool's constants were chosen on seeds below 1000; from there on the
figures are of shoulders never looked at.

A rough click is the true middle of the gap on the cuff, or of what metal leaves to be seen of it,
moved by 2 to 3 mm within a coronal slice and by up to one slice across it. The continuous cuffs
are partly torn, scarred, wet or have titanium anchors. Retraction is judged as the tool states it:
from the edge of the bare footprint, or from the lateral stump where tendon is left on it, to the
medial stump. The aim is the project's own: a mean absolute error of 1.0 mm or less for width and
retraction. A gap without a proposed line has no error and is counted apart. Beside metal a gap is
counted as one to be found, and a slice as one that shows it, where metal leaves the whole
thickness of the cuff over 2 mm. Slices of one scan belong together, so their limits are those of
clustered shares.
"""

from __future__ import annotations

import argparse
import os
import sys
import time
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass

import numpy as np
from seen_gap import is_hidden, seen_places, slices_seen
from suggestion_cases import CONTINUOUS, SHAPES, SLICES, Case, Metal, Scan, cases, scanned

from imgtrack.domain.errors import Refused
from imgtrack.domain.subjects import Side
from imgtrack.measure.suggest.gap import GapProposal, Hidden, gap_at
from imgtrack.stats.proportions import clustered_proportion, proportion
from synthetic_scans.truth.shoulder import Truth

AIM_MM = 1.0
FAR_MM = 3.0
"""An error beyond this is counted as a proposal the reader has to redraw."""

METALS: tuple[Metal, ...] = ("no metal", "bloom", "field")
LINES = {"width_mm": "defect_width", "retraction_mm": "defect_gap"}
PLANES = {"coronal_oblique": "coronal", "sagittal_oblique": "sagittal"}


@dataclass(frozen=True)
class Answer:
    """One case judged.

    Errors are in mm, where a line is proposed. By plane: the slices that cross the gap, those
    that show it beside the metal, and those proposed.
    """

    case: Case
    width_mm: float | None
    retraction_mm: float | None
    crossed: dict[str, frozenset[int]]
    shown: dict[str, frozenset[int]]
    proposed: dict[str, frozenset[int]]
    hidden: tuple[Hidden, ...] = ()
    hidden_lines: tuple[str, ...] = ()
    refused: str = ""

    @property
    def is_to_be_found(self) -> bool:
        """Whether any slice shows a gap."""
        return any(self.shown.values())


def judged(case: Case, scan: Scan) -> Answer:
    """Ask for a proposal and hold it against the truth."""
    crossed = {
        stack.plane: frozenset(one.index for one in stack.shown) for stack in scan.truth.stacks
    }
    shown = crossed if case.metal == "no metal" or not case.is_torn else seen(case, scan)
    coronal, sagittal = scan.volumes.values()
    try:
        found = gap_at(scan.click, coronal=coronal, sagittal=sagittal, side=Side(case.spec.side))
    except Refused as why:
        nothing = dict.fromkeys(SLICES, frozenset[int]())
        return Answer(case, None, None, crossed, shown, nothing, refused=str(why))
    width, retraction = errors(found, scan.truth)
    return Answer(
        case,
        width,
        retraction,
        crossed,
        shown,
        slices(found),
        found.hidden,
        tuple(name for name in LINES if is_line_hidden(case, scan.truth, LINES[name])),
    )


def seen(case: Case, scan: Scan) -> dict[str, frozenset[int]]:
    """Return, by plane, the slices that show a gap beside metal."""
    places = seen_places(case.spec)
    return {name: slices_seen(volume, places) for name, volume in scan.volumes.items()}


def is_line_hidden(case: Case, known: Truth, name: str) -> bool:
    """Return whether metal hides an end of a true line."""
    points = [each.points for each in known.measurements if each.name == name]
    return bool(points) and is_hidden(case.spec, [points[0][0], points[0][-1]])


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


def answered(case: Case) -> Answer:
    """Scan and judge one case."""
    return judged(case, scanned(case))


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
    """Yield the rows of the table of errors: by metal, and by shape without any."""
    for metal in METALS:
        of_kind = [each for each in answers if each.case.metal == metal]
        yield metal, of_kind
        if metal == "no metal":
            for shape in SHAPES:
                yield f"  {shape}", [each for each in of_kind if each.case.kind == shape]


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
    """Print how often a gap is found where one is shown, and none where the cuff is whole."""
    print("\ngap proposed, per case; 95 % limits after Wilson")
    views: dict[str, Callable[[Answer], bool]] = {
        "either plane": lambda each: any(each.proposed.values()),
        **{
            words: lambda each, plane=plane: bool(each.proposed[plane])
            for plane, words in PLANES.items()
        },
    }
    for words, says in views.items():
        for metal in METALS:
            group = [each for each in answers if each.case.metal == metal]
            torn = [each for each in group if each.is_to_be_found]
            whole = [each for each in group if not each.case.is_torn]
            share(f"sensitivity, {words}, {metal}", map(says, torn))
            share(f"specificity, {words}, {metal}", (not says(each) for each in whole))
    for kind in dict.fromkeys(CONTINUOUS):
        of_kind = [each for each in answers if each.case.kind == kind]
        share(f"specificity, either plane, {kind}", (not any(e.proposed.values()) for e in of_kind))


def print_slices(answers: Sequence[Answer]) -> None:
    """Print how the proposed slices agree with those that show the gap."""
    print("\nslices; 95 % limits of clustered shares, one cluster per scan")
    for metal in METALS:
        group = [each for each in answers if each.case.metal == metal]
        for plane, name in PLANES.items():
            print_plane(f"{name}, {metal}", plane, group)


def print_plane(words: str, plane: str, answers: Sequence[Answer]) -> None:
    """Print the agreement about the slices of one plane."""
    every = SLICES[plane][0]
    torn_cuffs = [each for each in answers if each.case.is_torn]
    hits = [len(each.shown[plane] & each.proposed[plane]) for each in torn_cuffs]
    clustered(f"sensitivity, {words}", hits, [len(each.shown[plane]) for each in torn_cuffs])
    kept = [every - len(each.crossed[plane] | each.proposed[plane]) for each in answers]
    clustered(f"specificity, {words}", kept, [every - len(each.crossed[plane]) for each in answers])
    off = [abs(len(each.shown[plane]) - len(each.proposed[plane])) for each in torn_cuffs]
    share(f"count within one slice, torn, {words}", (each <= 1 for each in off))


def clustered(words: str, events: list[int], sizes: list[int]) -> None:
    if not sum(sizes):
        return
    found = clustered_proportion(events, sizes)
    print(f"{words:<52} {said(sum(events), sum(sizes), found)}")


def print_hidden(answers: Sequence[Answer]) -> None:
    """Print in how many gaps beside metal a line is proposed, its true ends hidden or not."""
    print("\nlines beside metal")
    for metal in METALS[1:]:
        torn = [each for each in answers if each.case.metal == metal and each.case.is_torn]
        for line in LINES:
            for words, is_so in (("seen", False), ("hidden", True)):
                group = [each for each in torn if (line in each.hidden_lines) == is_so]
                given = (getattr(each, line) is not None for each in group)
                share(f"{line.removesuffix('_mm')} proposed, true ends {words}, {metal}", given)


def report(answers: Sequence[Answer]) -> bool:
    """Print all tables; return whether the aim is kept over the lines proposed."""
    of_torn = [each for each in answers if each.case.is_torn]
    print_errors(of_torn)
    print_cases(answers)
    print_slices(answers)
    print_hidden(answers)
    for metal in METALS:
        of_kind = [each for each in answers if each.case.metal == metal]
        share(f"something said to be hidden, {metal}", (bool(each.hidden) for each in of_kind))
        share(f"no head found, {metal}", (bool(each.refused) for each in of_kind))
    kept = True
    for measure in LINES:
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
    parser.add_argument("--first", type=int, default=1000)
    parser.add_argument("--jobs", type=int, default=2)
    asked = parser.parse_args()
    os.environ.setdefault("OMP_NUM_THREADS", "1")
    wanted = cases(asked.torn, asked.metal, asked.continuous, asked.first)
    began = time.perf_counter()
    with ProcessPoolExecutor(asked.jobs) as pool:
        answers = list(pool.map(answered, wanted))
    print(f"{len(answers)} cases in {time.perf_counter() - began:.0f} s, {asked.jobs} processes")
    return 0 if report(answers) else 1


if __name__ == "__main__":
    sys.exit(main())
