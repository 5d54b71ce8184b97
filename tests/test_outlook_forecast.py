"""The whole chain: what must hold for every instrument and climate, and the orders of size seen at the bench.

Wood Handbook and bench practice are named beside their checks; the rest is by hand or must hold of any guitar.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta

import numpy as np
import pytest
import xarray as xr
from hidden_truth import truths
from other_truths import inside

import driftmodel
from driftmodel.base import library, schema
from driftmodel.base.records import Scenario
from driftmodel.base.scenario_file import StringEvent
from driftmodel.climate.history import scenario_air
from driftmodel.outlook.calendar import day_of, projection_change, string_load
from driftmodel.outlook.chain import run_chain
from driftmodel.outlook.draws import draw_unknowns
from driftmodel.outlook.lasting import CreepLaw, creep_by_component, creep_history, heat_of_days, lasting_paths
from driftmodel.outlook.lived import paths_ahead, weekly_bow
from driftmodel.outlook.moisture import air_lags, part_weights
from driftmodel.outlook.movement import hygro_weights
from driftmodel.structure.joint import pivot_of, saddle_rise_mm
from driftmodel.structure.response import design_response
from driftmodel.wood.creep import relaxed

RELAXATION = [[library.general(f"relaxation_{kind}_{unit}").value for unit in (1, 2, 3)] for kind in ("time", "share")]


@pytest.fixture(scope="module")
def scenario() -> Scenario:
    return replace(driftmodel.load_scenario("first-winter"), horizon_years=3, weather_members=2)


@pytest.fixture(scope="module")
def outlook(scenario: Scenario) -> xr.Dataset:
    return driftmodel.forecast(scenario, draws=60)


def steady_air(scenario: Scenario, temperature_c: float, humidity_pct: float) -> xr.Dataset:
    air = scenario_air(scenario, 0).copy()
    air["air_temperature"] = air["air_temperature"] * 0.0 + temperature_c
    air["relative_humidity"] = air["relative_humidity"] * 0.0 + humidity_pct
    return air


def test_the_gain_moves_what_lasts_and_nothing_else(outlook: xr.Dataset, scenario: Scenario) -> None:
    """Twice the residual gain: twice what lasts, the season as before; the two together are the whole. Of guitars whose
    bolts hold: a joint that opens is no matter of the gain."""
    draws = draw_unknowns(scenario, 60, scenario.seed)
    tight = draws.values["joint_creep"] < 1.6  # 1.6 x 0.503 of their force lost leaves 0.19
    values = {**draws.values, "residual_gain": 2.0 * draws.values["residual_gain"]}
    doubled = driftmodel.forecast(scenario, unknowns=replace(draws, values=values))
    for name in ("top_sinkage", "neck_rotation"):
        lasting = outlook[f"{name}_lasting"].values
        np.testing.assert_allclose(doubled[f"{name}_lasting"][tight], 2.0 * lasting[tight], rtol=1e-4, atol=1e-5)
        np.testing.assert_allclose(doubled[f"{name}_seasonal"], outlook[f"{name}_seasonal"], atol=1e-5)
        np.testing.assert_allclose(doubled[name][tight], (outlook[name] + lasting)[tight], rtol=1e-4, atol=2e-5)
        assert outlook[name].attrs["units"] == schema.MOVEMENTS[name].unit


def test_the_day_of_set_up_is_where_counting_starts(scenario: Scenario) -> None:
    """Set up half a year later, the same guitar's season is the same path, counted from that day, each in its room."""
    setup = scenario.setup.setup
    later = replace(scenario, setup=replace(scenario.setup, setup=setup + timedelta(days=182)))
    draws = draw_unknowns(scenario, 60, scenario.seed)
    first, moved = (driftmodel.forecast(each, unknowns=draws) for each in (scenario, later))
    path = first["top_sinkage_seasonal"].values
    since = moved["top_sinkage_seasonal"].values[:, :365]
    np.testing.assert_allclose(since, path[:, 182 : 182 + 365] - path[:, [182]], atol=1e-4)
    assert np.abs(path[:, 182 : 182 + 365]).max() > 0.05
    assert str(moved["time"].values[0])[:10] == later.setup.setup.isoformat()
    assert (np.diff(first["time"].values) == np.timedelta64(1, "D")).all()


def test_same_seed_same_forecast(outlook: xr.Dataset, scenario: Scenario) -> None:
    again = driftmodel.forecast(scenario, draws=60)
    xr.testing.assert_identical(outlook.drop_attrs(), again.drop_attrs())
    other = driftmodel.forecast(scenario, draws=60, seed=999)
    assert not np.allclose(outlook["action_change"], other["action_change"])


def test_no_drive_no_seasonal_movement(scenario: Scenario) -> None:
    """In the air it was built in, without memory, the wood stays where it is."""
    still = replace(scenario, hysteresis=False)
    setup = still.setup
    lags = air_lags(steady_air(still, setup.built_temperature_c, setup.built_relative_humidity_pct), still)
    assert np.ptp(lags.lags_pct) < 1e-9


def test_a_new_equilibrium_is_reached_and_kept(scenario: Scenario) -> None:
    lags = air_lags(steady_air(replace(scenario, hysteresis=False), 20.0, 50.0), replace(scenario, hysteresis=False))
    draws = draw_unknowns(scenario, 20, 1)
    weights = part_weights(scenario.instrument, draws, lags.time_constants_days)
    end = weights.mean["top"] @ lags.lags_pct[:, -1] / draws.values["moisture_level"]
    # Wood Handbook (FPL-GTR-190, 2010) Eq. 4-5 at 20 degC and 50 %: 9.271 %
    np.testing.assert_allclose(end, 9.271, atol=0.002)


def lasting_rise(scenario: Scenario, air: xr.Dataset, law: CreepLaw = creep_by_component) -> np.ndarray:
    """Lasting rise of the saddle over the fret plane, mm, of 20 draws, daily from set-up."""
    lags = air_lags(air, scenario)
    draws = draw_unknowns(scenario, 20, 1)
    weights = part_weights(scenario.instrument, draws, lags.time_constants_days)
    days = np.arange(day_of(scenario, scenario.setup.setup), lags.lags_pct.shape[1])
    history = creep_history(scenario, lags.lags_pct, heat_of_days(air["air_temperature"].values), days)
    paths = lasting_paths(scenario, design_response(scenario.instrument), draws, history, weights, law)
    return np.asarray(saddle_rise_mm(paths, pivot_of(scenario.instrument)))


def test_slack_strings_unload(scenario: Scenario) -> None:
    setup = scenario.setup.setup
    slack = replace(scenario, events=(StringEvent(date(setup.year + 1, 1, 1), False),))
    air = scenario_air(scenario, 0)
    loaded, unloaded = (lasting_rise(case, air) for case in (scenario, slack))
    assert (unloaded[:, -1] < loaded[:, -1]).all()
    off = (date(setup.year + 1, 1, 1) - setup).days
    np.testing.assert_allclose(unloaded[:, :off], loaded[:, :off], atol=1e-12)
    assert string_load(slack, 1200)[off + day_of(scenario, setup) :].max() == 0.0


def test_load_counts_from_stringing_drift_from_set_up(scenario: Scenario) -> None:
    """The longer it has been under strings before set-up, the less is left to come."""
    air = scenario_air(scenario, 0)
    late_setup = replace(scenario.setup, strung=scenario.setup.setup)
    early, late = (lasting_rise(case, air) for case in (scenario, replace(scenario, setup=late_setup)))
    assert (late[:, -1] > early[:, -1]).all() and not early[:, 0].any()


@pytest.mark.parametrize("warmer", [True, False])
def test_creep_answers_heat_and_damp(scenario: Scenario, warmer: bool) -> None:
    """In air that does not change from set-up on, wood that is hotter or damper creeps more."""
    plain = steady_air(scenario, 21.0, 45.0)
    other = plain.copy(deep=True)
    hours = slice(24 * day_of(scenario, scenario.setup.setup), None)
    name, value = ("air_temperature", 49.0) if warmer else ("relative_humidity", 80.0)
    other[name][hours] = value
    found = lasting_rise(scenario, other)[:, -1] / lasting_rise(scenario, plain)[:, -1]
    low, high = (1.15, 3.0) if warmer else (2.0, 7.0)  # the step to 80 % is itself a range of 7 % MC
    assert (found > low).all() and (found < high).all(), found


def test_lasting_median_follows_the_climate() -> None:
    """Constant air < humidified < heated dry house < damp coast after 20 years, a third between the ends, before the
    residual gain: what moisture does to creep must not end alike everywhere (no outside value)."""
    base = replace(driftmodel.load_scenario("first-winter"), weather_members=1)
    middle, first_year = [], []
    for name in ("constant", "first-winter-humidified", "first-winter", "damp-coast"):
        place = base if name == "constant" else replace(base, stays=driftmodel.load_scenario(name).stays)
        air = steady_air(base, 21.0, 45.0) if name == "constant" else scenario_air(place, 0)
        rise = lasting_rise(place, air)
        middle.append(float(np.median(rise[:, -1])))
        first_year.append(float(np.median(rise[:, 365] / rise[:, -1])))
    assert (np.diff(middle) > 0.0).all() and middle[-1] > 4 / 3 * middle[0]
    # since a set-up five weeks after stringing: a power of time through 0.225 at 30 days and 0.6 at 7 years gives 0.31
    assert min(first_year) > 0.25 and max(first_year) < 0.5


def test_share_of_slack_bolts_is_that_of_the_draws(outlook: xr.Dataset, scenario: Scenario) -> None:
    """Twice the turn at moment / (clamp force x depth) = 1/3: of 7 N m on two bolts of 1500 N and 75 mm, at 9.3 % of
    the force left; 0.126 log10(1 + 7305 / 0.75) = 0.503 is lost in twenty years, times joint_creep."""
    creep = draw_unknowns(scenario, 60, scenario.seed).values["joint_creep"]
    slack = creep * 0.5026 > 1.0 - 3.0 * 6.99 / 225.0
    assert outlook.attrs["bolts_slack_20_years"] == pytest.approx(slack.mean(), abs=0.02)


def test_a_quarter_to_a_third_have_moved_after_thirty_years() -> None:
    """The residual gain is set by this: on the default house 25-35 % of large X-braced guitars have moved by more than
    1.5 mm at the saddle after 30 years (our reading of practice: a neck reset after 20-40 years, 1.5-3 mm, comes from
    the instruments that came in for it; no source)."""
    scenario = replace(driftmodel.load_scenario("first-winter"), horizon_years=30, weather_members=1)
    draws = draw_unknowns(scenario, 200, 5)
    rise = -projection_change(run_chain(scenario, draws).world.lasting, scenario)[:, -1]
    assert 0.25 < np.mean(rise > 1.5) < 0.35, (np.mean(rise > 1.5), np.median(rise))


def test_drying_drops_the_top_by_a_millimetre_or_two() -> None:
    """50 to 30 % RH takes about 3 % of moisture out and drops the top 1-2 mm (common practice, no source)."""
    scenario = driftmodel.load_scenario("first-winter")
    from driftmodel.wood.sorption import equilibrium_moisture_content

    wet, dry = equilibrium_moisture_content(20.0, np.array([50.0, 30.0]))
    assert wet - dry == pytest.approx(3.0, abs=0.3)
    draws = draw_unknowns(scenario, 400, 5)
    coefficients = design_response(scenario.instrument)
    grid = air_lags(scenario_air(replace(scenario, horizon_years=1), 0), scenario).time_constants_days
    weights = part_weights(scenario.instrument, draws, grid)
    left = relaxed(np.r_[0.0, np.ones(30)][None, :], *RELAXATION)[0, -1]  # of a change that has lasted a month
    sink = -(wet - dry) * left * hygro_weights(coefficients, draws, weights)["top_sinkage"].sum(axis=1)
    assert 0.7 < np.median(sink) < 2.0
    low, high = np.quantile(sink, [0.1, 0.9])
    assert 0.4 < low < 1.2 < high < 2.5


@pytest.mark.slow
def test_bands_hold_guitars_of_the_law() -> None:
    """Eighty guitars of the prior, each stepped hour by hour in a room and in weather of its own, against the forecast
    as shipped: action at the place's reference state and in a given week. A band of 80 % holds 80 %: each place is
    known to 0.045, all eight, which share their guitars, to some 0.03. Two hundred and fifty in two climates: 0.76 to
    0.81 at the reference state, 0.72 to 0.85 in a week, 0.77 in the middle of all."""
    shipped = driftmodel.load_scenario("first-winter")
    chain = run_chain(shipped, draw_unknowns(shipped, 400, 11))
    of_week = paths_ahead(chain)[1] + weekly_bow(chain)
    held = []
    for truth in truths(shipped, 80, 1, 777, own_room=True):
        for week in (round(365.25 * years) // 7 for years in (1, 5, 10, 19)):
            for drawn, true in (
                (chain.world.reading.action_mm[:, week], truth.world.reading.action_mm[0, week]),
                (of_week[:, week], truth.action_mm[7 * week]),
            ):
                held.append(inside(drawn, true))
    shares = np.reshape(held, (80, -1)).mean(axis=0)
    assert (np.abs(shares - 0.80) < 0.14).all() and abs(shares.mean() - 0.80) < 0.08, shares
