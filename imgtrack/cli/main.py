"""The ``imgtrack`` command."""

from __future__ import annotations

import sys
from importlib import import_module
from importlib.metadata import version
from typing import Annotated, Any

import typer
from typer.core import TyperGroup
from typer.main import get_command

from imgtrack.cli.console import show_error
from imgtrack.domain.cautions import CAUTION
from imgtrack.domain.errors import ImgtrackError

REFUSED = 2

HOMES = {
    "demo": "demo",
    "start": "registry",
    "join": "registry",
    "protocol": "registry",
    "enrol": "registry",
    "scores": "registry",
    "events": "registry",
    "intake": "intake",
    "listen": "intake",
    "scans": "scans",
    "place": "scans",
    "relabel": "scans",
    "people": "reading",
    "read": "read",
    "course": "course",
    "allot": "reading",
    "amend": "reading",
    "settle": "settling",
    "readings": "settling",
    "import-readings": "settling",
    "grant": "settling",
    "board": "board",
    "agreement": "tables",
    "rates": "tables",
    "healing": "results",
    "report": "report",
    "export": "report",
    "plan": "plan",
    "log": "safety",
    "verify": "safety",
    "backup": "safety",
    "restore": "safety",
    "upgrade": "safety",
}
"""Commands in the order of their help, each with the module of this room it lives in."""


class Commands(TyperGroup):
    """Loads the module of a command when it is asked for, so that each one starts fast."""

    def list_commands(self, ctx: Any) -> list[str]:  # noqa: ARG002 - the library's signature
        """Return the names of the commands in the order of the help."""
        return list(HOMES)

    def get_command(self, ctx: Any, cmd_name: str) -> Any:  # noqa: ARG002 - as above
        """Return a command, or ``None`` when there is none of that name."""
        if cmd_name not in HOMES:
            return None
        found = getattr(
            import_module(f"imgtrack.cli.{HOMES[cmd_name]}"), cmd_name.replace("-", "_")
        )
        if isinstance(found, typer.Typer):
            return get_command(found)
        alone = typer.Typer(add_completion=False, pretty_exceptions_show_locals=False)
        alone.command(cmd_name)(found)
        return get_command(alone)


app = typer.Typer(
    name="imgtrack",
    cls=Commands,
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


def main() -> None:
    """Run the command line; faults go to standard error with exit code 2."""
    try:
        app()
    except ImgtrackError as error:
        show_error(error)
        sys.exit(REFUSED)
