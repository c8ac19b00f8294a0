"""Random generators that belong to names, so that the order of the work changes nothing."""

from __future__ import annotations

import hashlib

import numpy as np


def generator(seed: int, *names: str) -> np.random.Generator:
    """Return the generator of a seed and some names, the same on every machine."""
    return np.random.default_rng(words(seed, *names))


def number(seed: int, *names: str) -> int:
    """Return a whole number below 2**32 that belongs to a seed and some names."""
    return words(seed, *names)[0]


def words(seed: int, *names: str) -> list[int]:
    """Return eight 32-bit words of SHA-256 over the seed and the names."""
    text = "\x1f".join((str(seed), *names)).encode()
    little_endian = np.frombuffer(hashlib.sha256(text).digest(), dtype="<u4")
    return [int(word) for word in little_endian]
