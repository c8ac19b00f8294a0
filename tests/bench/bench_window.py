"""How fast the reading window is, on a software-rendered screen.

Run ``QT_QPA_PLATFORM=xcb LIBGL_ALWAYS_SOFTWARE=1 xvfb-run -a -s "-screen 0 1920x1200x24" python
tests/bench/bench_window.py [--cases 200]``. The study is invented and its scans are phantoms of
clinical size. A time ends when the pixels are drawn and read back, for the wheel when the frame is
on the screen; nothing but the window is running in the process. Targets: a click is drawn in the
other panes within 100 ms (median), a case is open to its first picture within 2 s, 20 slices a
second, and memory that does not grow.
"""

from __future__ import annotations

import argparse
import gc
import os
import statistics
import sys
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1] / "gui"))

import window_desk
from qtpy.QtCore import QEvent, QPoint, QPointF, Qt
from qtpy.QtGui import QWheelEvent
from qtpy.QtTest import QTest
from qtpy.QtWidgets import QApplication

from imgtrack.domain.protocol import Plane

CLICKS, WHEELS, OPENINGS = 40, 60, 5
SETTLED = 20
"""Cases opened before memory is first looked at: caches fill."""

CORONAL = Plane.CORONAL_OBLIQUE


def run_events() -> None:
    """Do what the running event loop does: events, and deleting what was taken away."""
    QApplication.processEvents()
    QApplication.sendPostedEvents(None, QEvent.Type.DeferredDelete.value)


def draw(*panes: object) -> None:
    """Draw panes now, and wait for their pixels."""
    for pane in panes:
        pane.canvas.widget.grabFramebuffer()


def timed(work: object) -> float:
    start = time.perf_counter()
    work()
    return time.perf_counter() - start


def clicks(window: object) -> list[float]:
    """Seconds from a click in the large pane until both others are drawn."""
    pane = window.panes[CORONAL]
    others = [each for plane, each in window.panes.items() if plane is not CORONAL]
    middle = pane.sheet.rect().center()

    def once(number: int) -> None:
        at = middle + QPoint(-60 + 3 * number, 40 - 2 * number)
        QTest.mouseClick(pane.sheet, Qt.MouseButton.LeftButton, pos=at)
        run_events()
        draw(*others)

    once(0)
    return [timed(lambda number=number: once(number)) for number in range(1, CLICKS)]


def wheels(window: object) -> list[float]:
    """Seconds for one turn of the wheel until the slice is on the screen."""
    pane = window.panes[CORONAL]
    frames = []
    pane.canvas.widget.frameSwapped.connect(lambda: frames.append(time.perf_counter()))
    at = QPointF(pane.sheet.rect().center())

    def once(turn: int) -> None:
        event = QWheelEvent(
            at,
            QPointF(pane.sheet.mapToGlobal(at.toPoint())),
            QPoint(),
            QPoint(0, turn),
            Qt.MouseButton.NoButton,
            Qt.KeyboardModifier.NoModifier,
            Qt.ScrollPhase.NoScrollPhase,
            False,
        )
        frames.clear()
        QApplication.sendEvent(pane.sheet, event)
        while not frames:
            run_events()

    once(120)
    turns = [120 if number // 5 % 2 else -120 for number in range(WHEELS)]
    return [timed(lambda turn=turn: once(turn)) for turn in turns]


def openings(window: object) -> list[float]:
    """Seconds to open a case until all its panes are drawn; the case has no draft in memory."""

    def once() -> None:
        window.session.open_next()
        run_events()
        draw(*window.panes.values())

    return [timed(once) for _ in range(OPENINGS)]


def resident_mb() -> float:
    """Return memory in use by the process."""
    pages = int(Path("/proc/self/statm").read_text().split()[1])
    return pages * os.sysconf("SC_PAGE_SIZE") / 2**20


def memory(window: object, cases: int) -> tuple[float, float]:
    """Return memory in MB after the first cases, and after all."""
    first = 0.0
    for number in range(1, cases + 1):
        window.session.open_next()
        run_events()
        draw(*window.panes.values())
        if number == min(SETTLED, cases):
            gc.collect()
            first = resident_mb()
    gc.collect()
    return first, resident_mb()


def say(what: str, median: str, target: str, worst: float) -> None:
    """Print a figure as soon as it is known."""
    print(f"{what:24}median {median:>8}  target {target:>6}  slowest {worst:.3f} s", flush=True)


def main() -> None:
    """Measure everything and print it."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--cases", type=int, default=200)
    wanted = parser.parse_args()
    window_desk.MATRIX = 256
    with tempfile.TemporaryDirectory() as place:
        study = window_desk.phantom_study(Path(place) / "desk")
        window_desk.scanned()  # the phantom is made before the clock runs
        window = window_desk.window_on(study)
        opened = openings(window)
        say("open to first picture", f"{statistics.median(opened):.2f} s", "2 s", max(opened))
        clicked = clicks(window)
        say("click to other panes", f"{statistics.median(clicked):.3f} s", "0.1 s", max(clicked))
        spent = time.process_time()
        turned = wheels(window)
        spent = (time.process_time() - spent) / len(turned)
        say("slices a second", f"{1 / statistics.median(turned):.0f}", "20", max(turned))
        print(f"processor time a slice: {spent * 1e3:.0f} ms over all cores", flush=True)
        before, after = memory(window, wanted.cases)
        first = min(SETTLED, wanted.cases)
        print(f"memory: {before:.0f} MB after {first} cases, {after:.0f} after {wanted.cases}")
        window.close()
        study.close()


if __name__ == "__main__":
    main()
