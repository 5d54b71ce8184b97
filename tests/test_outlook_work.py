"""Work at the bench on the forecast's steps: known by arithmetic (no outside values). All guitars invented."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
import xarray as xr

import driftmodel
from driftmodel.base.records import Scenario, WorkDone
from driftmodel.base.scenarios import load_scenario
from driftmodel.outlook.calendar import (
    action_of_place_and_season,
    ahead_years,
    as_of,
    fitted_spacer,
    grade_lifts_mm,
    is_southern,
    reaching,
    today_step,
    work_by_steps,
)

STEP_DAYS = 7


@pytest.fixture(scope="module")
def scenario() -> Scenario:
    return load_scenario("first-winter")


def worked(scenario: Scenario) -> Scenario:
    start = scenario.setup.setup
    work = (
        WorkDone(start + timedelta(days=700), spacer="G"),
        WorkDone(start + timedelta(days=703), saddle_mm=-0.4),
        WorkDone(start + timedelta(days=1400), spacer="K", action_mm=0.1),
    )
    return as_of(scenario, start + timedelta(days=1500), work)


def test_work_counts_from_the_first_step_at_or_after_its_day(scenario: Scenario) -> None:
    own = worked(scenario)
    lifts = dict(zip(scenario.instrument.spacers.labels, grade_lifts_mm(scenario), strict=True))
    work = work_by_steps(own, 300, STEP_DAYS)
    lift, saddle = work.lift, work.saddle
    assert lift[[99, 100, 199, 200]] == pytest.approx([0.0, lifts["G"], lifts["G"], lifts["K"]])
    assert saddle[[100, 101, 299]] == pytest.approx([0.0, -0.4, -0.4])
    assert work.action[299] == pytest.approx((lifts["K"] - 0.4) / 2.0 + 0.1)
    assert fitted_spacer(own) == "K" and fitted_spacer(own, own.setup.setup + timedelta(days=800)) == "G"
    for days, label in ((699, "J"), (700, "G"), (1399, "G"), (1400, "K")):  # at the end of the day
        assert fitted_spacer(own, own.setup.setup + timedelta(days=days)) == label
    assert fitted_spacer(scenario) == "J" and today_step(own, STEP_DAYS) == 215


def test_as_of_looks_as_far_ahead_from_any_day(scenario: Scenario) -> None:
    own = worked(scenario)
    assert ahead_years(own) == ahead_years(scenario) == scenario.horizon_years and own.horizon_years == 25
    again = as_of(own, own.setup.setup + timedelta(days=900))
    assert ahead_years(again) == scenario.horizon_years and len(again.work) == 2
    assert reaching(scenario, scenario.setup.setup + timedelta(days=19 * 366)).horizon_years == 22


def test_strings_off_are_events(scenario: Scenario) -> None:
    day = scenario.setup.setup + timedelta(days=400)
    own = as_of(scenario, day, (WorkDone(day, strings_on=False),))
    assert [(event.start, event.strings_on) for event in own.events] == [(day, False)]


def test_the_forecast_shows_work_and_counts_from_today(scenario: Scenario) -> None:
    short = replace(scenario, horizon_years=3)
    day = short.setup.setup + timedelta(days=500)
    plain = driftmodel.forecast(replace(short, horizon_years=5), draws=12)
    own = driftmodel.forecast(as_of(short, day, (WorkDone(day, spacer="G"),)), draws=12)
    lift = grade_lifts_mm(short)[short.instrument.spacers.labels.index("G")]
    step = own["action_12th"].values[:, :900] - plain["action_12th"].values[:, :900]
    off = step - np.where(np.arange(900) < 500, 0.0, lift / 2.0)
    # the bolts are tightened with the spacer: where they would have let the joint open, it opens later, by a little
    assert np.median(np.abs(off), axis=0).max() < 1e-5 and off.max() < 1e-5 and off[:, :500].min() > -1e-5
    assert off.min() > -0.01
    assert own.attrs["fitted_grade"] == "G" and own["year"].size == 3 and own["time"].size == plain["time"].size
    first = own["regrade_date"].values[:, 0]
    assert (first[~np.isnat(first)] >= np.datetime64(day)).all()


def test_place_and_season_stand_on_the_spacer_as_fitted(scenario: Scenario) -> None:
    """Still wood: the action of set-up, half the fitted spacer's lift and the saddle's work, each draw's own error."""
    own = worked(scenario)
    still = {name: np.zeros((2, 3), dtype=np.float32) for name in ("top_sinkage", "neck_rotation", "bow_action")}
    chain: Any = SimpleNamespace(
        scenario=own,
        world=SimpleNamespace(seasonal=still),
        draws=SimpleNamespace(set_up_error_mm=np.array([0.1, -0.2])),
    )
    lifts = dict(zip(scenario.instrument.spacers.labels, grade_lifts_mm(scenario), strict=True))
    stands = scenario.setup.action_12th_mm + (lifts["K"] - 0.4) / 2.0 + 0.1
    assert action_of_place_and_season(chain) == pytest.approx(stands + np.array([[0.1] * 3, [-0.2] * 3]), abs=1e-5)


def test_the_south_is_told_by_its_means() -> None:
    """January a degree and more warmer than July in the mean; one hot day does not turn the year round."""
    time = np.arange("2026-01-01", "2027-01-01", dtype="datetime64[D]")
    month = time.astype("datetime64[M]").astype(int) % 12
    for january, july, southern in ((20.0, 18.5, True), (20.0, 19.5, False), (10.0, 20.0, False)):
        warm = np.where(month == 0, january, july)
        warm[4] = 60.0 if january < 20.0 else january
        warm[month == 6] += np.where(np.arange(31) == 3, 12.4, -0.4)  # one hot day in July, the mean as told
        air = xr.Dataset({"air_temperature": ("time", warm)}, coords={"time": time})
        assert is_southern(air) is southern
