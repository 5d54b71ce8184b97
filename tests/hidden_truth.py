"""Guitars whose truth is known: drawn from the prior with other seeds, living in weather the calibration never sees,
moved by the forecast's own exact chain (not by the calibration's table), read with noise and with slips."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import date, timedelta

import numpy as np

from driftmodel.base.records import Scenario
from driftmodel.calibration.outcomes import WEEK, Asked
from driftmodel.calibration.records import BenchBook, ReadingRow
from driftmodel.climate.history import scenario_air
from driftmodel.outlook.calendar import day_of
from driftmodel.outlook.draws import Draws, draw_unknowns
from driftmodel.outlook.lasting import LASTING, creep_history, heat_of_days, lasting_paths
from driftmodel.outlook.moisture import air_lags, part_weights
from driftmodel.outlook.movement import World, hygro_weights, movement
from driftmodel.outlook.regrade import NEVER, first_due, outside_rule
from driftmodel.structure.joint import pivot_of, saddle_rise_mm
from driftmodel.structure.response import design_response

FIRST_WEATHER = 1001  # far from the members a calibration looks at


@dataclass(frozen=True)
class Truth:
    """One guitar's daily paths since set-up, mm, and the years to its regrade from `now`."""

    scenario: Scenario
    draws: Draws
    number: int
    action_mm: np.ndarray
    projection_mm: np.ndarray
    world: World

    def day(self, when: date) -> int:
        return (when - self.scenario.setup.setup).days

    def mean_action(self, first: date, days: int) -> float:
        return float(self.action_mm[self.day(first) : self.day(first) + days].mean())

    def noon(self, path: np.ndarray, when: date) -> float:
        return float(path[self.day(when) : self.day(when) + 2].mean())

    def regrade_years(self, now: date) -> float:
        here = self.day(now) // WEEK
        reading = self.world.reading
        rise, action = (each[[self.number]] for each in (reading.saddle_rise_mm, reading.action_mm))
        outside = outside_rule(rise, action, self.scenario.setup.saddle_room_mm, self.scenario.rule)
        due = int(first_due(outside, self.scenario, WEEK, here * WEEK)[0])
        return np.inf if due == NEVER else (due - here * WEEK) / 365.25


def truths(
    scenario: Scenario, weathers: int, each: int, seed: int, creep_times: float = 1.0, known_weather: bool = False
) -> Iterator[Truth]:
    """`weathers` x `each` guitars. known_weather: all in the weather the calibration takes, as beside a logger."""
    coefficients = design_response(scenario.instrument)
    for weather in range(weathers):
        draws = draw_unknowns(replace(scenario, weather_members=1), each, seed + 7919 * weather)
        air = scenario_air(scenario, 0 if known_weather else FIRST_WEATHER + weather)
        lags = air_lags(air, scenario)
        weights = part_weights(scenario.instrument, draws, lags.time_constants_days)
        hygro = hygro_weights(coefficients, draws, weights)
        days = np.arange(day_of(scenario, scenario.setup.setup), lags.lags_pct.shape[1])
        history = creep_history(scenario, lags.lags_pct, heat_of_days(air["air_temperature"].values), days)
        lasting = lasting_paths(scenario, coefficients, draws, history, weights)
        lasting = {quantity: creep_times * path for quantity, path in lasting.items()}
        world = movement(scenario, draws, lags, hygro, lasting)
        whole = {quantity: world.seasonal[quantity] + world.lasting[quantity] for quantity in LASTING}
        projection = -saddle_rise_mm(whole, pivot_of(scenario.instrument))
        start = (scenario.setup.action_12th_mm + draws.set_up_error_mm)[:, None]
        action = start - projection / 2.0 + world.seasonal["bow_action"]
        for number in range(each):
            yield Truth(scenario, draws, number, action[number], projection[number], world)


def read(
    truth: Truth, days: list[date], random: np.random.Generator, sd: float = 0.05, slips: float = 0.1
) -> BenchBook:
    """Readings of the action on some days; one in ten is off by ten times its uncertainty."""
    rows = []
    for day in days:
        noise = sd * random.normal() * (10.0 if random.random() < slips else 1.0)
        value = truth.noon(truth.action_mm, day) + noise
        rows.append(ReadingRow(day, "action", value, sd, "feeler gauge"))
    return BenchBook(tuple(rows))


def rank(values: np.ndarray, truth: float, random: np.random.Generator) -> float:
    """Share of draws below the truth, ties (dates past the horizon) split at random: even over 0..1 if all is well."""
    below, equal = np.mean(values < truth), np.mean(values == truth)
    return float(below + equal * random.random())


def season_of(truth: Truth, asked: Asked) -> float:
    dry = asked.seasons[0]
    return truth.mean_action(dry.day, dry.days)


def monthly(scenario: Scenario, months: int, first: int = 2, every: int = 1) -> list[date]:
    """Days of readings, about every `every` months from `first` months after set-up."""
    return [scenario.setup.setup + timedelta(days=round(30.44 * one)) for one in range(first, months + 1, every)]
