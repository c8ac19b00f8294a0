"""How alike two scans look after a rigid motion: mutual information over all their planes."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import SimpleITK
from scipy import ndimage
from scipy.spatial.transform import Rotation

from imgtrack.measure.motion import RigidTransform
from imgtrack.measure.points import as_vector

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from imgtrack.measure.points import Points, Vector
    from imgtrack.measure.registration.humerus import Humerus
    from imgtrack.measure.suggest.volume import Volume

sitk: Any = SimpleITK
"""Its functions carry no types."""

FEWEST_BINS, MOST_BINS, PIXELS_A_CELL = 20, 64, 4
"""Grey levels of the joint histogram, after Mattes' choice of 20 to 64: as many as leave this many
pixels for each of its cells."""

BLUR_MM = 0.5
"""Standard deviation of the smoothing within a slice: cortex is about 1 mm thick."""

LEVELS = np.linspace(0.0, 1.0, 65)
"""Shares at which grey values are read off when they are evened out."""

THREADS = 2
"""Fixed, so that sums are added in the same order on every machine."""

NOTHING_ALIKE = 1.0
"""Value where the scans do not overlap; any likeness is below 0."""


@dataclass(frozen=True, slots=True)
class SeriesPair:
    """Series of one plane: of the first scan, and of the follow-up."""

    first: Volume
    follow: Volume


class Likeness:
    """Negative mutual information of a follow-up with the first scan, by a rigid motion.

    Parameters
    ----------
    pairs
        One per plane.
    first, follow
        The bone in either scan. Only pixels of the first one count, and the motion turns about
        its head.
    sample_mm
        Distance of the pixels that are used, within a slice.
    watch
        Called for every motion that is tried; may raise, to end the search.

    Notes
    -----
    A motion is six numbers: a turn as a vector along its axis, in degrees, then the shift of the
    head's centre in mm, from the first scan to the follow-up. Each plane has a histogram of its
    own, as weightings may differ, and counts alike: what one plane sees poorly, across its slices,
    another sees well.

    Grey values are evened out over the bone and its surroundings before they are compared, so that
    every level of the histogram holds as many pixels. Otherwise the few bright pixels of fluid
    and cartilage, which lie on both sides of the joint, would take most levels, and the dark ones
    of cortex and marrow, which alone tell how a round head has turned, the rest.

    References
    ----------
    Mattes D et al. IEEE Trans Med Imaging 2003;22:120-8, as SimpleITK implements it.
    """

    def __init__(
        self,
        pairs: Sequence[SeriesPair],
        first: Humerus,
        follow: Humerus,
        *,
        sample_mm: float,
        watch: Callable[[], object] | None = None,
    ) -> None:
        self.centre = first.head.centre
        self.pixel_mm = max(
            max(each.stack.planes[0].spacing)
            for pair in pairs
            for each in (pair.first, pair.follow)
        )
        self._watch = watch
        self._planes = [_Plane(pair, first, follow, sample_mm) for pair in pairs]

    def __call__(self, motion: Points) -> float:
        """Return the value to be made small."""
        return float(np.mean(self.by_plane(motion)))

    def by_plane(self, motion: Points, *, size: float = 1.0) -> list[float]:
        """Return the value of each plane, the follow-up's bone being that many times larger."""
        if self._watch is not None:
            self._watch()
        transform = _moved(motion, self.centre, size)
        return [plane.value(transform) for plane in self._planes]

    def motion(self, numbers: Points) -> RigidTransform:
        """Return six numbers as the motion from the follow-up to the first scan."""
        transform = _moved(numbers, self.centre, 1.0)
        turn = np.array(transform.GetMatrix()).reshape(3, 3)
        shift = np.array(transform.TransformPoint((0.0, 0.0, 0.0)))
        rows = [as_vector(row) for row in turn]
        return RigidTransform((rows[0], rows[1], rows[2]), as_vector(shift)).inverse


class _Plane:
    """One pair of series, ready to be compared again and again."""

    def __init__(self, pair: SeriesPair, first: Humerus, follow: Humerus, sample_mm: float) -> None:
        step = max(1, round(sample_mm / max(pair.first.stack.planes[0].spacing)))
        inside = _inside(pair.first, first, step)
        box = tuple(slice(int(i.min()), int(i.max()) + 1) for i in reversed(inside.nonzero()))
        mask = sitk.GetImageFromArray(inside.astype(np.uint8))[box]
        # Slicing keeps the centres of the pixels where they are; a shrinking filter does not.
        self._first = _image(pair.first, _evened(pair.first, first))[::step, ::step, :][box]
        self._follow = _image(pair.follow, _evened(pair.follow, follow))
        mask.CopyInformation(self._first)
        bins = int(np.clip((inside.sum() / PIXELS_A_CELL) ** 0.5, FEWEST_BINS, MOST_BINS))
        self._method = sitk.ImageRegistrationMethod()
        self._method.SetMetricAsMattesMutualInformation(bins)
        self._method.SetMetricFixedMask(mask)
        self._method.SetMetricSamplingStrategy(self._method.NONE)
        self._method.SetInterpolator(sitk.sitkLinear)
        self._method.MetricUseFixedImageGradientFilterOff()
        self._method.MetricUseMovingImageGradientFilterOff()
        self._method.SetNumberOfThreads(THREADS)

    def value(self, transform: Any) -> float:
        self._method.SetInitialTransform(transform)
        try:
            return float(self._method.MetricEvaluate(self._first, self._follow))
        except RuntimeError:  # how SimpleITK says that too little of the mask is covered
            return NOTHING_ALIKE


def _moved(numbers: Points, centre: Vector, size: float) -> Any:
    turn = Rotation.from_rotvec(np.deg2rad(numbers[:3])).as_matrix()
    transform = sitk.Similarity3DTransform()
    transform.SetCenter(centre)
    transform.SetMatrix(turn.ravel().tolist())
    transform.SetTranslation(numbers[3:].tolist())
    transform.SetScale(size)
    return transform


def _image(volume: Volume, values: Points) -> Any:
    plane = volume.stack.planes[0]
    image = sitk.GetImageFromArray(values.astype(np.float32))
    image.SetOrigin(plane.origin)
    image.SetSpacing((plane.spacing[1], plane.spacing[0], volume.stack.pitch_mm))
    image.SetDirection(np.column_stack([plane.row, plane.column, plane.normal]).ravel().tolist())
    return image


def _evened(volume: Volume, bone: Humerus) -> Points:
    """Return grey values, smoothed, as shares of the bone's pixels that are darker; 0 to 1."""
    spacing = np.array(volume.stack.planes[0].spacing)
    pixels = np.asarray(volume.pixels, dtype=np.float64)
    smooth = ndimage.gaussian_filter(pixels, (0.0, *(BLUR_MM / spacing)))
    inside = _inside(volume, bone, 1)
    at_levels, where = np.unique(
        np.quantile(smooth[inside] if inside.any() else smooth, LEVELS), return_index=True
    )
    shares: Points = np.interp(smooth, at_levels, LEVELS[where])
    return shares


def _inside(volume: Volume, bone: Humerus, step: int) -> NDArray[np.bool_]:
    """Return which pixels belong to the bone, one pixel in ``step`` along rows and columns."""
    rows, columns = volume.stack.planes[0].shape
    grid = np.mgrid[0:rows:step, 0:columns:step]
    pixels = np.moveaxis(grid, 0, -1)
    inside = [bone.holds(plane.to_patient(pixels.reshape(-1, 2))) for plane in volume.stack.planes]
    return np.reshape(inside, (-1, *pixels.shape[:2]))
