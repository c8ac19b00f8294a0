"""``python -m synthetic_scans FOLDER``: write the demo study into a folder."""

from __future__ import annotations

import argparse
import os
import sys
from collections.abc import Sequence
from datetime import date
from pathlib import Path

from rich.console import Console
from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeRemainingColumn

from synthetic_scans.cohort.run import FolderRefused, Made, Settings, make_cohort

DEFAULT = Settings()
REFUSED = 2
INTERRUPTED = 130


def main(arguments: Sequence[str] | None = None) -> int:
    """Make the study the command line asks for and return the exit code.

    0 done, 2 refused with nothing changed, 130 interrupted (run again to go on).
    """
    asked = _parser().parse_args(arguments)
    console = Console(stderr=True)
    settings = Settings(
        seed=asked.seed,
        repairs=asked.repairs,
        size="quick" if asked.quick else "full",
        images=not asked.no_images,
        as_of=asked.as_of,
    )
    try:
        made = _make(asked, settings, console)
    except FolderRefused as error:
        console.print(f"Refused: {error}", style="bold red", highlight=False, markup=False)
        return REFUSED
    except KeyboardInterrupt:
        console.print("Interrupted. The same command goes on where it stopped.")
        return INTERRUPTED
    _tell(asked.folder, made, console)
    return 0


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="python -m synthetic_scans",
        description="Write an invented rotator cuff study: sheets, DICOM scans and their truth.",
    )
    parser.add_argument("folder", type=Path, help="an empty folder, or a study to complete")
    parser.add_argument("--seed", type=int, default=DEFAULT.seed, help="default %(default)s")
    parser.add_argument(
        "--repairs", type=_count, default=DEFAULT.repairs, help="default %(default)s"
    )
    parser.add_argument(
        "--jobs", type=_count, default=os.cpu_count() or 1, help="processes, default %(default)s"
    )
    parser.add_argument("--no-images", action="store_true", help="sheets, readings and truth only")
    parser.add_argument("--quick", action="store_true", help="small coarse images, for trying out")
    parser.add_argument(
        "--as-of",
        type=date.fromisoformat,
        default=DEFAULT.as_of,
        metavar="YYYY-MM-DD",
        help="nothing has happened yet after this day, default %(default)s",
    )
    return parser


def _count(text: str) -> int:
    count = int(text)
    if count < 1:
        raise argparse.ArgumentTypeError(f"expected at least 1, found {text}")
    return count


def _make(asked: argparse.Namespace, settings: Settings, console: Console) -> Made:
    columns = (
        TextColumn("making scans"),
        BarColumn(),
        MofNCompleteColumn(),
        TextColumn("time left"),
        TimeRemainingColumn(),
    )
    with Progress(*columns, console=console) as bar:
        task = bar.add_task("scans", total=None)
        return make_cohort(
            asked.folder,
            settings,
            jobs=asked.jobs,
            progress=lambda done, total: bar.update(task, completed=done, total=total),
        )


def _tell(folder: Path, made: Made, console: Console) -> None:
    console.print(f"{folder}: {made.repairs} repairs, {made.scans} scans, {made.new} made now.")
    console.print("Sheets: enrolment, scores, events, manifest, readings. Truth apart: truth.")


if __name__ == "__main__":
    sys.exit(main())
