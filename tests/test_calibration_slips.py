"""Slips among readings whose errors hang together, against the sum over all subsets written out (no outside values)."""

from __future__ import annotations

from itertools import product

import numpy as np
import pytest
from scipy.stats import cauchy, multivariate_normal

from driftmodel.calibration.slips import MOST_COST, Ways, ways_of
from driftmodel.calibration.unsure import Noise, Unsure

SD, REACH = np.full(4, 0.05), np.full(4, 0.5)
DOUBT = np.array([0.1, 0.1, 0.9, 0.1])
DAYS = np.array([0.0, 1.0, 2.0, 5.0])
LAW = 0.1**2 * np.exp(-0.5 * (DAYS[:, None] - DAYS) ** 2)


def ways(count: int = 4, slip: float = 0.1) -> Ways:
    law = LAW if count == 4 else 0.1**2 * np.eye(count)
    unsure = Unsure(np.zeros((1, count)), np.arange(count), law, np.zeros((count + 1, count + 1)), 1.0)
    return ways_of(
        Noise(unsure, np.full(count, 0.05), np.full(count, slip)),
        DOUBT if count == 4 else np.full(count, 0.1),
        np.full(count, 0.5),
    )


def written_out(residual: np.ndarray) -> dict[tuple[int, ...], float]:
    """Density of each subset of slips: their own law, the joint normal of the rest, and the chances beforehand."""
    found = {}
    for slip in product((0, 1), repeat=4):
        on, off = np.flatnonzero(slip), np.flatnonzero(np.array(slip) == 0)
        density = np.prod(DOUBT[on] * cauchy.pdf(residual[on], scale=REACH[on])) * np.prod(1.0 - DOUBT[off])
        if off.size:
            density *= multivariate_normal.pdf(residual[off], cov=(LAW + np.diag(SD**2))[np.ix_(off, off)])
        found[slip] = float(density)
    return found


@pytest.mark.parametrize(
    "residual", [(0.02, -0.05, 0.1, 0.0), (0.1, 0.6, 0.1, -0.2), (0.0, 0.1, -8.0, 0.1), (0.5, 0.55, 0.6, 0.0)]
)
def test_all_ways_add_up(residual: tuple[float, ...]) -> None:
    """A slip is left next to no weight in the normal law, not none: 1 % of the density."""
    away, swing = np.array([residual]), np.ones(1)
    exact = written_out(away[0])
    whole = sum(exact.values())
    assert ways().log_density(away, swing)[0] == pytest.approx(np.log(whole), abs=0.01)
    chance = [sum(each for slip, each in exact.items() if slip[place]) / whole for place in range(4)]
    assert ways().chances(away, swing) == pytest.approx(chance, abs=0.01)


def test_the_wilder_a_reading_the_less_it_pulls() -> None:
    """Moved by 0.1 mm further, a reading of 10 mm changes the odds between particles by 2 x 0.1 / 10."""
    at = np.array([[0.0, 10.0, 0.0, 0.0], [0.0, 10.1, 0.0, 0.0]])
    one, two = ways().log_density(at, np.ones(2))
    assert one - two == pytest.approx(0.02, abs=0.002)


def test_many_readings_are_not_weighed_in_every_way() -> None:
    for count in (6, 12, 40, 300):
        made = ways(count)
        assert len(made.noises) * count**2 <= max(MOST_COST, count**2)
    assert len(ways(6).noises) == 64
    far = np.zeros((3, 300))
    far[:, 7] = 5.0
    assert ways(300).chances(far, np.ones(3))[7] > 0.99
