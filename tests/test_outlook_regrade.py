"""Passages, grades and repeats on paths whose answer is known by arithmetic."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from driftmodel.base.records import Rule, Scenario
from driftmodel.base.scenarios import load_scenario
from driftmodel.outlook.regrade import NEVER, NO_GRADE, Reading, due_step, grade_lifts_mm, outside_rule, regrades

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
    # 0.3 mm of action is 0.6 mm at the saddle is 6 years; then 60 days, 9 whole weeks, outside
    expected = 6.0 * 365.25 + scenario.rule.days_outside
    assert found.step[0, 0] * STEP_DAYS == pytest.approx(expected, abs=2 * STEP_DAYS)
    assert (found.step[1] == NEVER).all() and (found.grade[1] == NO_GRADE).all()


def test_the_grade_brings_the_action_back(scenario: Scenario) -> None:
    found = regrades(rising(scenario, [0.1]), scenario)
    lift = grade_lifts_mm(scenario)[found.grade[0, 0]]
    half_a_grade = np.diff(grade_lifts_mm(scenario)).max() / 2.0
    assert lift == pytest.approx(-0.6, abs=half_a_grade + 0.03)


def test_a_regrade_resets_the_angle_not_the_wood(scenario: Scenario) -> None:
    """With twice the drift the second passage comes as long after the first as the first after set-up."""
    found = regrades(rising(scenario, [0.2]), scenario)
    first, second = found.step[0, :2] * STEP_DAYS
    assert second - first == pytest.approx(first, abs=0.25 * first)
    assert found.grade[0, 1] != found.grade[0, 0]


def test_season_outside_for_fewer_days_is_not_due(scenario: Scenario) -> None:
    outside = np.zeros((1, 100), dtype=bool)
    outside[0, 20:28] = True
    assert due_step(outside, 9, np.zeros(1, dtype=np.intp))[0] == NEVER
    outside[0, 50:60] = True
    assert due_step(outside, 9, np.zeros(1, dtype=np.intp))[0] == 58
    assert due_step(outside, 9, np.array([55], dtype=np.intp))[0] == NEVER


def test_saddle_room_alone_makes_it_due(scenario: Scenario) -> None:
    rule: Rule = replace(scenario.rule, action_high_mm=9.0, projection_tolerance_mm=9.0)
    tight = outside_rule(np.array([1.6, 1.8]), np.array([2.3, 2.3]), 2.5, rule)
    assert tight.tolist() == [False, True]  # 2.5 - 1.8 leaves less than 0.8


def test_drift_past_the_set_is_said(scenario: Scenario) -> None:
    """A jump of 4 mm at the saddle is more than the set can take back: no grade fits, and the passages end."""
    reading = rising(scenario, [0.0])
    jumped = Reading(reading.saddle_rise_mm + 4.0, reading.action_mm + 2.0, STEP_DAYS)
    found = regrades(jumped, scenario)
    assert found.step[0, 0] != NEVER and found.grade[0, 0] == NO_GRADE and (found.step[0, 1:] == NEVER).all()


def test_lower_tolerance_never_makes_it_due_earlier(scenario: Scenario) -> None:
    reading = rising(scenario, [0.05, 0.1, 0.2])
    wide = replace(scenario, rule=replace(scenario.rule, action_high_mm=2.8, projection_tolerance_mm=3.0))
    narrow = regrades(reading, scenario).step[:, 0]
    later = regrades(reading, wide).step[:, 0]
    assert ((later == NEVER) | (later >= narrow)).all() and (later != narrow).any()
