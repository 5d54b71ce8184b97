"""What lives in one climate share, step by step on made-up air; no outside reference values."""

from __future__ import annotations

from datetime import date
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from driftmodel.fleet import built_together as lives
from driftmodel.fleet.built_together import TurningPoints


def moved_to(case: int | None, logger: int | None) -> Any:
    climate = SimpleNamespace(case=case, outdoor=SimpleNamespace(logger=logger))
    stay = SimpleNamespace(climate=climate, start=date(2020, 1, 1))
    return SimpleNamespace(hysteresis=True, setup=SimpleNamespace(built_relative_humidity_pct=45.0), stays=(stay,))


OPEN, LOGGED, CASE = moved_to(None, None), moved_to(None, 1), moved_to(1, None)


def test_what_is_left_of_a_difference_decays_as_a_lag_does() -> None:
    """Lags of 2 and 30 days, of thin and of thick parts that move at speeds of their own: two lags of the same air
    differ by d exp(-s / tau), s the days of movement spent, so the own path joined to the common one is itself."""
    random, behind, known, whole = np.random.default_rng(1), 4, 9, 60
    spent = np.cumsum(random.uniform(0.1, 2.0, (2, whole + 1)), axis=1)
    tau = np.array([2.0, 30.0])
    shared = random.normal(size=(4, whole + 1))
    gap = np.array([3.0, -2.0, 0.5, 0.0])[:, None] * np.exp(-spent[[0, 0, 1, 1]] / tau[[0, 1, 0, 1]][:, None])
    common: Any = SimpleNamespace(lags_pct=shared[:, behind:], spent=spent[:, behind:], time_constants_days=tau)
    own: Any = SimpleNamespace(lags_pct=(shared + gap)[:, : known + 1])
    assert lives._joined(own, common, behind, whole) == pytest.approx(shared + gap, abs=1e-12)


def test_a_life_joins_the_common_air_once_it_has_been_alike_long_enough(monkeypatch: pytest.MonkeyPatch) -> None:
    """Moved on its tenth day into a climate whose path began five days before, in air that is its own for some days: a
    logged room is asked after 60 and 240 days about the last seven, a case about 200, so not after 60; a room in its
    outdoor air knows no start."""
    days, moved, since = 900, 10, 5
    air = np.arange(24.0 * days)
    common: Any = SimpleNamespace(air=(air, -air), start=date(2019, 12, 27))
    asked: list[int] = []

    def life(until: int) -> Any:
        def own(_: Any, __: int, length: int) -> Any:
            asked.append(length)
            hours = np.arange(24.0 * length) + 24 * (since - moved)
            return hours + 2e-4 * (np.arange(24 * length) < 24 * (moved + until)), -hours

        return own

    for kind, until, lengths in (
        (LOGGED, 53, [70]), (LOGGED, 54, [70, 250]), (CASE, 40, [250]), (CASE, 41, [250, 810]), (OPEN, 900, [10]),
    ):  # fmt: skip
        asked.clear()
        monkeypatch.setattr(lives, "_air", life(until))
        found = lives._own_air(kind, 0, common, moved, days)
        assert asked == lengths and found is not None and found[1].size == 24 * lengths[-1]
    monkeypatch.setattr(lives, "_air", life(900))
    assert lives._own_air(LOGGED, 0, common, moved, 811) is None
    assert lives._own_air(LOGGED, 0, common, moved, 69) is None


def test_wood_forgets_at_the_next_extremes() -> None:
    """Ten days at 80 % apart, then the common air: 50 %, and on day 73 and 76 further up and down than ever. Asked
    every ten days; then 200 days more for the speed of moisture."""
    same = np.full(160, 50.0)
    same[73], same[76] = 99.0, 1.0

    def path(daily: np.ndarray) -> Any:
        return SimpleNamespace(humid_pct=np.concatenate([np.full(5, 50.0), daily]), start=date(2019, 12, 27))

    def own(percent: float) -> Any:
        return np.zeros(240), np.full(240, percent)

    assert lives._forgotten_day(LOGGED, path(same), own(80.0), 10) == 10 + 80 + 200
    assert lives._forgotten_day(LOGGED, path(same), own(50.0), 10) == 10 + 0 + 200
    assert lives._forgotten_day(LOGGED, path(np.full(160, 50.0)), own(80.0), 10) == 171
    assert lives._forgotten_day(LOGGED, path(same), own(50.0), 6) == 6 + 4 + 200
    plain: Any = SimpleNamespace(hysteresis=False)
    assert lives._forgotten_day(plain, path(same), own(80.0), 10) == 10 + 200
    assert lives._daily(np.arange(48.0)).tolist() == [11.5, 35.5]


def test_turning_points_by_hand() -> None:
    """From dry to 60, 30, 50 and 40: all four are remembered; 55 wipes out 50 and 40, 65 all, 20 and then 10 the last
    but the first of all."""
    own = TurningPoints([60.0, 30.0, 50.0, 40.0])
    assert (own.turns, own.here, own.rising) == ([-1.0, 60.0, 30.0, 50.0], 40.0, False)
    own.pass_through([50.0])
    assert (own.turns, own.here, own.rising) == ([-1.0, 60.0, 30.0], 50.0, True)
    own.pass_through([50.0, 45.0])
    other = TurningPoints([60.0, 30.0, 50.0, 45.00005])
    assert own.alike(other) and not own.alike(TurningPoints([60.0, 30.0, 50.0, 45.00015]))
    assert not own.alike(TurningPoints([60.0, 30.0])) and not own.alike(TurningPoints([60.0, 31.0, 50.0, 45.0]))
    own.pass_through([30.0])
    assert own.turns == [-1.0, 60.0]
    own.pass_through([65.0, 20.0, 40.0, 10.0])
    assert (own.turns, own.here, own.rising) == ([-1.0, 65.0], 10.0, False)
    own.pass_through([65.0])
    assert (own.turns, own.here, own.rising) == ([-1.0], 65.0, True)


def test_the_air_of_a_life_is_that_of_its_stays(monkeypatch: pytest.MonkeyPatch) -> None:
    """Two stays of which the second begins after three days: hours of each, as many as asked for."""
    asked = []

    def made(stay: Any, hours: int, member: int, seed: int) -> Any:
        asked.append((stay.climate, hours, member, seed))
        one = np.full(hours, float(len(stay.climate)))
        return one, 10.0 * one

    monkeypatch.setattr(lives, "_stay_air", made)
    stays = (
        SimpleNamespace(climate="a", start=date(2020, 1, 1)),
        SimpleNamespace(climate="bb", start=date(2020, 1, 4)),
    )
    scenario: Any = SimpleNamespace(stays=stays, seed=7)
    temperature, humidity = lives._air(scenario, 2, 5)
    assert asked == [("a", 72, 2, 7), ("bb", 48, 2, 7)]
    assert temperature.tolist() == [1.0] * 72 + [2.0] * 48 and (humidity == 10.0 * temperature).all()
    asked.clear()
    assert lives._air(scenario, 2, 3)[0].size == lives._air(scenario, 2, 2)[0].size + 24 == 72
    assert [hours for _, hours, _, _ in asked] == [72, 48]
