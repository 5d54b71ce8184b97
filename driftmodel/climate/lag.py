"""First-order lags of hourly drivers, exact for drivers that are constant within the hour; no loop over hours."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from driftmodel.base.arrays import first_order_recursion

Array = NDArray[np.float64]


class Lagged(NamedTuple):
    """start, end: state at both ends of each hour; mean: over the hour; removed: drop of the state at its end."""

    start: Array
    end: Array
    mean: Array
    removed: Array


def first_order_lag(driver: Array, time_constant_hours: float, first: float, ceiling: Array | None = None) -> Lagged:
    """State x of dx/dt = (driver - x) / tau with x = `first` at the start; arrays are (hour,).

    ceiling: at the end of each hour the state is cut down to it, and goes on from there; what was cut is `removed`.
    The cut recursion x[k] = min(a x[k-1] + b[k], c[k]) is solved exactly: with L the uncut solution it is
    L[k] + min over j <= k of a^(k-j) (c[j] - L[j]), 0 if that is positive, found by doubling the reach.
    """
    step = 1.0 / time_constant_hours
    a = float(np.exp(-step))
    end = first_order_recursion(a, (1.0 - a) * driver, first)
    removed = np.zeros_like(end)
    if ceiling is not None and np.any(end > ceiling):
        cut = np.minimum(ceiling - end, 0.0)
        reach, weight = 1, a
        while reach < cut.size and weight > 1e-18:
            cut[reach:] = np.minimum(cut[reach:], weight * cut[:-reach])
            reach, weight = 2 * reach, weight * weight
        before = np.concatenate([[0.0], cut[:-1]])
        end = end + cut
        removed = a * before - cut
    start = np.concatenate([[first], end[:-1]])
    mean = driver + (start - driver) * ((1.0 - a) / step)
    return Lagged(start, end, mean, removed)
