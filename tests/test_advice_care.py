"""Advice: bands, strain, cold surfaces, measures, and what three places are told.

Sources: strain limits 0.004 and 0.009 of Mecklenburg, Tumosa and Erhardt (1998); temperature factor f_Rsi by
its definition in EN ISO 13788; half-time of a case t = 4 M B / N of Thomson (1977). The rest are orderings any luthier
knows.
"""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest

from driftmodel import load_scenario
from driftmodel.advice.care import advise, band_to_keep
from driftmodel.advice.records import Advice, HumidityBand
from driftmodel.advice.strain import held_strain, restrained_share
from driftmodel.advice.surfaces import surface_humidity_pct, surface_temperature_c
from driftmodel.climate.enclosure import hard_case
from driftmodel.outlook.chain import run_chain
from driftmodel.outlook.draws import draw_unknowns
from driftmodel.outlook.drift import forecast
from driftmodel.report.advice_words import advice_terminal
from driftmodel.report.phrases import months_words


@cache
def told(name: str) -> Advice:
    return advise(load_scenario(name), 40)


def test_cold_surface_by_hand() -> None:
    """20 degC in, 0 degC out, f = 0.7: 14 degC; saturation there 1599 Pa against 2339 Pa (ASHRAE 2017 tables)."""
    at = float(surface_temperature_c(20.0, 0.0, 0.7))
    assert at == pytest.approx(14.0)
    assert float(surface_humidity_pct(20.0, 50.0, at)) == pytest.approx(50.0 * 2338.8 / 1598.7, rel=1e-3)


def test_half_time_of_a_case() -> None:
    """Thomson (1977): 4 x 1.55 x (1.6 / 0.06) / 15."""
    assert hard_case().half_time_days == pytest.approx(4 * 1.55 * 1.6 / 0.06 / 15)


def test_a_stiffer_barred_body_holds_more() -> None:
    """Ladder bars run across the grain, an X only slantwise: the ladder holds the larger share."""
    x, ladder = (restrained_share(load_scenario(name).instrument) for name in ("first-winter", "damp-coast"))
    assert 0.2 < x < ladder < 0.9


def test_chain_is_the_forecast() -> None:
    scenario = load_scenario("damp-coast")
    chain, run = run_chain(scenario, draw_unknowns(scenario, 20, 5)), forecast(scenario, 20, 5)
    np.testing.assert_array_equal(chain.world.seasonal["top_sinkage"], run["top_sinkage_seasonal"].values)


def test_strain_is_tension_in_a_dry_winter() -> None:
    scenario = load_scenario("first-winter")
    held = held_strain(run_chain(scenario, draw_unknowns(scenario, 20, 1)), 1)
    january = (np.datetime64("2027-01-25") - np.datetime64(scenario.setup.setup.isoformat())).astype(int)
    assert np.median(held.strain[:, january]) > 0.002
    assert abs(np.median(held.strain[:, 0])) < 0.0005


def test_band_is_never_too_narrow_nor_extreme() -> None:
    low, high = band_to_keep((HumidityBand("action", 47, 48, 47), HumidityBand("wood", 29, 60, 47)))
    assert high - low >= 7.5
    assert band_to_keep((HumidityBand("action", 5, 95, 47), HumidityBand("wood", 10, 90, 47))) == (35.0, 60.0)


def test_three_places_are_told_three_things() -> None:
    """A heated dry winter wants water, a damp coast wants drying, a steady home wants nothing: common practice."""
    dry, damp, steady = (told(name) for name in ("first-winter", "damp-coast", "first-winter-humidified"))
    assert (dry.kind, damp.kind, steady.kind) == ("dry", "damp", "steady")
    assert dry.best in ("case humidifier", "room humidifier") and damp.best == "dehumidifier" and steady.best == ""
    assert not any(each.key.endswith("humidifier") and each.key != "dehumidifier" for each in damp.measures)
    assert {1, 2, 12} <= set(dry.now.dry_months) and {7, 8} <= set(damp.now.damp_months)


def test_water_lowers_the_risk_of_a_crack() -> None:
    dry = told("first-winter")
    room = next(each for each in dry.measures if each.key == "room humidifier")
    assert room.outcome.crack_risk < dry.now.crack_risk and room.outcome.yield_days < dry.now.yield_days / 3
    assert 5.0 < room.litres_per_day < room.capacity_l_per_day < 40.0
    assert any("condenses" in each for each in room.drawbacks)


def test_keep_band_holds_the_workshop() -> None:
    for name in ("first-winter", "damp-coast"):
        low, high = told(name).keep
        assert 35 <= low < 45 < high <= 60


def test_months_in_words() -> None:
    assert months_words((1, 2, 11, 12)) == "November to February"
    assert months_words((3, 7, 8)) == "March and July to August"
    assert months_words(()) == "no month" and months_words(tuple(range(1, 13))) == "all year"


def test_terminal_lines_fit() -> None:
    text = advice_terminal(told("first-winter"), "inch")
    assert all(len(line) <= 100 for line in text.splitlines()) and "fl oz" in text


def test_an_outer_wall_is_damper_than_the_room() -> None:
    """The wall is colder than the room (f_Rsi below 1), so the same vapour is nearer saturation there: more damp days
    and a wider swing on the wall of a humidified home, and moving off it takes the crack risk down."""
    wall = next(each for each in told("first-winter-humidified").measures if each.key == "off the wall")
    assert wall.before.damp_days > wall.outcome.damp_days + 10
    assert wall.before.action_swing_mm > wall.outcome.action_swing_mm
    assert wall.before.crack_risk >= wall.outcome.crack_risk and wall.years_bought > 2 * wall.years_bought_se
