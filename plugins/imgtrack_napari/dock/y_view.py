"""What the program proposes as the Y view, above the questions about muscles."""

from __future__ import annotations

from typing import TYPE_CHECKING

from qtpy.QtWidgets import QWidget

from imgtrack_napari.dock.parts import button, label, row, show_words
from imgtrack_napari.keys import Act, tip

if TYPE_CHECKING:
    from imgtrack_napari.session import Session


class YViewLine(QWidget):
    """A line of words, and the button that shows the proposed slice again.

    Parameters
    ----------
    session
        Whose case it is.
    """

    def __init__(self, session: Session) -> None:
        super().__init__()
        self._session = session
        self.said = label("", "quiet")
        self.back = button("Y view", tip(Act.Y_VIEW), session.y_views.show)
        self.setLayout(row(self.said, self.back))
        self.refresh()

    def refresh(self) -> None:
        """Show what is proposed now."""
        show_words(self.said, self._session.y_views.words)
        self.back.setEnabled(self._session.y_views.can_show)
