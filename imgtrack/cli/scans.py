"""Commands about the scans that are in: list them, place them, correct them."""

from __future__ import annotations

from typing import Annotated

import typer
from rich.table import Table
from rich.text import Text

from imgtrack.cli.console import OUT, say
from imgtrack.cli.intake import CleanPixels, tell
from imgtrack.cli.options import HERE, StudyFolder, Who, day_given, opened
from imgtrack.desk.intake import correcting, placing
from imgtrack.desk.intake.listing import Listed, list_scans, short
from imgtrack.desk.intake.outcome import Report
from imgtrack.desk.intake.waiting_list import folder_of
from imgtrack.desk.study import Study
from imgtrack.domain.certainty import Certainty
from imgtrack.domain.protocol import Plane, Weighting
from imgtrack.domain.series import ScanProblem, ScanProblemKind
from imgtrack.domain.subjects import Side

Reason = Annotated[str, typer.Option("--reason", help="Why, for the log.")]
MaybeScan = Annotated[
    str, typer.Argument(metavar="[SCAN]", help="As the list shows it, or REPAIR/TIMEPOINT.")
]


def scans(
    scan: MaybeScan = "",
    *,
    study: StudyFolder = HERE,
    who: Who = "",
    problems: Annotated[
        bool, typer.Option("--problems", help="Only scans with problems, and what they are.")
    ] = False,
    accept: Annotated[
        ScanProblemKind | None,
        typer.Option(help="Let this problem of SCAN stand, so that it is read (with --reason)."),
    ] = None,
    reason: Reason = "",
) -> None:
    """List the scans that are in, their series and their problems."""
    with opened(study, who) as desk:
        if accept is not None:
            _say_open(correcting.accept(desk, scan, accept, reason=reason))
            return
        listed = list_scans(desk)
    if scan:
        listed = [each for each in listed if _goes_by(each, scan)]
        if not listed:
            raise typer.BadParameter(f"no scan goes by {scan!r}")
        for each in listed:
            _draw_scan(each)
        return
    shown = [each for each in listed if each.problems] if problems else listed
    _draw_list(shown)
    if problems:
        for each in shown:
            _draw_problems(each)
    blocked = sum(each.is_blocked for each in listed)
    say(f"{len(listed)} scans, {blocked} of them held by a problem.")


def place(
    what: Annotated[
        str,
        typer.Argument(metavar="[CODE|SCAN]", help="Code of a waiting study, or a scan."),
    ] = "",
    *,
    study: StudyFolder = HERE,
    who: Who = "",
    repair: Annotated[str, typer.Option(help="The repair it belongs to.")] = "",
    timepoint: Annotated[str, typer.Option(help="Of a scan: the timepoint it counts for.")] = "",
    unscheduled: Annotated[
        bool, typer.Option("--unscheduled", help="Of a scan: it counts for no timepoint.")
    ] = False,
    set_aside: Annotated[
        bool, typer.Option("--set-aside", help="The waiting study is none of ours.")
    ] = False,
    date: Annotated[str, typer.Option(help="Day of a study without one, as 2031-05-28.")] = "",
    identity: Annotated[
        bool, typer.Option("--identity", help="List what the headers say of the patients.")
    ] = False,
    clean_pixels: CleanPixels = None,
    reason: Reason = "",
) -> None:
    """List the studies that wait, and say whose one is; or give a scan another place."""
    with opened(study, who) as desk:
        if not what:
            _list_waiting(desk, identity=identity)
        elif not what.upper().startswith("W-"):
            at = "" if unscheduled else timepoint or None
            moved = placing.place_scan(desk, what, repair=repair, timepoint=at, reason=reason)
            say(f"{short(moved.uid)} is {moved.repair} {moved.timepoint or 'unscheduled'}.")
        elif set_aside:
            placing.set_aside(desk, what, reason=reason)
            say(f"{what} is set aside.")
        else:
            day = day_given(date) if date else None
            outcome, refusals = placing.place_study(
                desk, what, repair, reason=reason, day=day, clean_pixels=clean_pixels or ()
            )
            tell(Report(outcome.files + len(refusals), (outcome,), refusals))


def relabel(
    scan: Annotated[str, typer.Argument(help="As the list shows it, or REPAIR/TIMEPOINT.")],
    *,
    study: StudyFolder = HERE,
    who: Who = "",
    series: Annotated[
        int | None, typer.Option(help="Number of the series in: imgtrack scans SCAN.")
    ] = None,
    plane: Annotated[Plane | None, typer.Option(help="Plane of that series.")] = None,
    weighting: Annotated[Weighting | None, typer.Option(help="Weighting of that series.")] = None,
    side: Annotated[Side | None, typer.Option(help="Shoulder that the scan shows.")] = None,
    reason: Reason = "",
) -> None:
    """Correct plane or weighting of a series, or the side of a scan; logged with the reason."""
    with opened(study, who) as desk:
        left = correcting.relabel(
            desk, scan, series=series, plane=plane, weighting=weighting, side=side, reason=reason
        )
    _say_open(left)


def _list_waiting(desk: Study, *, identity: bool) -> None:
    found = placing.waiting(desk)
    for each in found:
        kinds = " ".join(each.modalities)
        say(f"{each.code}  {each.examined_on or 'no date'}  {kinds}  {len(each.files)} files")
        say(f"    {each.reason}")
        say(f"    {folder_of(each)}")
        if identity:
            said = ", ".join(f"{name} {text}" for name, text in each.claim.items() if text)
            say(f"    {said or 'the headers name nobody'}")
    say(f"{len(found)} studies wait." if found else "Nothing waits.")
    if found:
        say("Next: imgtrack place CODE --repair REPAIR --reason WHY (or --set-aside)")


def _goes_by(each: Listed, name: str) -> bool:
    scan = each.scan
    return name in {scan.uid, short(scan.uid), scan.repair, f"{scan.repair}/{scan.timepoint}"}


def _draw_list(listed: list[Listed]) -> None:
    table = Table(show_edge=False, pad_edge=False)
    for heading in ("scan", "repair", "timepoint", "day", "kind", "series", "stage", "problems"):
        table.add_column(heading, no_wrap=True)
    for each in listed:
        scan = each.scan
        table.add_row(
            short(scan.uid),
            scan.repair,
            scan.timepoint or "unscheduled",
            scan.acquired_on.isoformat(),
            scan.modality.value,
            str(sum(bool(series.images) for series in each.series)),
            scan.stage.value,
            Text(f"{len(each.problems)}, held", "bold")
            if each.is_blocked
            else str(len(each.problems)),
        )
    OUT.print(table)


def _draw_scan(each: Listed) -> None:
    _draw_list([each])
    table = Table(show_edge=False, pad_edge=False)
    for heading in ("no.", "plane", "weighting", "part", "slices", "size", "mm", "field", "side"):
        table.add_column(heading)
    for number, series in enumerate(each.series, 1):
        spacing = "" if series.spacing_mm is None else f"{series.spacing_mm:.2f}"
        table.add_row(
            str(number),
            _name(series.plane, series.plane_certainty),
            _name(series.weighting, series.weighting_certainty),
            series.part,
            str(series.slices),
            f"{series.rows} x {series.columns}",
            spacing,
            "" if series.field_tesla is None else f"{series.field_tesla:g} T",
            series.side.value if series.side else "-",
        )
    OUT.print(table)
    for number, series in enumerate(each.series, 1):
        for text in (*series.side_claims, *series.problems):
            say(f"  series {number}: {text}")
    _draw_problems(each)


def _name(name: Plane | Weighting | None, certainty: Certainty) -> str:
    doubt = "" if certainty is Certainty.CERTAIN else f" ({certainty})"
    return f"{name or '-'}{doubt}"


def _draw_problems(each: Listed) -> None:
    numbers = {series.key: number for number, series in enumerate(each.series, 1)}
    for problem in each.problems:
        _say_problem(problem, numbers.get(problem.about))


def _say_problem(problem: ScanProblem, number: int | None = None) -> None:
    held = "HELD  " if problem.blocks_reading else "      "
    about = f"series {number}: " if number is not None else ""
    say(f"{held}{short(problem.scan)}  {problem.kind}: {about}{problem.text}")


def _say_open(problems: tuple[ScanProblem, ...]) -> None:
    for problem in problems:
        _say_problem(problem)
    say("No problem of this scan is open." if not problems else f"{len(problems)} still open.")
