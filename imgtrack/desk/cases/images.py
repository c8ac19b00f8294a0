"""The images of a case under their aliases, and back to what they are in the archive.

An alias is ``EARLIER.SERIES.SLICE``: 0 for the scan to be read or the number of an earlier scan,
then series and slice from 1. It looks like a UID and tells nothing outside its case. The map from
alias to SOP Instance UID stays with the draft, on the far side of the screen.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Protocol

from imgtrack.domain.errors import Fault, InvalidInput
from imgtrack.measure.plane import PlaneGeometry

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from imgtrack.domain.imaging import Scan
    from imgtrack.domain.protocol import Plane, Weighting
    from imgtrack.domain.series import Series

Images = Mapping[str, Mapping[str, Any]]
"""By alias: ``uid``, ``frame``, ``series`` (its key), ``view`` (its plane by name or None),
``rows``, ``columns``, ``spacing`` between rows and columns or None, and ``plane`` (origin, row,
column, thickness in patient LPS mm) or None on a radiograph. JSON values, as draft and reading
keep them.
"""


@dataclass(frozen=True, slots=True)
class ShownImage:
    """One image as a reader's window gets it.

    Attributes
    ----------
    alias
        Its name within the case.
    rows, columns
        Size.
    spacing
        Millimetres between rows and between columns; ``None`` when the image does not say.
    plane
        Where it lies, patient LPS mm; ``None`` for a radiograph.
    """

    alias: str
    rows: int
    columns: int
    spacing: tuple[float, float] | None
    plane: PlaneGeometry | None


@dataclass(frozen=True, slots=True)
class ShownSeries:
    """Parallel images in order along their normal, or one radiograph, as a window gets them.

    Attributes
    ----------
    alias
        Its name within the case.
    earlier
        0 for the scan to be read, else the number of the earlier scan it belongs to, 1 being the
        one just before.
    plane, weighting
        Names in the protocol's words; ``None`` where there is none.
    part
        What the pixels show.
    images
        In order.
    spacing_mm
        Distance from slice to slice; ``None`` with fewer than two.
    """

    alias: str
    earlier: int
    plane: Plane | None
    weighting: Weighting | None
    part: str
    images: tuple[ShownImage, ...]
    spacing_mm: float | None


@dataclass(frozen=True, slots=True, eq=False)
class ShownPixels:
    """The pixels of a series.

    Attributes
    ----------
    values
        Shape (slices, rows, columns).
    inverted
        Whether high values are meant to be shown dark.
    unit
        ``%`` for a map of fat fractions that says so; else empty.
    """

    values: NDArray[Any]
    inverted: bool = False
    unit: str = ""


@dataclass(frozen=True, slots=True, eq=False)
class Shelved:
    """One series on the far side of the screen.

    Attributes
    ----------
    record
        What the study says of it; its ``images`` are in the order of ``planes`` and pixels.
    planes
        Geometry of each image; empty for a radiograph.
    load
        Reads its pixels.
    """

    record: Series
    planes: tuple[PlaneGeometry, ...]
    load: Callable[[], ShownPixels]


class Shelf(Protocol):
    """Where the images of a study lie."""

    def series(self, scan: Scan, records: Sequence[Series]) -> list[Shelved]:
        """Return the series of a scan with their geometry.

        Raises
        ------
        ImgtrackError
            When some of its images cannot be read; may name files, for the log.
        """


def shown(earlier: int, number: int, shelved: Shelved) -> ShownSeries:
    """Return a series under its alias."""
    record = shelved.record
    alias = f"{earlier}.{number}"
    spacing = (
        None
        if record.row_spacing_mm is None or record.column_spacing_mm is None
        else (record.row_spacing_mm, record.column_spacing_mm)
    )
    planes: Sequence[PlaneGeometry | None] = shelved.planes or [None] * len(record.images)
    images = tuple(
        ShownImage(
            f"{alias}.{place}",
            record.rows,
            record.columns,
            spacing if plane is None else plane.spacing,
            plane,
        )
        for place, plane in enumerate(planes, 1)
    )
    return ShownSeries(
        alias, earlier, record.plane, record.weighting, record.part, images, record.spacing_mm
    )


def image_map(series: ShownSeries, shelved: Shelved) -> dict[str, dict[str, Any]]:
    """Return what the aliases of a series stand for."""
    return {
        image.alias: {
            "uid": uid.partition("#")[0],
            "frame": int(uid.partition("#")[2] or 1),
            "series": shelved.record.key,
            "view": None if series.plane is None else series.plane.value,
            "rows": image.rows,
            "columns": image.columns,
            "spacing": None if image.spacing is None else list(image.spacing),
            "plane": None if image.plane is None else _plane_values(image.plane),
        }
        for image, uid in zip(series.images, shelved.record.images, strict=True)
    }


def _plane_values(plane: PlaneGeometry) -> dict[str, Any]:
    return {
        "origin": list(plane.origin),
        "row": list(plane.row),
        "column": list(plane.column),
        "thickness": plane.thickness,
    }


def plane_of(image: Mapping[str, Any]) -> PlaneGeometry | None:
    """Return the geometry of an image; ``None`` for a radiograph."""
    values = image["plane"]
    if values is None:
        return None
    return PlaneGeometry(
        origin=tuple(values["origin"]),
        row=tuple(values["row"]),
        column=tuple(values["column"]),
        spacing=tuple(image["spacing"]),
        shape=(image["rows"], image["columns"]),
        thickness=values["thickness"],
    )


def aliases_in(value: Any) -> Iterator[str]:
    """Yield every alias that answers point to, in their order, repeated ones again."""
    if isinstance(value, Mapping):
        if _is_image(value):
            yield value["uid"]
        else:
            for inner in value.values():
                yield from aliases_in(inner)
    elif isinstance(value, list | tuple):
        for inner in value:
            yield from aliases_in(inner)


def named(answers: Mapping[str, Any], images: Images) -> dict[str, Any]:
    """Return answers with SOP Instance UIDs in place of aliases.

    Raises
    ------
    InvalidInput
        With a fault for every alias the case does not have.
    """
    _require_known(answers, images)
    found: dict[str, Any] = _replaced(answers, images)
    return found


def aliased(answers: Mapping[str, Any], images: Images) -> dict[str, Any]:
    """Return answers with aliases in place of SOP Instance UIDs; the way back from `named`.

    Raises
    ------
    InvalidInput
        With a fault for every image that is not among ``images``; it names none of them.
    """
    back = {
        f"{image['uid']}#{image['frame']}": {"uid": alias, "frame": 1}
        for alias, image in images.items()
    }
    keyed = _replaced(answers, None)
    _require_known(keyed, back)
    found: dict[str, Any] = _replaced(keyed, back)
    return found


def _is_image(value: Mapping[str, Any]) -> bool:
    return isinstance(value.get("uid"), str)


def _replaced(value: Any, images: Images | None) -> Any:
    """Return a value with its images exchanged; without a map by ``UID#FRAME`` as their uid."""
    if isinstance(value, Mapping):
        if not _is_image(value):
            return {key: _replaced(inner, images) for key, inner in value.items()}
        if images is None:
            return {"uid": f"{value['uid']}#{value.get('frame', 1)}"}
        image = images[value["uid"]]
        return {"uid": image["uid"], "frame": image["frame"]}
    if isinstance(value, list | tuple):
        return [_replaced(inner, images) for inner in value]
    return value


def _require_known(answers: Mapping[str, Any], images: Images) -> None:
    unknown = [
        (name, alias)
        for name, answer in answers.items()
        for alias in dict.fromkeys(aliases_in(answer))
        if alias not in images
    ]
    if unknown:
        raise InvalidInput(
            Fault(
                "this case has no such image",
                name,
                "an image of the case",
                alias if alias.count(".") == 2 else "another image",
                "draw it on an image of the case",
            )
            for name, alias in unknown
        )
