"""Slips among readings whose errors hang together, against the sum over all subsets written out (no outside values)."""

from __future__ import annotations

from itertools import product

import numpy as np
import pytest
from scipy.stats import multivariate_normal

from driftmodel.calibration.slips import MOST_COST, MOST_MOVED, Ways, ways_of
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
    """Density of each subset of slips: the same at any size; the joint normal of the rest; the chances beforehand."""
    found = {}
    for slip in product((0, 1), repeat=4):
        on, off = np.flatnonzero(slip), np.flatnonzero(np.array(slip) == 0)
        density = np.prod(DOUBT[on] / (2.0 * REACH[on])) * np.prod(1.0 - DOUBT[off])
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


def test_a_wild_reading_says_nothing() -> None:
    """Moved by 0.1 mm further, a reading of 1 or 10 mm leaves the odds between particles as they were."""
    for far in (1.0, 10.0, 1000.0):
        at = np.array([[0.0, far, 0.0, 0.0], [0.0, far + 0.1, 0.0, 0.0]])
        one, two = ways().log_density(at, np.ones(2))
        assert one - two == pytest.approx(0.0, abs=0.002)


def test_many_readings_are_not_weighed_in_every_way() -> None:
    for count in (6, 12, 40, 300):
        made = ways(count)
        assert len(made.noises) * count**2 <= max(MOST_COST, count**2)
    assert len(ways(6).noises) == 64
    far = np.zeros((3, 300))
    far[:, 7] = 5.0
    assert ways(300).chances(far, np.ones(3))[7] > 0.99


def test_no_reading_alone_moves_an_answer_far() -> None:
    """Two clouds that agree on five readings and not on the sixth, 0.5 mm apart in the answer: taken as it stands the
    reading moves the mean by more than a third of that; held back, weighed anew by the ways, by MOST_MOVED."""
    made = ways(6)
    random = np.random.default_rng(1)
    side = np.repeat([0.0, 1.0], 2000)
    residual = 0.05 * random.standard_normal((4000, 6))
    residual[:, 5] += 0.45 * (1.0 - side)
    swing, answer = np.ones(4000), 0.5 * side

    def moved(by: Ways) -> float:
        density = by.log_density(residual, swing) - ways(5).log_density(residual[:, :5], swing)
        weight = np.exp(density)
        return abs(float(weight @ answer / weight.sum()) - float(answer.mean()))

    plain = np.exp(made.log_density(residual, swing) - ways(5).log_density(residual[:, :5], swing))
    drawn = random.choice(4000, 4000, p=plain / plain.sum())
    held = made.held_back(residual[drawn], swing, answer[drawn])
    assert moved(made) > 0.17
    assert moved(held) == pytest.approx(MOST_MOVED, abs=0.02)
