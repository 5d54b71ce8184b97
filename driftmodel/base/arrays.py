"""Small things numpy and dataclasses say at length: quotients, sums by group, some rows of a table."""

from __future__ import annotations

from dataclasses import fields
from typing import Any, TypeVar

import numpy as np
from numpy.typing import ArrayLike, NDArray

Array = NDArray[np.float64]
Columns = TypeVar("Columns")


def ratio(part: ArrayLike, whole: ArrayLike) -> Array:
    """part / whole, and 0 where the whole is not above 0; the two are broadcast together."""
    below = np.asarray(whole, dtype=float)
    there = below > 0.0
    return np.asarray(np.where(there, np.asarray(part) / np.where(there, below, 1.0), 0.0))


def group_sums(of: NDArray[Any], weight: NDArray[Any], groups: int) -> Array:
    """Sum of the weights (n,) of each of `groups` groups, (groups,); of: (n,) group of each, from 0."""
    return np.asarray(np.bincount(of, weight, groups), dtype=float)


def only(columns: Columns, kept: NDArray[np.bool_] | slice) -> Columns:
    """The rows `kept` of a record whose fields are columns (row,)."""
    return type(columns)(*(getattr(columns, each.name)[kept] for each in fields(columns)))  # type: ignore[arg-type]
