"""The ``imgtrack`` command."""

from __future__ import annotations

import sys
from importlib.metadata import version
from typing import Annotated

import typer

from imgtrack.cli import board, demo, registry, safety, tables
from imgtrack.cli.console import show_error
from imgtrack.cli.plan import plan
from imgtrack.domain.cautions import CAUTION
from imgtrack.domain.errors import ImgtrackError

REFUSED = 2

app = typer.Typer(
    name="imgtrack",
    help=f"Did the repaired rotator cuff heal? {CAUTION}",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_show_locals=False,
)


def _version(wanted: bool) -> None:  # noqa: FBT001 - the shape of an option callback
    if wanted:
        typer.echo(f"imgtrack {version('imgtrack')}")
        raise typer.Exit


@app.callback()
def _common(
    *,
    show_version: Annotated[
        bool, typer.Option("--version", callback=_version, is_eager=True, help="Print the version.")
    ] = False,
) -> None:
    pass


for group in (
    (demo.demo,),
    (registry.start, registry.join, registry.protocol),
    (registry.enrol, registry.scores, registry.events),
    (board.board,),
    (tables.agreement, tables.rates),
    (safety.verify, safety.backup, safety.restore, safety.upgrade),
):
    for command in group:
        app.command()(command)
app.add_typer(plan, name="plan")


def main() -> None:
    """Run the command line; faults go to standard error with exit code 2."""
    try:
        app()
    except ImgtrackError as error:
        show_error(error)
        sys.exit(REFUSED)
