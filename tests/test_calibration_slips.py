"""Slips among readings whose errors hang together, against the sum over all subsets written out (no outside values)."""

from __future__ import annotations

from itertools import product

import numpy as np
import pytest
from scipy.stats import multivariate_normal

from driftmodel.calibration.caution import MOST_MOVED, held_back
from driftmodel.calibration.sampler import Sampled
from driftmodel.calibration.slips import MOST_COST, STAY_SHARE, Ways, ways_of
from driftmodel.calibration.unsure import STAYS, Noise, Unsure

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
    away, swing = np.array([residual]), np.ones(1)
    exact = written_out(away[0])
    whole = sum(exact.values())
    assert ways().log_density(away, swing)[0] == pytest.approx(np.log(whole), abs=1e-9)
    chance = [sum(each for slip, each in exact.items() if slip[place]) / whole for place in range(4)]
    assert ways().chances(away, swing) == pytest.approx(chance, abs=1e-9)


def test_a_wild_reading_says_nothing() -> None:
    """Moved by 0.1 mm further, a reading of 1 or 10 mm leaves the odds between particles as they were."""
    for far in (1.0, 10.0, 1000.0):
        at = np.array([[0.0, far, 0.0, 0.0], [0.0, far + 0.1, 0.0, 0.0]])
        one, two = ways().log_density(at, np.ones(2))
        assert one - two == pytest.approx(0.0, abs=1e-9)


def test_many_readings_are_not_weighed_in_every_way() -> None:
    for count in (6, 12, 40, 300):
        made = ways(count)
        assert len(made.slip) * count**2 <= max(MOST_COST, count**2)
    assert len(ways(6).slip) == 64
    far = np.zeros((3, 300))
    far[:, 7] = 5.0
    assert ways(300).chances(far, np.ones(3))[7] > 0.99


def test_stays_that_a_blank_stands_for_are_ways_too() -> None:
    """Two visits, of two readings and of one, slips aside: density and chance of a stay against the sum written out."""
    effects = np.outer(np.array(STAYS) / 48.0, [0.5, 0.4, -0.6])
    visit, sd, doubt = np.array([0, 0, 1]), np.full(3, 0.05), np.full(3, 1e-9)
    unsure = Unsure(effects, visit, 0.02**2 * np.eye(3), np.zeros((4, 4)), 1.0)
    made = ways_of(Noise(unsure, sd, np.full(3, 0.1)), doubt, np.full(3, 0.5))
    residual, whole, lain = np.array([[0.3, 0.2, 0.02]]), 0.0, np.zeros(2)
    for there in product((0, 1), repeat=2):
        shift, blank = np.zeros(3), np.zeros((3, 3))
        for one, is_there in enumerate(there):
            on = np.flatnonzero(visit == one)
            own = effects[(np.array(STAYS) > 0.0) == is_there][:, on]
            shift[on] = own.mean(axis=0)
            blank[np.ix_(on, on)] = np.cov(own.T, bias=True)
        share = np.prod([STAY_SHARE if one else 1.0 - STAY_SHARE for one in there])
        density = share * multivariate_normal.pdf(residual[0] - shift, cov=blank + (0.05**2 + 0.02**2) * np.eye(3))
        whole += density
        lain += density * np.array(there)
    assert made.log_density(residual, np.ones(1))[0] == pytest.approx(np.log(whole), abs=1e-6)
    after = made.stays(residual, np.ones(1))[np.array(STAYS) > 0.0].sum(axis=0)
    assert after == pytest.approx((lain / whole)[visit], abs=1e-6)


def test_no_reading_alone_moves_an_answer_far() -> None:
    """Two clouds that agree on five readings and not on the sixth, 0.5 mm apart in the answer, of which the cloud led
    to all six holds one alone: the mean comes to lie within MOST_MOVED of the five's, by a doubt that tells so."""
    made = ways(6)
    random = np.random.default_rng(1)
    side = np.repeat([0.0, 1.0], 2000)
    residual = 0.05 * random.standard_normal((4000, 6))
    residual[:, 5] += 0.45 * (1.0 - side)
    cloud = np.arange(4000.0)[:, None]

    def drawn(by: Ways) -> Sampled:
        weight = np.exp(by.log_density(residual, np.ones(4000)))
        return Sampled(cloud[random.choice(4000, 4000, p=weight / weight.sum())], 0.0, 4000.0, 1, 1.0)

    def likely(by: Ways, normals: np.ndarray) -> np.ndarray:
        return by.likely(residual[normals[:, 0].astype(int)], np.ones(len(normals)))

    def answer(normals: np.ndarray) -> np.ndarray:
        return 0.5 * side[normals[:, 0].astype(int)]

    plain = drawn(made)
    told, held = held_back(made, plain, drawn, likely, answer)
    assert answer(plain.normals).mean() > 0.48
    others = np.exp(made.without(5, likely(made, cloud).mean(axis=0)).log_density(residual, np.ones(4000)))
    aim = float(others @ (0.5 * side) / others.sum()) + MOST_MOVED
    assert answer(held.normals).mean() == pytest.approx(aim, abs=0.02)
    # the doubt told is the one that would lead there
    assert told.doubt[5] > 0.3 and answer(drawn(told).normals).mean() == pytest.approx(aim, abs=0.03)
