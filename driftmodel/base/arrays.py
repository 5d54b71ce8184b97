"""Small things numpy and dataclasses say at length: quotients, sums by group, some rows of a table, a recursion."""

from __future__ import annotations

from dataclasses import fields
from typing import Any, TypeVar

import numpy as np
from numpy.typing import ArrayLike, NDArray

from driftmodel.base.schema import Array, Flags

Columns = TypeVar("Columns")


def ratio(part: ArrayLike, whole: ArrayLike) -> Array:
    """part / whole, and 0 where the whole is not above 0; the two are broadcast together."""
    below = np.asarray(whole, dtype=float)
    there = below > 0.0
    return np.asarray(np.where(there, np.asarray(part) / np.where(there, below, 1.0), 0.0))


def group_sums(of: NDArray[Any], weight: NDArray[Any], groups: int) -> Array:
    """Sum of the weights (n,) of each of `groups` groups, (groups,); of: (n,) group of each, from 0."""
    return np.asarray(np.bincount(of, weight, groups), dtype=float)


def distinct_rows(*columns: NDArray[Any]) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Where each distinct row of columns of whole numbers, (rows,) each, stands first, in their order, and which of
    them each row is."""
    code = np.zeros(columns[0].size, dtype=np.int64)
    for column in columns:
        values = column.astype(np.int64)
        values = values - values.min(initial=0)
        wide = int(values.max(initial=0)) + 1
        if code.size and (int(code.max()) + 1) > (1 << 62) // wide:
            code = np.unique(code, return_inverse=True)[1]
        code = code * wide + values
    _, first, of = np.unique(code, return_index=True, return_inverse=True)
    return first, of


def only(columns: Columns, kept: Flags | slice) -> Columns:
    """The rows `kept` of a record whose fields are columns (row,)."""
    return type(columns)(*(getattr(columns, each.name)[kept] for each in fields(columns)))  # type: ignore[arg-type]


def settled(values: Array | float) -> Array:
    """To seven decimals: those after hang on how many threads a solver has, and one question has one answer."""
    return np.asarray(np.round(values, 7) + 0.0)


def eight_digits(value: float) -> float:
    """To eight digits, for the same reason."""
    return float(f"{value:.8g}")


def first_order_recursion(keep: float | Array, gained: Array, first: float | Array = 0.0) -> Array:
    """x[k] = keep[k] x[k-1] + gained[k] with x[-1] = first: (n,) or (n, series) in, the same shape out.

    keep: one number, (n,), or each series' own (n, series). Raises ValueError for a series of no length."""
    right = np.array(gained, dtype=float, order="F")
    if right.size == 0:
        raise ValueError("a recursion over no steps")
    if np.ndim(keep) == 2:  # the series end to end, each beginning anew
        own = np.array(keep, dtype=float)
        right[0] += own[0] * first
        own[0] = 0.0
        return first_order_recursion(own.T.ravel(), right.T.ravel()).reshape(right.shape[::-1]).T
    steps = np.broadcast_to(np.asarray(keep, dtype=float), right.shape[:1])
    right[0] += steps[0] * first
    bands = np.ones((2, right.shape[0]), order="F")
    bands[1, :-1] = -steps[1:]
    return _solved(bands, right).reshape(np.shape(gained))


def banded_recursion(bands: Array, right: Array) -> Array:
    """The unknowns x (n,) of a lower banded system with ones on its diagonal: bands[d, j] multiplies x[j] in row j + d.

    bands: (width, n), row 0 all ones, made with order="F". Raises ValueError when the solution is not finite."""
    return _solved(bands, right.reshape(-1, 1)).reshape(-1)


def _solved(bands: Array, right: Array) -> Array:
    from scipy.linalg.lapack import dtbtrs

    solved, info = dtbtrs(bands, right, uplo="L", diag="U")
    if info != 0:
        raise ValueError("the recursion is not finite")
    return np.asarray(solved, dtype=float)
