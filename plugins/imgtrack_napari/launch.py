"""Opening the windows: what the command line and napari's plugin menu call."""

from __future__ import annotations

from typing import TYPE_CHECKING

from napari.qt import get_qapp

from imgtrack.desk.cases.booth import open_booth
from imgtrack.desk.cases.loose import open_loose
from imgtrack.domain.errors import ImgtrackError
from imgtrack_napari.session import Session
from imgtrack_napari.window import ReadingWindow

if TYPE_CHECKING:
    from pathlib import Path

    from imgtrack.desk.study import Study


def reading_window(study: Study) -> ReadingWindow:
    """Return the window of the person at the desk, with the next case open.

    Parameters
    ----------
    study
        Open, with a reader or adjudicator at the desk; the window uses it until it is closed.

    Raises
    ------
    Refused
        When the person reads nothing in this study.
    """
    booth = open_booth(study)
    try:
        booth.progress()
    except ImgtrackError:
        booth.close()
        raise
    return opened_window(Session(booth))


def loose_window(folder: Path) -> ReadingWindow:
    """Return a window on a loose folder of DICOM files, to measure without a study.

    Raises
    ------
    InvalidInput
        When the folder holds no images that can be shown.
    """
    return opened_window(Session(open_loose(folder)))


def opened_window(session: Session) -> ReadingWindow:
    """Return a window on a session, with its first case open."""
    get_qapp()
    window = ReadingWindow(session)
    window.resize(1600, 1000)
    window.showMaximized()
    session.open_next()
    return window


def read(study: Study) -> None:
    """Open the reading window and stay until it is closed."""
    window = reading_window(study)
    get_qapp().exec()
    window.deleteLater()


def measure(folder: Path) -> None:
    """Open a window on a loose folder and stay until it is closed."""
    window = loose_window(folder)
    get_qapp().exec()
    window.deleteLater()
