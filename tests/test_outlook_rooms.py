"""Houses differ: drawn rooms through the rows of `outlook.room_lags` against running each draw's own room by the hour.

The full chain of each draw's own room is the truth here: hourly room, hourly wood, every unknown of the room at once.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from driftmodel.base.records import Scenario
from driftmodel.base.scenarios import load_scenario
from driftmodel.climate.history import scenario_air
from driftmodel.outlook.chain import run_chain
from driftmodel.outlook.draws import ROOM_WORDS, Draws, draw_unknowns, is_held, room_lived_in, unknowns_of
from driftmodel.outlook.moisture import air_lags, part_weights
from driftmodel.outlook.rooms import climate_of_draw
from driftmodel.outlook.season import action_of_place_and_season, monthly_means, swing

DRAWS = 14


def short(name: str) -> Scenario:
    return replace(load_scenario(name), horizon_years=2, weather_members=1)


def in_own_room(scenario: Scenario, draws: Draws, at: int) -> tuple[Scenario, Draws]:
    """The scenario with the room of one draw stated, and that draw with nothing unknown of its room."""
    factors = {name: float(draws.values[name][at]) for name in ROOM_WORDS}
    stays = tuple(
        replace(stay, climate=stay.climate if is_held(stay.climate) else climate_of_draw(stay.climate, factors))
        for stay in scenario.stays
    )
    values = {name: np.ones(1) if name in ROOM_WORDS else value[[at]] for name, value in draws.values.items()}
    return replace(scenario, stays=stays), Draws(values, draws.set_up_error_mm[[at]], draws.member[[at]])


@pytest.mark.parametrize("name", ["first-winter", "damp-coast", "dry-highland"])
def test_drawn_rooms_are_those_run_one_by_one(name: str) -> None:
    """Monthly action over a year in the house: off by under 2 % of the range it spans over the draws (root mean
    square), the tenths and the middle of their swings within 4 %: the wood of a drawn room is run at the pace of the
    median room's, which a film makes slower in a damper one."""
    scenario = short(name)
    draws = draw_unknowns(scenario, DRAWS, 7)

    def months(of: Scenario, who: Draws) -> np.ndarray:  # type: ignore[type-arg]
        ran = run_chain(of, who)
        action = action_of_place_and_season(ran)[:, -365:]
        return monthly_means(action, np.arange(365) * 12 // 365)

    whole = months(scenario, draws)
    true = np.concatenate([months(*in_own_room(scenario, draws, at)) for at in range(DRAWS)])
    off = np.sqrt(np.mean((whole - true) ** 2))
    assert off < 0.02 * np.ptp(true)
    alone = {key: np.ones(DRAWS) if key in ROOM_WORDS else value for key, value in draws.values.items()}
    median = months(scenario, Draws(alone, draws.set_up_error_mm, draws.member))
    assert np.sqrt(np.mean((median - true) ** 2)) > 2.5 * off, "the rooms make no difference, or none is drawn"
    for share in (0.1, 0.5, 0.9):
        assert np.quantile(swing(whole), share) == pytest.approx(np.quantile(swing(true), share), rel=0.04)


def test_a_draw_in_the_median_room_moves_as_without_rows() -> None:
    scenario = short("first-winter")
    air = scenario_air(scenario)
    plain, rooms = air_lags(air, scenario), air_lags(air, scenario, rooms=True)
    draws = draw_unknowns(scenario, 5, 3)
    known = Draws({k: np.ones(5) if k in ROOM_WORDS else v for k, v in draws.values.items()}, draws.set_up_error_mm,
                  draws.member)  # fmt: skip
    a = part_weights(scenario.instrument, known, plain.time_constants_days).mean["top"] @ plain.lags_pct
    b = part_weights(scenario.instrument, known, plain.time_constants_days, rooms.rooms).mean["top"] @ rooms.lags_pct
    np.testing.assert_allclose(a, b, atol=1e-9)


def test_a_held_workshop_and_a_measured_room_are_not_drawn() -> None:
    scenario = load_scenario("first-winter")
    workshop, home = (stay.climate for stay in scenario.stays)
    assert is_held(workshop) and not is_held(home) and room_lived_in(scenario) == home.room
    stayed = replace(scenario, stays=(replace(scenario.stays[0]),))
    assert not set(unknowns_of(stayed)) & set(ROOM_WORDS)
    assert set(ROOM_WORDS) < set(unknowns_of(scenario))
    assert unknowns_of(scenario)["excess_cold"].log_sd == pytest.approx(0.43, abs=0.001)
