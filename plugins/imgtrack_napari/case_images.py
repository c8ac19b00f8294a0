"""The images of the open case: by alias, with pixels that are read once."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from imgtrack.domain.errors import Fault, InvalidInput

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from numpy.typing import NDArray

    from imgtrack.desk.cases.images import ShownImage, ShownPixels, ShownSeries
    from imgtrack.desk.cases.screen import BlindCase


class CaseImages:
    """The images of a case.

    Parameters
    ----------
    case
        Open.
    """

    def __init__(self, case: BlindCase) -> None:
        self._case = case
        self._pixels: dict[str, ShownPixels] = {}

    def series(self, alias: str) -> ShownSeries:
        """Return the series of that alias, or the series an image of that alias belongs to."""
        wanted = alias if alias.count(".") == 1 else alias.rpartition(".")[0]
        for each in self._case.series:
            if each.alias == wanted:
                return each
        raise InvalidInput(Fault("this case has no such image", found=alias))

    def image(self, alias: str) -> ShownImage:
        """Return an image by its alias."""
        return self.series(alias).images[int(alias.rpartition(".")[2]) - 1]

    def pixels(self, series: str) -> ShownPixels:
        """Return the pixels of a series, read once while the case is open.

        Raises
        ------
        Unavailable
            When they cannot be read.
        """
        if series not in self._pixels:
            self._pixels[series] = self._case.pixels(series)
        return self._pixels[series]

    def image_pixels(self, alias: str) -> NDArray[Any]:
        """Return the pixels of one image; shape (rows, columns)."""
        values = self.pixels(self.series(alias).alias).values
        found: NDArray[Any] = values[int(alias.rpartition(".")[2]) - 1]
        return found

    def holding(self, point: Sequence[float], aliases: Iterable[str]) -> str:
        """Return which of some images a point lies on: the nearest along its normal."""

        def away(alias: str) -> float:
            plane = self.image(alias).plane
            return 0.0 if plane is None else abs(float(plane.distance([point])[0]))

        return min(aliases, key=away)
