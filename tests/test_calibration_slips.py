"""Slips among readings whose errors hang together, against the sum over all subsets written out (no outside values)."""

from __future__ import annotations

import numpy as np
import pytest

from driftmodel.calibration.bench import STAYS
from driftmodel.calibration.caution import held_back
from driftmodel.calibration.sampler import Sampled
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
    # nor is any visit that a stay would do much to; of eight, six are: 64 times 1.5^6 is below 750 ways
    for count, gone_through in ((300, 0), (8, 6)):
        blank = np.outer(np.array(STAYS) / 48.0, np.full(count, 0.5))
        many = Unsure(blank, np.arange(count), 0.1**2 * np.eye(count), np.zeros((count + 1, count + 1)), 1.0)
        tools, doubt, far_off = (np.full(count, each) for each in (0.05, 0.1, 0.5))
        made = ways_of(Noise(many, tools, doubt), doubt, far_off)
        assert made.stayed.size == gone_through and (len(made.slip) == 1) is (gone_through == 0)
    far = np.zeros((3, 300))
    far[:, 7] = 5.0
    assert ways(300).chances(far, np.ones(3))[7] > 0.99


def test_no_reading_alone_moves_an_answer_far() -> None:
    """Two clouds that agree on five readings and not on the sixth, 0.5 mm apart in the answer, of which the cloud led
    to all six holds one alone: the sixth is hardly a slip (0.1), and the mean comes to lie midway between the five's
    and that without another, by a doubt that tells so."""
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
    aim = 0.5 * (float(others @ (0.5 * side) / others.sum()) + answer(plain.normals).mean())
    assert answer(held.normals).mean() == pytest.approx(aim, abs=0.02)
    # the doubt told is the one that would lead there
    assert told.doubt[5] > 0.3 and answer(drawn(told).normals).mean() == pytest.approx(aim, abs=0.03)


def held(
    others: dict[int, float], answers: np.ndarray, chances: dict[int, np.ndarray]
) -> tuple[Ways, Sampled, list[int]]:
    """Held back by hand: six readings, particles known by their answer; others: what a cloud without a reading
    answers; chances: of a reading being a slip, (n,), where it is not one in ten."""
    made, asked = ways(6), []
    slip = np.stack([chances.get(place, np.full(len(answers), 0.1)) for place in range(6)], axis=1)

    def likely(of: Ways, normals: np.ndarray) -> np.ndarray:
        return np.stack([np.where(way == 1.0, slip, 1.0 - slip).prod(axis=1) for way in of.slip], axis=1)

    def draw(of: Ways) -> Sampled:
        gone = [place for place in range(6) if (of.slip[:, place] == 1.0).all()]
        asked.extend(gone)
        return Sampled(np.full((200, 1), others[gone[0]]), 0.0, 200.0, 1, 1.0)

    told, mixed = held_back(made, Sampled(answers[:, None], -3.0, 1.0, 1, 1.0), draw, likely, lambda cloud: cloud[:, 0])
    return told, mixed, asked


def test_a_cloud_is_mixed_with_that_without_a_reading_as_far_as_it_may_move() -> None:
    """All answer 0.2, a hundred of a thousand sure that one is a slip: without it -0.1. From 0.2 to 0.08 mm of that is
    0.733 of the way; the odds beforehand that mix so grow by 1 + (0.733 / 0.267) / 0.1."""
    answers, few = np.full(1000, 0.2), np.where(np.arange(1000) < 100, 1.0, 1e-9)
    for without, end in ((-0.1, -0.02), (0.5, 0.42)):
        told, mixed, asked = held({4: without}, answers, {4: few})
        part = (end - 0.2) / (without - 0.2)
        assert asked == [4] and np.mean(mixed.normals == without) == pytest.approx(part, abs=0.001)
        assert len(mixed.normals) == 1000
        odds = 0.1 / 0.9 * (1.0 + part / (1.0 - part) / 0.1)
        doubt = odds / (1.0 + odds)
        np.testing.assert_allclose(told.doubt, [0.1, 0.1, 0.1, 0.1, doubt, 0.1])
        # the readings are as probable as before where sound, and where a slip, by the chances beforehand
        assert mixed.log_evidence == pytest.approx(-3.0 + np.log((1.0 - doubt) / 0.9 * 0.9 + doubt / 0.1 * 0.1))
    for without, moved in ((0.121, False), (0.119, True), (0.279, False), (0.281, True)):
        told, _, _ = held({4: without}, answers, {4: few})
        assert bool((told.doubt != 0.1).any()) is moved
    for count, looked in ((121, []), (119, [4])):
        some = np.where(np.arange(1000) < count, 1.0, 1e-9)
        assert held({4: 0.2}, answers, {4: some})[2] == looked
    # with a sixth that is a slip in all but one of a hundred or fewer, five are left, and nothing is held back
    for sure, moved in ((0.9895, True), (0.9905, False)):
        told, _, _ = held({4: -0.1, 0: 0.2}, answers, {4: few, 0: np.full(1000, sure)})
        assert bool((told.doubt != 0.1).any()) is moved
    # two that pull either way: the likelier slip
    more = np.where(np.arange(1000) >= 890, 1.0, 1e-9)
    told, mixed, asked = held({3: 0.6, 4: -0.1}, answers, {4: few, 3: more})
    assert asked == [3, 4] and told.doubt[4] == 0.1 and told.doubt[3] > 0.2
    assert np.mean(mixed.normals == 0.6) == pytest.approx(0.32 / 0.4, abs=0.001)
    # two that pull either way by less than 0.24 in all: the middle of both answers, 0.5 (0.32 + 0.11)
    _, mixed, _ = held({3: 0.32, 4: 0.11}, answers, {4: few, 3: more})
    assert np.mean(mixed.normals == 0.32) == pytest.approx(0.015 / 0.12, abs=0.001)
    # holding one back moves the answer no further than 0.12 from that without any that is a slip by more than a fifth
    for doubt, end in ((0.21, 0.32), (0.19, 0.52)):
        even = {4: np.full(1000, doubt), 5: np.full(1000, 0.5 * doubt)}
        _, mixed, _ = held({3: 0.6}, answers, {3: few, **even})
        assert np.mean(mixed.normals == 0.6) == pytest.approx((end - 0.2) / 0.4, abs=0.001)


def test_where_enough_particles_count_they_are_weighed_anew() -> None:
    """Answers 0 and 0.4, of which the first are five times as sure of a slip: 0.067 without it; from 0.2 to 0.147."""
    unlike = np.repeat([0.5, 0.1], 500)
    told, mixed, asked = held({}, np.repeat([0.0, 0.4], 500), {2: unlike})
    odds = 0.1 / 0.9 * (1.0 + 0.4 / 0.6 / 0.3)
    assert asked == [] and told.doubt[2] == pytest.approx(odds / (1.0 + odds))
    assert mixed.normals.mean() == pytest.approx(0.147, abs=0.02)  # a thousand of them: 0.006
    assert held({}, np.repeat([0.0, 0.22], 500), {2: unlike})[0].doubt[2] == 0.1  # 0.073 off
    five, cloud = ways(5), Sampled(np.zeros((9, 1)), 0.0, 9.0, 1, 1.0)
    many = ways(101)  # too many for any to be weighed in every way
    for made in (five, many):
        held_so = held_back(made, cloud, lambda of: cloud, lambda of, _: np.ones((9, 1)), lambda of: of[:, 0])
        assert held_so == (made, cloud)
