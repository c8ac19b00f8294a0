"""The two small panels of napari's plugin menu: they ask what to open, and open it."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

from qtpy.QtWidgets import QFileDialog, QFormLayout, QLabel, QLineEdit, QPushButton, QWidget

from imgtrack.desk.study import open_study
from imgtrack.domain.cautions import CAUTION
from imgtrack.domain.errors import ImgtrackError
from imgtrack_napari.launch import loose_window, reading_window

if TYPE_CHECKING:
    from imgtrack_napari.window import ReadingWindow


class FolderPanel(QWidget):
    """Asks for a folder, opens a window, and says why where it cannot."""

    ASKS = "Folder"
    OPENS = "Open"

    def __init__(self) -> None:
        super().__init__()
        self.window_open: ReadingWindow | None = None
        self.folder = QLineEdit()
        self.folder.setToolTip(f"{self.ASKS}: type it, or press Choose")
        choose = QPushButton("Choose…")
        choose.setToolTip(f"Choose the {self.ASKS.lower()} (Alt+C)")
        choose.setShortcut("Alt+C")
        choose.clicked.connect(self._choose)
        self.said = QLabel()
        self.said.setWordWrap(True)
        self.layout_ = QFormLayout(self)
        self.layout_.addRow(self.ASKS, self.folder)
        self.layout_.addRow("", choose)
        self.more()
        go = QPushButton(self.OPENS)
        go.setToolTip(f"{self.OPENS} (Alt+O)")
        go.setShortcut("Alt+O")
        go.clicked.connect(self._go)
        self.layout_.addRow(go)
        self.layout_.addRow(self.said)
        caution = QLabel(CAUTION)
        caution.setWordWrap(True)
        self.layout_.addRow(caution)

    def more(self) -> None:
        """Ask for more than the folder."""

    def open_it(self, folder: Path) -> ReadingWindow:
        """Return the window."""
        raise NotImplementedError

    def _choose(self) -> None:
        found = QFileDialog.getExistingDirectory(self, self.ASKS, self.folder.text())
        if found:
            self.folder.setText(found)

    def _go(self) -> None:
        self.said.clear()
        try:
            self.window_open = self.open_it(Path(self.folder.text()))
        except ImgtrackError as error:
            self.said.setText("\n".join(map(str, error.faults)))


class ReadCases(FolderPanel):
    """Opens the reading window at the next case of a reader's list."""

    ASKS = "Study folder"
    OPENS = "Read"

    def more(self) -> None:
        """Ask for the reader's code."""
        self.reader = QLineEdit()
        self.reader.setToolTip("Code of the reader, as in the study's protocol")
        self.layout_.addRow("Reader", self.reader)

    def open_it(self, folder: Path) -> ReadingWindow:
        """Return the reading window."""
        study = open_study(folder, who=self.reader.text().strip(), now=lambda: datetime.now(UTC))
        return reading_window(study)


class MeasureFolder(FolderPanel):
    """Opens a window to measure in a loose folder of DICOM files; nothing is recorded."""

    ASKS = "DICOM folder"
    OPENS = "Measure"

    def open_it(self, folder: Path) -> ReadingWindow:
        """Return the window."""
        return loose_window(folder)
