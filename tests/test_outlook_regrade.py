"""Passages, grades and repeats on paths whose answer is known by arithmetic. No outside values."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import numpy as np
import pytest

from driftmodel.base.records import Scenario
from driftmodel.base.scenario_file import Rule, StringEvent
from driftmodel.base.scenarios import load_scenario
from driftmodel.outlook.regrade import NEVER, NO_GRADE, Reading, first_due, grade_lifts_mm, outside_rule, regrades

STEPS, STEP_DAYS = 1000, 7


@pytest.fixture(scope="module")
def scenario() -> Scenario:
    return load_scenario("first-winter")


def rising(scenario: Scenario, rates_mm_per_year: list[float]) -> Reading:
    """Saddle rising evenly over the fret plane, action half of it."""
    years = np.arange(STEPS) * STEP_DAYS / 365.25
    rise = np.array(rates_mm_per_year)[:, None] * years
    return Reading(rise, scenario.setup.action_12th_mm + rise / 2.0, STEP_DAYS)


def test_even_drift_is_due_where_arithmetic_says(scenario: Scenario) -> None:
    reading = rising(scenario, [0.1, 0.0])
    found = regrades(reading, scenario)
    # 0.3 mm of action is 0.6 mm at the saddle is 6 years; the first reading outside, then 60 days to the day
    outside = int(np.argmax(reading.action_mm[0] > scenario.rule.action_high_mm)) * STEP_DAYS
    assert outside == pytest.approx(6.0 * 365.25, abs=STEP_DAYS)
    assert found.day[0, 0] == outside + scenario.rule.days_outside
    assert (found.day[1] == NEVER).all() and (found.grade[1] == NO_GRADE).all()


def test_the_grade_brings_the_action_back(scenario: Scenario) -> None:
    found = regrades(rising(scenario, [0.1]), scenario)
    lift = grade_lifts_mm(scenario)[found.grade[0, 0]]
    half_a_grade = np.diff(grade_lifts_mm(scenario)).max() / 2.0
    assert lift == pytest.approx(-0.6, abs=half_a_grade + 0.03)


def test_a_regrade_resets_the_angle_not_the_wood(scenario: Scenario) -> None:
    """The wood rises on as if nothing had been done; the spacer takes its lift off, and is outgrown that much later:
    the second passage is where the rise, less the lift, meets the limit again."""
    found = regrades(rising(scenario, [0.2]), scenario)
    lift = grade_lifts_mm(scenario)[found.grade[0, 0]]
    allowed = 2.0 * (scenario.rule.action_high_mm - scenario.setup.action_12th_mm)
    for day, taken_off in zip(found.day[0, :2], (0.0, -lift), strict=True):
        outside = 365.25 * (allowed + taken_off) / 0.2
        assert day - scenario.rule.days_outside == pytest.approx(outside, abs=STEP_DAYS)
    assert lift < -0.4 and found.grade[0, 1] != found.grade[0, 0]


def test_season_outside_for_fewer_days_is_not_due(scenario: Scenario) -> None:
    outside = np.zeros((1, STEPS), dtype=bool)
    outside[0, 20:28] = True  # eight weekly readings: 56 days at most
    assert first_due(outside, scenario, STEP_DAYS)[0] == NEVER
    outside[0, 50:60] = True
    assert first_due(outside, scenario, STEP_DAYS)[0] == 50 * 7 + 60
    assert first_due(outside, scenario, STEP_DAYS, 51 * 7)[0] == 51 * 7 + 60
    assert first_due(outside, scenario, STEP_DAYS, 52 * 7)[0] == NEVER


@pytest.mark.parametrize("days", [0, 1, 30, 56, 57, 63])
def test_days_are_counted_as_stated(scenario: Scenario, days: int) -> None:
    stated = replace(scenario, rule=replace(scenario.rule, days_outside=days))
    outside = np.zeros((1, STEPS), dtype=bool)
    outside[0, 50:] = True
    assert first_due(outside, stated, STEP_DAYS)[0] == 50 * 7 + days


def test_slack_strings_never_make_it_due(scenario: Scenario) -> None:
    """Days without strings neither count nor break the row; with the strings off for good nothing falls due."""
    start = scenario.setup.setup
    outside = np.ones((1, STEPS), dtype=bool)
    off = (StringEvent(start + timedelta(days=21), False), StringEvent(start + timedelta(days=121), True))
    assert first_due(outside, replace(scenario, events=off), STEP_DAYS)[0] == 60 + 100
    assert first_due(outside, replace(scenario, events=off[:1]), STEP_DAYS)[0] == NEVER
    inside_while_slack = outside.copy()
    inside_while_slack[0, 3:18] = False  # what is read of a slack guitar says nothing
    assert first_due(inside_while_slack, replace(scenario, events=off), STEP_DAYS)[0] == 60 + 100


def test_as_many_regrades_as_fall_due(scenario: Scenario) -> None:
    """A set with fine steps and a path that rises by 3 mm at the saddle: one regrade about every 0.6 mm."""
    wide = replace(scenario, rule=replace(scenario.rule, projection_tolerance_mm=9.0, saddle_room_least_mm=-9.0))
    spacers = scenario.instrument.spacers
    tapers = tuple(spacers.tapers_mm[0] - 0.05 * (40 - step) for step in range(60))
    labels = tuple(f"S{step}" for step in range(60))
    many = replace(spacers, labels=labels, tapers_mm=tapers)
    wide = replace(wide, instrument=replace(wide.instrument, spacers=many), setup=replace(wide.setup, spacer="S45"))
    found = regrades(rising(wide, [0.25, 0.0]), wide)
    assert found.day.shape[1] == (found.day[0] != NEVER).sum() > 5
    assert (np.diff(found.day[0]) > 300).all() and (found.grade[0] != NO_GRADE).all()


def test_saddle_room_alone_makes_it_due(scenario: Scenario) -> None:
    rule: Rule = replace(scenario.rule, action_high_mm=9.0, projection_tolerance_mm=9.0)
    tight = outside_rule(np.array([1.6, 1.8]), np.array([2.3, 2.3]), 2.5, rule)
    assert tight.tolist() == [False, True]  # 2.5 - 1.8 leaves less than 0.8


def test_drift_past_the_set_is_said(scenario: Scenario) -> None:
    """A jump of 4 mm at the saddle is more than the set can take back: no grade fits, and the passages end."""
    reading = rising(scenario, [0.0])
    jumped = Reading(reading.saddle_rise_mm + 4.0, reading.action_mm + 2.0, STEP_DAYS)
    found = regrades(jumped, scenario)
    assert found.day[0, 0] != NEVER and found.grade[0, 0] == NO_GRADE and (found.day[0, 1:] == NEVER).all()


def test_lower_tolerance_never_makes_it_due_earlier(scenario: Scenario) -> None:
    reading = rising(scenario, [0.05, 0.1, 0.2])
    wide = replace(scenario, rule=replace(scenario.rule, action_high_mm=2.8, projection_tolerance_mm=3.0))
    narrow = regrades(reading, scenario).day[:, 0]
    later = regrades(reading, wide).day[:, 0]
    assert ((later == NEVER) | (later >= narrow)).all() and (later != narrow).any()
