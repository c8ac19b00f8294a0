"""The pixels of a scan once more, for numbers that do not follow from points alone."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Any

from imgtrack.desk.cases.layout import lay_out
from imgtrack.desk.cases.unreadable import (
    ImagesUnreadable,
    Trouble,
    Wrong,
    images_fault,
    wrong_with,
)
from imgtrack.domain.errors import InvalidInput

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from imgtrack.desk.cases.images import Shelf
    from imgtrack.desk.cases.layout import Layout
    from imgtrack.desk.study import Study


@dataclass(frozen=True, slots=True, eq=False)
class StoredImage:
    """One image as it lies in the archive.

    Attributes
    ----------
    part
        What the pixels show, a value of `imgtrack.dicom.records.Part`.
    values
        Shape (rows, columns).
    unit
        As in `imgtrack.desk.cases.images.ShownPixels`.
    """

    part: str
    values: NDArray[Any]
    unit: str


PixelsOf = Callable[[Mapping[str, Any]], StoredImage]
"""Gives the pixels of an image of `imgtrack.desk.cases.images.Images`."""


@dataclass(frozen=True, eq=False)
class StoredPixels:
    """Reads images of a scan from where they lie; nothing is read before it is asked for.

    Attributes
    ----------
    study
        Open.
    scan, code
        UID of the scan, and what the reader knows it by.
    shelf
        Where the images lie; the study's folder when ``None``.
    """

    study: Study
    scan: str
    code: str
    shelf: Shelf | None

    @cached_property
    def _layout(self) -> Layout:
        return lay_out(self.study, self.scan, self.code, self.shelf)

    def __call__(self, image: Mapping[str, Any]) -> StoredImage:
        """Return an image.

        Parameters
        ----------
        image
            With its ``uid`` and ``frame``.

        Raises
        ------
        ImagesUnreadable
            When it is gone or cannot be read; names the code, and the log says more.
        """
        wanted = (image["uid"], image["frame"])
        for _, shelved in self._layout.pairs:
            named = [uid.partition("#") for uid in shelved.record.images]
            keys = [(uid, int(frame or 1)) for uid, _, frame in named]
            if wanted in keys:
                try:
                    pixels = shelved.load()
                except Exception as error:  # noqa: BLE001 - nothing may pass the screen
                    raise self._unreadable(error) from None
                values = pixels.values[keys.index(wanted)]
                return StoredImage(shelved.record.part, values, pixels.unit)
        Trouble(self.study, self.code)(Wrong.GONE.value)
        raise ImagesUnreadable(images_fault(self.code, Wrong.GONE.value))

    def _unreadable(self, error: Exception) -> ImagesUnreadable:
        Trouble(self.study, self.code)(f"{type(error).__name__}: {error}")
        is_there = isinstance(error, InvalidInput)
        why = Wrong.UNDECODABLE.value if is_there else wrong_with(error)
        return ImagesUnreadable(images_fault(self.code, why))
