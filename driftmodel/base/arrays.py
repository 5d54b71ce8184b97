"""Two small sums and quotients that numpy says at length."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

Array = NDArray[np.float64]


def ratio(part: ArrayLike, whole: ArrayLike) -> Array:
    """part / whole, and 0 where the whole is not above 0; the two are broadcast together."""
    below = np.asarray(whole, dtype=float)
    there = below > 0.0
    return np.asarray(np.where(there, np.asarray(part) / np.where(there, below, 1.0), 0.0))


def group_sums(of: NDArray[Any], weight: NDArray[Any], groups: int) -> Array:
    """Sum of the weights (n,) of each of `groups` groups, (groups,); of: (n,) group of each, from 0."""
    return np.asarray(np.bincount(of, weight, groups), dtype=float)
