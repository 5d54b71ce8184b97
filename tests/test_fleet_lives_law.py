"""What lives in one climate share, step by step on made-up air; no outside reference values."""

from __future__ import annotations

from datetime import date, timedelta
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from driftmodel.fleet import built_together as lives
from driftmodel.wood.sorption import TurningPoints


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
    assert own.alike(other, lives.SAME) and not own.alike(TurningPoints([60.0, 30.0, 50.0, 45.00015]), lives.SAME)
    assert not own.alike(TurningPoints([60.0, 30.0]), lives.SAME) and not own.alike(
        TurningPoints([60.0, 31.0, 50.0, 45.0]), lives.SAME
    )
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


def test_a_life_of_three_stays_goes_hour_by_hour(monkeypatch: pytest.MonkeyPatch) -> None:
    """A life of one stay, or of two, is asked of its own path, and joined to the common one where there are two stays;
    rows for houses not alike come after the lags. From the third stay on the whole air is asked."""
    asked: list[Any] = []
    stays = [SimpleNamespace(start=date(2020, 1, 1))] * 3
    whole = SimpleNamespace(lags_pct=np.full((4, 30), 3.0), rooms="all rooms")

    def lags(scenario: Any, member: int, common: Any) -> Any:
        asked.append(common)
        return np.full((4, 30), 1.0), np.zeros(29)

    def rooms(scenario: Any, member: int, days: int, place: Any, common: Any) -> Any:
        assert days == 29
        return "rooms", np.full((2, 30), 2.0)

    def history(scenario: Any, lags: Any, heat: Any, readings: Any) -> Any:
        return lives.CreepHistory(*[readings] * len(lives.CreepHistory.__dataclass_fields__))

    air = {"air_temperature": SimpleNamespace(values=np.zeros(696))}
    stubs: dict[str, Any] = {
        "_lags": lags, "_room_rows": rooms, "scenario_air": lambda *_: air, "air_lags": lambda *_, rooms: whole,
        "heat_of_days": lambda hourly: hourly[::24], "creep_history": history, "day_of": lambda *_: 2,
        "reference_change": lambda _, lags, rooms: lags,
    }  # fmt: skip
    for name, stub in stubs.items():
        monkeypatch.setattr(lives, name, stub)
    place: Any = SimpleNamespace(path=lambda member: f"path {member}")
    for many, rows, told in ((1, [1.0] * 4, None), (2, [1.0] * 4 + [2.0] * 2, "rooms"), (3, [3.0] * 4, "all rooms")):
        scenario: Any = SimpleNamespace(stays=stays[:many], setup=SimpleNamespace(setup=date(2020, 1, 3)))
        life = lives._life(scenario, 5, place)
        assert life.reference_pct[:, 0].tolist() == rows and life.rooms == told, many
        assert life.creep.lags_pct.shape == (len(rows), 0)
        assert life.creep.at.tolist() == list(range(2, 30, lives.READING_STEP_DAYS))
    assert asked == [None, "path 5"]


def test_rows_of_houses_begin_with_a_step_of_the_common_path(monkeypatch: pytest.MonkeyPatch) -> None:
    """A life begun on 1 January, in the place since 20 January; the common path begins on 4 January, so its fourth step
    of five days is the first whole one in the place: day 23 of the life, and three more up to day 40."""
    begun, common = date(2020, 1, 1), SimpleNamespace(start=date(2020, 1, 4), time_constants_days="grid")
    drivers, spent, rows = np.arange(24.0).reshape(1, 2, 12), np.arange(22.0).reshape(2, 11), np.arange(12.0)[None]
    monkeypatch.setattr(lives, "_place_rows", lambda *_: ("rooms", rows, drivers, spent))
    monkeypatch.setattr(lives, "is_held", lambda climate: climate == "held")
    monkeypatch.setattr(lives, "rows_from_node", lambda *told: told)
    monkeypatch.setattr(lives, "daily_rows", lambda *told: told)
    place: Any = SimpleNamespace(basis="basis")

    def told(days: int, climate: str = "open") -> Any:
        stays = [SimpleNamespace(start=begun), SimpleNamespace(start=begun + timedelta(days=19), climate=climate)]
        return lives._room_rows(SimpleNamespace(stays=stays), 0, days, place, common)  # type: ignore[arg-type]

    rooms, ((own, basis, driven, halves, grid, node), nodes, days) = told(40)
    assert (rooms, basis, grid, node, days, nodes.tolist()) == ("rooms", "basis", "grid", 4, 40, [23, 28, 33, 38])
    assert own.tolist() == rows[:, :8].tolist() and driven is drivers and halves.tolist() == spent[:, :7].tolist()
    assert told(33)[1][1].tolist() == [23, 28, 33] and told(32) is None and told(40, "held") is None
    place.basis = None
    assert told(40) is None


def test_a_life_is_its_own_until_it_has_forgotten_and_then_the_common_one(monkeypatch: pytest.MonkeyPatch) -> None:
    """Begun on 1 January, set up on the 11th, 30 days ahead; the common path begins four days before or after. Its own
    air for 15 days, the common one's for five more, when it has forgotten; heat of the own days, then of the common."""
    begin = date(2020, 1, 1)
    hours = np.arange(24.0 * 60)
    air = (hours, 100.0 + hours)  # by the hour of the life

    def path(scenario: Any, start: date, own: Any) -> Any:
        assert start == begin and all(np.array_equal(a, b[: a.size]) for a, b in zip(own, air, strict=True))
        return SimpleNamespace(days=own[0].size // 24, heat=np.arange(own[0].size // 24), lags_pct="all its own")

    scenario: Any = SimpleNamespace(
        stays=[SimpleNamespace(start=begin), SimpleNamespace(start=date(2020, 1, 13))],
        setup=SimpleNamespace(setup=date(2020, 1, 11)),
    )
    monkeypatch.setattr(lives, "_path", path)
    monkeypatch.setattr(lives, "day_of", lambda _, day: (day - begin).days)
    monkeypatch.setattr(lives, "horizon_days", lambda _: 30)
    monkeypatch.setattr(lives, "_air", lambda scenario, member, days: tuple(each[: 24 * days] for each in air))
    monkeypatch.setattr(lives, "_joined", lambda own, common, behind, whole: (own.days, behind, whole))
    monkeypatch.setattr(lives, "_own_air", lambda _, member, common, moved, whole: (
        tuple(each[: 24 * 15] for each in air) if (moved, whole) == (12, 40) else None))  # fmt: skip
    for behind in (-4, 4):
        start = begin + timedelta(days=behind)
        first = 24 * behind
        its = tuple(np.concatenate([np.full(max(-first, 0), np.nan), each[max(first, 0) :]]) for each in air)
        common: Any = SimpleNamespace(start=start, air=its, heat=np.arange(100) + behind)
        for known in (20, 15, 13):
            monkeypatch.setattr(lives, "_forgotten_day", lambda *_, known=known: known)
            lags, heat = lives._lags(scenario, 0, common)
            assert lags == (known, behind, 40) and heat.tolist() == list(range(40)), (behind, known)
        monkeypatch.setattr(lives, "_forgotten_day", lambda *_: 40)
        lags, heat = lives._lags(scenario, 0, common)
        assert lags == "all its own" and heat.size == 40
    assert lives._lags(scenario, 0, None)[0] == "all its own"


def test_days_of_movement_add_up_along_a_path(monkeypatch: pytest.MonkeyPatch) -> None:
    """Thin parts at once, twice and four times the reference speed for a day each, thick ones at half of that."""
    thin = np.repeat([1.0, 2.0, 4.0], 24)
    lags = SimpleNamespace(lags_pct="lags", time_constants_days="days")
    monkeypatch.setattr(lives, "wood_air", lambda *_: ("emc", (thin, thin / 2.0)))
    monkeypatch.setattr(lives, "lags_of", lambda emc, speeds, built: lags)
    monkeypatch.setattr(lives, "built_moisture", lambda _: 9.0)
    monkeypatch.setattr(lives, "heat_of_days", lambda hourly: hourly[::24])
    path = lives._path(LOGGED, date(2020, 1, 1), (np.arange(72.0), 2.0 * np.arange(72.0)))
    assert path.spent.tolist() == [[0.0, 1.0, 3.0, 7.0], [0.0, 0.5, 1.5, 3.5]]
    assert path.humid_pct.tolist() == [23.0, 71.0, 119.0] and path.heat.tolist() == [0.0, 24.0, 48.0]


def test_what_lives_of_one_place_share(monkeypatch: pytest.MonkeyPatch) -> None:
    """The place's path is a year and a day longer than the horizon, from the year's begin; its houses' drivers stand at
    whole steps of five days, and the days of movement in each are those between."""
    stays = (
        SimpleNamespace(climate="shop", start=date(2020, 3, 1)),
        SimpleNamespace(climate="b", start=date(2020, 6, 1)),
    )
    monkeypatch.setattr(lives, "replace", lambda thing, **words: SimpleNamespace(**{**vars(thing), **words}))
    monkeypatch.setattr(lives, "horizon_days", lambda scenario: 30 * len(scenario.stays))
    monkeypatch.setattr(lives, "outdoor_days", lambda *told, **more: told + tuple(more.values()))
    monkeypatch.setattr(lives, "place_drivers", lambda *told: told[2:])
    monkeypatch.setattr(lives, "node_rows", lambda *told: (told, "told"))
    monkeypatch.setattr(lives, "air_fingerprint", lambda *_: f"a mark of this test {np.random.rand()}")
    setup = SimpleNamespace(setup=date(2020, 5, 5))
    place = lives._Place(SimpleNamespace(stays=stays, setup=setup, seed=8))  # type: ignore[arg-type]
    assert place.days == 60 + 366 and place.scenario.setup.setup == date(2020, 1, 1)
    assert [(stay.start, stay.climate) for stay in place.scenario.stays] == [(date(2020, 1, 1), "b")]
    spent = np.cumsum(np.arange(2.0 * 427).reshape(2, -1), axis=1)
    common: Any = SimpleNamespace(start=date(2020, 1, 1), spent=spent, time_constants_days="grid")
    basis: Any = SimpleNamespace(few=7)
    ((((kept, told),), steps, grid), one, driven, spells) = lives._place_rows(place, 3, common, basis)
    assert (kept, grid, one, driven) == (basis, "grid", "told", told) and spells is steps
    assert told == (7, "b", date(2020, 1, 1), 425, 3, 8)
    assert steps.shape == (2, 85) and steps[0, :2].tolist() == [1 + 2 + 3 + 4 + 5, 6 + 7 + 8 + 9 + 10]
    assert steps.sum(axis=1) == pytest.approx(spent[:, 425] - spent[:, 0])
