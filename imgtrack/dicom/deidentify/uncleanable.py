"""The one way in which de-identifying an image can fail."""

from __future__ import annotations

from imgtrack.dicom.sources import Refusal


class Uncleanable(Exception):  # noqa: N818 - becomes a refusal and never leaves this package
    """An image cannot be de-identified; the text holds nothing of its contents.

    Parameters
    ----------
    reason
        What is wrong, in plain words.
    expected, found
        What would have been right, and what was there; either may be empty.
    next_step
        What a person can do.
    """

    def __init__(
        self, reason: str, expected: str = "", found: str = "", next_step: str = ""
    ) -> None:
        super().__init__(reason)
        self.expected, self.found, self.next_step = expected, found, next_step

    def refusal(self, label: str) -> Refusal:
        """Return the refusal of the source with this label."""
        return Refusal(label, str(self), self.expected, self.found, self.next_step)
