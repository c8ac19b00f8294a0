"""Signal of regions of interest, and ratios of it that do not depend on the scanner's gain."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from imgtrack.domain.errors import Fault, InvalidInput, Refused

if TYPE_CHECKING:
    from numpy.typing import ArrayLike


@dataclass(frozen=True, slots=True)
class RegionSignal:
    """Signal within one region.

    Attributes
    ----------
    mean
        Mean signal.
    sd
        Sample standard deviation (n - 1); ``None`` with a single voxel.
    voxels
        Number of voxels.
    """

    mean: float
    sd: float | None
    voxels: int


def region_signal(values: ArrayLike, mask: ArrayLike | None = None) -> RegionSignal:
    """Return mean, spread and size of a region.

    Parameters
    ----------
    values
        Image of any shape, or the values of the region alone.
    mask
        Boolean, of the same shape; ``None`` for all values.

    Raises
    ------
    InvalidInput
        If the mask does not fit or is empty, or a value of the region is not finite.
    """
    image = np.asarray(values, dtype=np.float64)
    where = np.ones(image.shape, dtype=bool) if mask is None else np.asarray(mask, dtype=bool)
    if where.shape != image.shape:
        what = "the region does not fit the image"
        raise InvalidInput(Fault(what, "", str(image.shape), str(where.shape)))
    inside = image[where]
    if inside.size == 0:
        raise InvalidInput(Fault("the region is empty"))
    if not np.isfinite(inside).all():
        raise InvalidInput(Fault("the region holds a value that is not finite"))
    sd = float(inside.std(ddof=1)) if inside.size > 1 else None
    return RegionSignal(float(inside.mean()), sd, int(inside.size))


def signal_ratio(tendon: RegionSignal, reference: RegionSignal) -> float:
    """Return tendon signal over the signal of a reference tissue of the same series.

    Raises
    ------
    Refused
        If the reference has no signal above 0.
    """
    if reference.mean <= 0:
        raise Refused(Fault("the reference has no signal", found=f"mean {reference.mean}"))
    return tendon.mean / reference.mean


def signal_noise_quotient(
    tendon: RegionSignal, reference: RegionSignal, background: RegionSignal
) -> float:
    """Return the signal/noise quotient ``(tendon - reference) / background``; lower is more mature.

    Parameters
    ----------
    tendon, reference, background
        Regions of one series: repaired tendon, a reference tendon or muscle, air beside the
        patient. Quotients of different scanners, coils or sequences must not be compared.

    Raises
    ------
    Refused
        If the background has no signal above 0, as after filters that blank it.

    References
    ----------
    Weiler A et al. Am J Sports Med 2001;29:751-61 (cruciate ligament; there is no consensus for
    the rotator cuff).
    """
    if background.mean <= 0:
        raise Refused(
            Fault(
                "the background has no signal, so the quotient is undefined",
                found=f"mean {background.mean}",
                next_step="use the signal ratio",
            )
        )
    return (tendon.mean - reference.mean) / background.mean
