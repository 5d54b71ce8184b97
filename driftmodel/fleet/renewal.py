"""How often, when each repair starts the clock anew: the renewal function on an equal grid."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


def renewal_function(cdf: Callable[[Array], Array], horizon: float, steps: int) -> Array:
    """Expected number of renewals by each point of an equal grid from 0 to `horizon`, (steps + 1,).

    Solves M(t) = F(t) + integral of M(t - s) dF(s) by mid-points of Riemann-Stieltjes sums (Xie 1989, eq. 7).
    """
    step = horizon / steps
    at = np.asarray(np.arange(steps + 1) * step, dtype=float)
    half: Array = np.asarray(at[:-1] + step / 2.0, dtype=float)
    whole, middle = cdf(at), cdf(half)  # F at (j + 1/2) steps
    first = middle[0]
    number = np.zeros(steps + 1)
    for i in range(1, steps + 1):
        moves = np.diff(number[:i])  # M_j - M_{j-1}, j = 1 .. i-1
        past = float(np.dot(moves, middle[i - 1 : 0 : -1])) if i > 1 else 0.0
        number[i] = (whole[i] + past - first * number[i - 1]) / (1.0 - first)
    return number


def renewal_mass(gaps: Array) -> Array:
    """Expected renewals in each month from the chances of a gap of 0, 1, 2, ... months, (months,) to (months,).

    m(t) = f(t) + sum of f(s) m(t - s). A gap of 0 months is one within the month. Mass below 1 in all is a unit that
    never needs another.
    """
    chance = np.asarray(gaps, dtype=float)
    if chance[0] >= 1.0 or np.any(chance < 0.0) or chance.sum() > 1.0 + 1e-9:
        raise ValueError("chances of at least 0 that add up to no more than 1, the first below 1")
    mass = np.zeros_like(chance)
    for month in range(chance.size):
        past = float(np.dot(chance[1 : month + 1], mass[month - 1 :: -1][:month])) if month else 0.0
        mass[month] = (chance[month] + past) / (1.0 - chance[0])
    return mass
