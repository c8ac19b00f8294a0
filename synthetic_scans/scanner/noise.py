"""Noise of a magnitude image: Gaussian in each quadrature channel, Rician in the magnitude.

Gudbjartsson H, Patz S. Magn Reson Med 1995;34:910-914 (erratum 1996;36:332): for a signal A and a
standard deviation sigma of the Gaussian noise in the real and in the imaginary channel, the
magnitude follows the Rice density; without signal it is the Rayleigh density of mean
sigma sqrt(pi/2) and variance (2 - pi/2) sigma^2.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from scipy.special import ive

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray


def magnitude(
    signal: NDArray[np.float32], sigma: float, rng: np.random.Generator
) -> NDArray[np.float32]:
    """Return the magnitude of a real signal seen through noisy quadrature channels.

    Parameters
    ----------
    signal
        Noise-free signal of any shape; negative values are a phase of 180 degrees.
    sigma
        Standard deviation of the noise in each channel, in the unit of the signal; 0 gives the
        magnitude without noise.
    rng
        Source of the noise.

    Returns
    -------
    numpy.ndarray
        Non-negative magnitudes, same shape.
    """
    if sigma == 0:
        return np.abs(signal)
    in_phase = rng.standard_normal(signal.shape, dtype=np.float32)
    in_phase *= np.float32(sigma)
    in_phase += signal
    quadrature = rng.standard_normal(signal.shape, dtype=np.float32)
    quadrature *= np.float32(sigma)
    in_phase *= in_phase
    quadrature *= quadrature
    in_phase += quadrature
    np.sqrt(in_phase, out=in_phase)
    return in_phase


def rician_mean(signal: ArrayLike, sigma: float) -> NDArray[np.float64]:
    """Return the expected magnitude of a signal seen through noise.

    The mean of the Rice distribution, sigma sqrt(pi/2) L_1/2(-A^2 / (2 sigma^2)), written with
    exponentially scaled Bessel functions so that it does not overflow.

    Parameters
    ----------
    signal
        Noise-free signal A, any shape.
    sigma
        Standard deviation of the noise in each channel, above 0.

    Returns
    -------
    numpy.ndarray
        Expected magnitude, same shape; sigma sqrt(pi/2) where the signal is 0.

    Raises
    ------
    ValueError
        If sigma is not above 0.
    """
    if sigma <= 0:
        raise ValueError(f"sigma must be above 0 for a Rician mean, found {sigma}")
    half = np.square(np.asarray(signal, dtype=np.float64) / sigma) / 4
    mean: NDArray[np.float64] = (
        sigma * np.sqrt(np.pi / 2) * ((1 + 2 * half) * ive(0, half) + 2 * half * ive(1, half))
    )
    return mean
