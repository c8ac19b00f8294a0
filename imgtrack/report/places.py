"""Where the parts of a report lie, and how a folder is made ready for it."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Self

from imgtrack.domain.errors import Fault, InvalidInput
from imgtrack.report.files import FOR_TEXT, WORKBOOK, cannot_write, sums
from imgtrack.report.page import Link, LinkList

SUMS = "SHA256SUMS"


@dataclass(frozen=True, slots=True)
class Places:
    """The folder of a report and the places in it."""

    folder: Path

    @property
    def page(self) -> Path:
        """The page itself."""
        return self.folder / "index.html"

    @property
    def data(self) -> Path:
        """Folder of the rows behind the numbers."""
        return self.folder / "data"

    @property
    def figures(self) -> Path:
        """Folder of the pictures."""
        return self.folder / "figures"

    @property
    def sheets(self) -> Path:
        """Folder of the healing sheets."""
        return self.folder / "sheets"

    def rows(self, *names: str) -> tuple[Link, ...]:
        """Return links to the rows of tables."""
        return tuple(
            Link(f"{name}.{kind}", f"{self.data.name}/{name}.{kind}")
            for name in names
            for kind in ("csv", "parquet")
        )

    def list_of_tables(self) -> LinkList:
        """Return the files that hold all tables."""
        names = (WORKBOOK, FOR_TEXT, f"{self.data.name}/dictionary.csv", SUMS)
        return LinkList("All tables:", tuple(Link(name, name) for name in names))

    def pictures(self, name: str) -> tuple[Link, ...]:
        """Return links to the files of a picture."""
        return tuple(
            Link(kind.upper(), f"{self.figures.name}/{name}.{kind}")
            for kind in ("svg", "pdf", "png")
        )

    @contextmanager
    def writing(self) -> Iterator[Self]:
        """Make the folder ready, and list what was written in it, also when writing failed.

        Raises
        ------
        InvalidInput
            When it holds files that no earlier report wrote; nothing was touched then.
        Unavailable
            When it cannot be written.
        """
        self.make_ready()
        try:
            yield self
        finally:
            self.seal()

    def make_ready(self) -> None:
        """Make the folder; clear it of an earlier report and of nothing else.

        Raises
        ------
        InvalidInput
            When it holds files that no earlier report wrote.
        Unavailable
            When it cannot be written.
        """
        try:
            self.folder.mkdir(parents=True, exist_ok=True)
            for path in self._written_before():
                path.unlink(missing_ok=True)
            left = sorted(path for path in self.folder.rglob("*") if path.is_file())
        except OSError as error:
            raise cannot_write(self.folder, error) from error
        if left:
            raise InvalidInput(
                Fault(
                    "the folder holds other files",
                    str(self.folder),
                    "a new or empty folder, or that of an earlier report",
                    ", ".join(path.name for path in left[:3]),
                    "choose another with --out",
                )
            )

    def seal(self) -> Path:
        """Write the sums of all files, by which the next report knows what it may replace."""
        path = self.folder / SUMS
        files = [each for each in self.folder.rglob("*") if each.is_file() and each != path]
        try:
            path.write_text(sums(files, self.folder), "utf-8")
        except OSError as error:
            raise cannot_write(path, error) from error
        return path

    def _written_before(self) -> list[Path]:
        """Return the files an earlier report lists as its own, which lie in the folder."""
        listed = self.folder / SUMS
        if not listed.is_file():
            return []
        root = self.folder.resolve()
        names = [line.partition("  ")[2] for line in listed.read_text("utf-8").splitlines()]
        paths = [(root / name).resolve() for name in names if name]
        return [*(path for path in paths if path.is_relative_to(root)), listed]
