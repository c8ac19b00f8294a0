"""One pane: an image under the sheet that everything is painted on."""

from __future__ import annotations

from typing import TYPE_CHECKING

from qtpy.QtWidgets import QVBoxLayout, QWidget

from imgtrack.domain.errors import ImgtrackError
from imgtrack_napari.canvas import Canvas
from imgtrack_napari.figures import figures_of
from imgtrack_napari.grey import Window, window_of
from imgtrack_napari.sheet import Sheet

if TYPE_CHECKING:
    from qtpy.QtCore import QPointF
    from qtpy.QtGui import QResizeEvent

    from imgtrack.desk.cases.images import ShownImage
    from imgtrack.domain.protocol import Plane
    from imgtrack_napari.figures import Figure
    from imgtrack_napari.grey import GreyMemory
    from imgtrack_napari.session import Session


class PaneView(QWidget):
    """One pane.

    Parameters
    ----------
    session
        Whose case is shown.
    plane
        Which of its panes.
    greys
        Grey windows the reader set.
    """

    def __init__(self, session: Session, plane: Plane, greys: GreyMemory) -> None:
        super().__init__()
        self.session, self.plane = session, plane
        self._greys = greys
        self.canvas = Canvas()
        self.setMinimumSize(180, 180)
        self._box = QVBoxLayout(self)
        self._box.setContentsMargins(0, 0, 0, 0)
        self._box.addWidget(self.canvas.widget)
        self.sheet = Sheet(self)
        self.shows_drawing = True
        self.linked: list[PaneView] = []
        self._series = ""
        self._suggested = self._grey = Window(0.0, 1.0)

    @property
    def image(self) -> ShownImage | None:
        """The image shown."""
        return self.session.viewing.panes[self.plane].image

    def refresh(self) -> None:
        """Show what the session says this pane shows."""
        pane = self.session.viewing.panes[self.plane]
        if pane.series is None or self.session.case is None:
            self.canvas.clear()
            self._series = ""
        else:
            key = f"{self.session.case.session} {pane.series.alias}"
            if key != self._series:
                self._try_to_load(key)
            self.canvas.go_to(pane.place)
        self.sheet.update()

    def _try_to_load(self, key: str) -> None:
        """Load a series; one that cannot be read leaves the pane dark, and the reader is told."""
        try:
            self._load(key)
        except ImgtrackError as error:
            self._series = key
            self.canvas.clear()
            self.session.say("; ".join(map(str, error.faults)))

    def _load(self, key: str) -> None:
        series = self.session.viewing.panes[self.plane].series
        if series is None:
            return
        pixels = self.session.images.pixels(series.alias)
        self._suggested = window_of(pixels.values)
        self._grey = self._greys.recall(series, self._suggested)
        same_case = self._series.partition(" ")[0] == key.partition(" ")[0]
        self.canvas.show(series, pixels, self._grey)
        self._series = key
        if not same_case or self.canvas.is_fitted:
            self.canvas.fit()

    # ---------------------------------------------------------------- grey window

    def change_grey(self, *, brighter: float = 0.0, wider: float = 1.0) -> None:
        """Make the picture brighter by a share of its span, or the window wider by a factor."""
        span = self._suggested.high - self._suggested.low
        self._set_grey(self._grey.brighter(brighter, span).wider(wider, span))

    def _set_grey(self, grey: Window) -> None:
        series = self.session.viewing.panes[self.plane].series
        if series is None:
            return
        self._grey = grey
        self._greys.keep(series, grey, self._suggested)
        self.canvas.set_grey(grey)

    def grey_again(self) -> None:
        """Go back to the grey window the data suggest."""
        series = self.session.viewing.panes[self.plane].series
        if series is not None:
            self._set_grey(self._suggested)
            self._greys.forget(series)

    # ---------------------------------------------------------------- zoom

    def zoom_by(self, factor: float, around: QPointF | None = None) -> None:
        """Zoom this pane, and the others where zoom is linked."""
        self.canvas.zoom_by(factor, around)
        self.sheet.update()
        for other in self.linked if self.session.viewing.zoom_linked else ():
            other.canvas.zoom_by(factor)
            other.sheet.update()

    def fit(self) -> None:
        """Show the whole image."""
        self.canvas.fit()
        self.sheet.update()

    def resizeEvent(self, event: QResizeEvent) -> None:  # noqa: N802 - Qt's name
        """Keep the painting on the image, and a fitted image fitted."""
        super().resizeEvent(event)
        self.sheet.resize(self.size())
        self.sheet.raise_()
        if self.canvas.is_fitted:
            self._box.activate()
            self.canvas.fit()

    @property
    def figures(self) -> tuple[Figure, ...]:
        """What can be taken hold of: the proposal, else what was drawn."""
        form, proposal = self.session.form, self.session.hand.proposal
        if form is None:
            return ()
        proposed = figures_of(form, proposal.answers, proposed=True) if proposal else ()
        names = {figure.question for figure in proposed}
        drawn = figures_of(form, self.session.answers)
        return (*proposed, *(each for each in drawn if each.question not in names))

    @property
    def figures_beside(self) -> tuple[Figure, ...]:
        """What first readings drew, where they stand beside this case; only to be looked at."""
        form = self.session.form
        return tuple(
            figure
            for each in self.session.beside
            for figure in (figures_of(form, each.answers, of=each.label) if form else ())
        )

    def close_canvas(self) -> None:
        """Let the canvas go."""
        self.canvas.close()
