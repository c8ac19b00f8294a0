"""Commands that take scans in, from files and over the network."""

from __future__ import annotations

import time
from pathlib import Path
from typing import Annotated

import typer

from imgtrack.cli.console import progress, say
from imgtrack.cli.options import HERE, StudyFolder, Who, opened
from imgtrack.desk.intake.listening import Spool, spool_of, take_received
from imgtrack.desk.intake.listing import short
from imgtrack.desk.intake.outcome import Fate, Report, StudyOutcome
from imgtrack.desk.intake.run import take_in
from imgtrack.desk.study import Study
from imgtrack.dicom.receive import Caller, Tls
from imgtrack.dicom.receive import listen as receive
from imgtrack.domain.errors import Unavailable
from imgtrack.domain.protocol import Role

MOST_REFUSALS = 40
MOST_STUDIES = 60
QUIET_SECONDS = 20.0
LOOK_SECONDS = 0.5

CleanPixels = Annotated[
    list[Path] | None,
    typer.Option(
        "--clean-pixels",
        metavar="PATH",
        help="Files or a folder whose pixels you have looked at: nobody is named in them.",
    ),
]


def intake(
    paths: Annotated[list[Path], typer.Argument(help="Folders, files, zip archives, DICOMDIR.")],
    *,
    study: StudyFolder = HERE,
    who: Who = "",
    manifest: Annotated[
        Path | None, typer.Option(help="Sheet with path, subject, side and timepoint.")
    ] = None,
    dry_run: Annotated[
        bool, typer.Option("--dry-run", help="Tell what would happen; change nothing.")
    ] = False,
    clean_pixels: CleanPixels = None,
) -> None:
    """Take scans in: check, de-identify, link to repair and timepoint; nothing is skipped."""
    with opened(study, who) as desk, progress() as report:
        done = take_in(
            desk,
            paths,
            manifest=manifest,
            dry_run=dry_run,
            clean_pixels=clean_pixels or (),
            progress=report,
        )
    tell(done)


def listen(
    *,
    study: StudyFolder = HERE,
    who: Who = "",
    caller: Annotated[
        list[str],
        typer.Option(metavar="TITLE@ADDRESS", help="Who may send, as MR1@192.0.2.7 or a network."),
    ],
    port: Annotated[int, typer.Option(help="Port to listen on.")] = 11112,
    address: Annotated[str, typer.Option(help="Address to listen on.")] = "127.0.0.1",
    title: Annotated[str, typer.Option(help="AE title callers must call.")] = "IMGTRACK",
    quiet: Annotated[
        float, typer.Option(help="Seconds without a new image before a scan is taken in.")
    ] = QUIET_SECONDS,
    certificate: Annotated[
        Path | None, typer.Option(help="Certificate for TLS (PEM); needs --key.")
    ] = None,
    key: Annotated[Path | None, typer.Option(help="Private key of the certificate.")] = None,
    authorities: Annotated[
        Path | None, typer.Option(help="Authorities whose certificates callers must show.")
    ] = None,
) -> None:
    """Receive scans over the network (DICOM storage) and take them in; stop with Ctrl-C."""
    tls = None
    if certificate is not None or key is not None:
        if certificate is None or key is None:
            raise typer.BadParameter("--certificate and --key go together")
        tls = Tls(certificate, key, authorities)
    callers = [_caller(text) for text in caller]
    with opened(study, who) as desk:
        desk.require([Role.COORDINATOR], "receive scans")
        spool = spool_of(desk, time.monotonic)
        with receive(address, port, title, callers, spool.keep, tls=tls) as running:
            say(f"Listening as {title} on {running.address} port {running.port}.")
            try:
                while True:
                    time.sleep(LOOK_SECONDS)
                    take_when_quiet(desk, spool, quiet)
            except KeyboardInterrupt:
                say("Stopped; what has arrived is taken in next time.")


def take_when_quiet(desk: Study, spool: Spool, quiet: float) -> bool:
    """Take in what has arrived once nothing more comes; tell whether anything was done."""
    if not spool.is_ready(quiet):
        return False
    try:
        done = take_received(desk, spool)
    except Unavailable as error:
        say(f"Not taken in now, tried again later: {error}")
        return False
    if done is not None:
        tell(done)
    return True


def _caller(text: str) -> Caller:
    title, sign, address = text.partition("@")
    if not sign:
        msg = f"{text!r} is not TITLE@ADDRESS, as MR1@192.0.2.7"
        raise typer.BadParameter(msg)
    return Caller(title, address)


def tell(report: Report) -> None:
    """Say what became of everything, study by study, and that the sum is right."""
    for study in report.studies[:MOST_STUDIES]:
        _tell_study(study)
    if len(report.studies) > MOST_STUDIES:
        say(f"... and {len(report.studies) - MOST_STUDIES} more studies: see imgtrack scans")
    for refusal in report.refusals[:MOST_REFUSALS]:
        say(f"refused  {refusal.fault}")
    if len(report.refusals) > MOST_REFUSALS:
        say(f"... and {len(report.refusals) - MOST_REFUSALS} more refused files")
    for note in report.notes:
        say(note)
    counts = ", ".join(f"{report.count(fate)} {fate}" for fate in Fate if report.count(fate))
    say(("Nothing was changed. " if report.is_dry_run else "") + f"Studies: {counts or 'none'}.")
    say(
        f"Files: {report.found} found ="
        f" {report.files(Fate.TAKEN_IN, Fate.COMPLETED, Fate.AS_RECORDED)} accepted"
        f" + {report.files(Fate.WAITING)} waiting + {report.files(Fate.SET_ASIDE)} set aside"
        f" + {len(report.refusals) + report.files(Fate.REFUSED)} refused."
    )
    if report.count(Fate.WAITING):
        say("Next: imgtrack place")
    if any(scan.is_blocked for study in report.studies for scan in study.scans):
        say("Next: imgtrack scans --problems")


def _tell_study(study: StudyOutcome) -> None:
    if study.fate is Fate.AS_RECORDED:
        return
    reason = f"  {study.code}: {study.reason}" if study.reason else ""
    say(f"{study.fate}  {study.files} files, {study.new} new  {study.label}{reason}")
    for note in study.notes:
        say(f"    {note}")
    for each in study.scans:
        scan = each.scan
        held = f", held by {len(each.problems)} problems" if each.is_blocked else ""
        place = f"{scan.repair} {scan.timepoint or 'unscheduled'}"
        say(f"    {short(scan.uid)}  {scan.modality}  {place}{held}")
