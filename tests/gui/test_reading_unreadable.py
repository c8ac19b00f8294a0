"""A case whose images cannot be read, in the real window: told, passed over, back once mended."""

from __future__ import annotations

import os

import pytest

pytest.importorskip("napari", reason="needs the reading extra")

from gui.window_desk import PHRASE, PhantomShelf, ReaderAtWork, phantom_study
from reading_desk import desk_of

from imgtrack.cli.unreadable import say_unreadable
from imgtrack.desk.cases.booth import open_booth
from imgtrack.desk.cases.lists import my_cases
from imgtrack.desk.cases.unreadable import unreadable_cases
from imgtrack.domain.cases import Case
from imgtrack.domain.errors import Fault, Unavailable

pytestmark = [
    pytest.mark.gui,
    pytest.mark.filterwarnings("ignore::DeprecationWarning"),
    pytest.mark.skipif(not os.environ.get("DISPLAY"), reason="needs a display"),
]


class LeakyShelf(PhantomShelf):
    """Holds a phantom for every scan, but for those whose files are missing."""

    def __init__(self) -> None:
        self.missing: set[str] = set()

    def series(self, scan, records):
        if scan.uid in self.missing:
            raise Unavailable(Fault("an image file is missing", f"scans/{scan.uid}/1.dcm"))
        return super().series(scan, records)


@pytest.fixture
def study(tmp_path):
    made = phantom_study(tmp_path / "desk", repairs=3)
    yield made
    made.close()


@pytest.fixture
def shelf():
    return LeakyShelf()


@pytest.fixture
def window(study, shelf):
    """The reading window of R1, before a case is open."""
    from napari.qt import get_qapp
    from qtpy.QtTest import QTest

    from imgtrack_napari.session import Session
    from imgtrack_napari.window import ReadingWindow

    get_qapp()
    made = ReadingWindow(Session(open_booth(desk_of(study, "R1"), shelf=shelf)))
    made.resize(1900, 1100)
    made.showNormal()
    made.activateWindow()
    assert QTest.qWaitForWindowActive(made, 5000)
    yield made
    made.close()


def sign_as_unseen(reader):
    """Say that the images do not serve, and sign, by keys."""
    reader.key("N", "1", "N", "1", "N", "1", "Ctrl+Return")
    reader.type(PHRASE)
    reader.key("Return")
    assert reader.session.signed is not None, reader.session.standing.missing


def test_the_window_goes_on_with_the_next_case_and_comes_back(study, shelf, window, capsys):
    codes = [each.code for each in my_cases(desk_of(study, "R1"))]
    with study.store.look() as look:
        shelf.missing = {look.get(Case, codes[0]).scan}
    reader, dock = ReaderAtWork(window), window.dock
    reader.key("F4")
    assert reader.session.case.code == codes[1]
    told = dock.passed.text()
    assert dock.passed.isVisible()
    assert f"{codes[0]}: an image file is missing" in told
    assert "the coordinator is told" in told
    assert "scans/" not in told
    say_unreadable(unreadable_cases(study))
    said = capsys.readouterr().out
    assert f"case {codes[0]} of R1" in said
    assert "1.dcm: an image file is missing" in said
    if folder := os.environ.get("PICTURES"):
        window.grab().save(f"{folder}/unreadable.png")
    sign_as_unseen(reader)
    shelf.missing = set()
    reader.key("F4")
    assert reader.session.case.code == codes[0]
    assert not dock.passed.isVisible()
    assert unreadable_cases(study) == ()


def test_nothing_left_to_read_is_said_beside_what_is_wrong(study, shelf, window):
    with study.store.look() as look:
        shelf.missing = {case.scan for case in look.where(Case, reader="R1")}
    reader, dock = ReaderAtWork(window), window.dock
    reader.key("F4")
    assert reader.session.case is None
    assert dock.foot.message.text() == "Nothing on your list can be read now."
    assert dock.passed.text().count("an image file is missing") == 3
    shelf.missing = set()
    reader.key("F4")
    assert reader.session.case is not None
    assert not dock.passed.isVisible()
