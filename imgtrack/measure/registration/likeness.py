"""How alike two scans look after a rigid motion: mutual information over all their planes."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import SimpleITK

from imgtrack.measure.motion import RigidTransform
from imgtrack.measure.points import as_vector

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from imgtrack.measure.points import Points, Vector
    from imgtrack.measure.registration.humerus import Humerus
    from imgtrack.measure.suggest.volume import Volume

sitk: Any = SimpleITK
"""Its functions carry no types."""

BINS = 32
"""Grey levels of the joint histogram (Mattes' choice of 20 to 64)."""

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
    bone
        Of the first scan: only its pixels count, and the motion turns about its head.
    sample_mm
        Distance of the pixels that are used, within a slice.
    blur_mm
        Standard deviation of the smoothing within a slice; 0 for none.

    Notes
    -----
    A motion is six numbers: angles about x, y and z in degrees, then shifts in mm, from the first
    scan to the follow-up. Each plane has a histogram of its own, as weightings may differ, and
    counts alike: what one plane sees poorly, across its slices, another sees well.

    References
    ----------
    Mattes D et al. IEEE Trans Med Imaging 2003;22:120-8, as SimpleITK implements it.
    """

    def __init__(
        self,
        pairs: Sequence[SeriesPair],
        bone: Humerus,
        *,
        sample_mm: float,
        blur_mm: float = 0.0,
    ) -> None:
        self.centre = bone.head.centre
        self._planes = [_Plane(pair, bone, sample_mm, blur_mm) for pair in pairs]

    def __call__(self, motion: Points) -> float:
        """Return the value to be made small."""
        transform = _euler(motion, self.centre)
        values = [plane.value(transform) for plane in self._planes]
        return sum(values) / len(values)

    def motion(self, numbers: Points) -> RigidTransform:
        """Return six numbers as the motion from the follow-up to the first scan."""
        transform = _euler(numbers, self.centre)
        turn = np.array(transform.GetMatrix()).reshape(3, 3)
        shift = np.array(transform.TransformPoint((0.0, 0.0, 0.0)))
        rows = [as_vector(row) for row in turn]
        return RigidTransform((rows[0], rows[1], rows[2]), as_vector(shift)).inverse


class _Plane:
    """One pair of series, ready to be compared again and again."""

    def __init__(self, pair: SeriesPair, bone: Humerus, sample_mm: float, blur_mm: float) -> None:
        step = max(1, round(sample_mm / max(pair.first.stack.planes[0].spacing)))
        inside = _inside(pair.first, bone, step)
        box = tuple(slice(int(i.min()), int(i.max()) + 1) for i in reversed(inside.nonzero()))
        mask = sitk.GetImageFromArray(inside.astype(np.uint8))[box]
        # Slicing keeps the centres of the pixels where they are; a shrinking filter does not.
        self._first = _blurred(_image(pair.first), blur_mm)[::step, ::step, :][box]
        self._follow = _blurred(_image(pair.follow), blur_mm)
        mask.CopyInformation(self._first)
        self._method = sitk.ImageRegistrationMethod()
        self._method.SetMetricAsMattesMutualInformation(BINS)
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


def _euler(numbers: Points, centre: Vector) -> Any:
    transform = sitk.Euler3DTransform()
    transform.SetCenter(centre)
    transform.SetRotation(*np.deg2rad(numbers[:3]).tolist())
    transform.SetTranslation(numbers[3:].tolist())
    return transform


def _image(volume: Volume) -> Any:
    plane = volume.stack.planes[0]
    image = sitk.GetImageFromArray(np.asarray(volume.pixels, dtype=np.float32))
    image.SetOrigin(plane.origin)
    image.SetSpacing((plane.spacing[1], plane.spacing[0], volume.stack.pitch_mm))
    image.SetDirection(np.column_stack([plane.row, plane.column, plane.normal]).ravel().tolist())
    return image


def _blurred(image: Any, blur_mm: float) -> Any:
    if not blur_mm:
        return image
    return sitk.DiscreteGaussian(image, [blur_mm**2, blur_mm**2, 0.0])


def _inside(volume: Volume, bone: Humerus, step: int) -> NDArray[np.bool_]:
    """Return which pixels belong to the bone, one pixel in ``step`` along rows and columns."""
    rows, columns = volume.stack.planes[0].shape
    grid = np.mgrid[0:rows:step, 0:columns:step]
    pixels = np.moveaxis(grid, 0, -1)
    inside = [bone.holds(plane.to_patient(pixels.reshape(-1, 2))) for plane in volume.stack.planes]
    return np.reshape(inside, (-1, *pixels.shape[:2]))
