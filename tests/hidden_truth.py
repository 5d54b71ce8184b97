"""Guitars whose truth is known: drawn from the prior with other seeds, living in weather the calibration never sees,
moved by the forecast's own exact chain (not by the calibration's table), read with noise and with slips."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import date, timedelta

import numpy as np

from driftmodel.base.records import Scenario
from driftmodel.calibration.layout import PLAIN, Layout, stretched
from driftmodel.calibration.outcomes import WEEK, Asked
from driftmodel.calibration.records import BenchBook, ReadingRow
from driftmodel.climate.history import scenario_air
from driftmodel.outlook.calendar import day_of
from driftmodel.outlook.draws import ROOM_WORDS, WIDEST_SD, Draws, draw_unknowns, is_held
from driftmodel.outlook.lasting import LASTING, creep_history, heat_of_days, lasting_paths
from driftmodel.outlook.moisture import Lags, lags_of, part_weights
from driftmodel.outlook.movement import World, acting_lags, blank_world, hygro_weights, put_movement
from driftmodel.outlook.regrade import NEVER, first_due, outside_rule
from driftmodel.outlook.rooms import climate_of_draw
from driftmodel.outlook.wood_air import built_moisture, wood_air
from driftmodel.structure.joint import pivot_of, saddle_rise_mm
from driftmodel.structure.response import design_response

FIRST_WEATHER = 1001  # far from the members a calibration looks at


@dataclass(frozen=True)
class Hours:
    """One weather hour by hour: lags at 00:00, those that act, equilibrium moisture, speeds in thin and thick parts."""

    lags: Lags
    acting: np.ndarray
    emc: np.ndarray
    speeds: list[np.ndarray]

    def acting_at(self, day: int, hour: float) -> np.ndarray:
        """Acting lags at an hour of a day of the history: stepped from 00:00 by the law of a first-order lag, F' =
        speed (E - F) / tau, exact for hours of constant air."""
        state = self.lags.lags_pct[:, day].copy()
        count = self.lags.time_constants_days.size
        taus, done = np.tile(self.lags.time_constants_days, 2), 0.0
        while done < hour - 1e-9:
            step = min(1.0, hour - done)
            at = day * 24 + int(done)
            speed = np.repeat([self.speeds[0][at], self.speeds[1][at]], count)
            state = self.emc[at] + (state - self.emc[at]) * np.exp(-speed * step / 24.0 / taus)
            done += step
        return self.acting[:, day] + state - self.lags.lags_pct[:, day]


def hours_of(temperature: np.ndarray, humidity: np.ndarray, scenario: Scenario) -> Hours:
    emc, speeds = wood_air(temperature, humidity, scenario)
    lags = lags_of(emc, speeds, built_moisture(scenario))
    return Hours(lags, acting_lags(lags.lags_pct), emc, speeds)


@dataclass(frozen=True)
class Truth:
    """One guitar's daily paths since set-up, mm, and the years to its regrade from `now`."""

    scenario: Scenario
    draws: Draws
    number: int
    action_mm: np.ndarray
    projection_mm: np.ndarray
    world: World
    hours: Hours
    hygro: dict[str, np.ndarray]

    def day(self, when: date) -> int:
        return (when - self.scenario.setup.setup).days

    def mean_action(self, first: date, days: int) -> float:
        return float(self.action_mm[self.day(first) : self.day(first) + days].mean())

    def projection_at(self, when: date, hour: float = 12.0) -> float:
        """Projection since set-up at an hour, by the chain itself."""
        at = self._at(when, hour)
        return -float(saddle_rise_mm(at, pivot_of(self.scenario.instrument)))

    def action_at(self, when: date, hour: float = 12.0) -> float:
        """Action at an hour, by the chain itself."""
        start = self.scenario.setup.action_12th_mm + float(self.draws.set_up_error_mm[self.number])
        return start - self.projection_at(when, hour) / 2.0 + self._at(when, hour)["bow_action"]

    def _at(self, when: date, hour: float) -> dict[str, float]:
        since = day_of(self.scenario, self.scenario.setup.setup)
        change = self.hours.acting_at(day_of(self.scenario, when), hour) - self.hours.acting[:, since]
        moved = {quantity: float(weights[self.number] @ change) for quantity, weights in self.hygro.items()}
        for quantity, path in self.world.lasting.items():
            moved[quantity] += float(path[self.number, self.day(when)])
        return moved

    def regrade_years(self, now: date) -> float:
        here = self.day(now) // WEEK
        reading = self.world.reading
        rise, action = (each[[self.number]] for each in (reading.saddle_rise_mm, reading.action_mm))
        outside = outside_rule(rise, action, self.scenario.setup.saddle_room_mm, self.scenario.rule)
        due = int(first_due(outside, self.scenario, WEEK, here * WEEK)[0])
        return np.inf if due == NEVER else (due - here * WEEK) / 365.25


def in_the_median_room(draws: Draws) -> Draws:
    """The draws with their rooms as the climate file says: such truths share one air."""
    values = {name: np.ones(draws.count) if name in ROOM_WORDS else value for name, value in draws.values.items()}
    return replace(draws, values=type(draws.values)(values))


def in_its_room(scenario: Scenario, draws: Draws) -> Scenario:
    """The scenario of the first of the draws, each home in its room as drawn."""
    room = {name: float(value[0]) for name, value in draws.values.items()}
    stays = (stay if is_held(stay.climate) else replace(stay, climate=climate_of_draw(stay.climate, room))
             for stay in scenario.stays)  # fmt: skip
    return replace(scenario, stays=tuple(stays))


def truths(
    scenario: Scenario,
    weathers: int,
    each: int,
    seed: int,
    creep_times: float = 1.0,
    known_weather: bool = False,
    own_room: bool = False,
) -> Iterator[Truth]:
    """`weathers` x `each` guitars. known_weather: all in the weather the calibration takes, as beside a logger.
    own_room: in the room of the first of each weather, as drawn, and not in the median one."""
    coefficients = design_response(scenario.instrument)
    for weather in range(weathers):
        draws = draw_unknowns(replace(scenario, weather_members=1), each, seed + 7919 * weather)
        home = in_its_room(scenario, draws) if own_room else scenario
        draws = draws if own_room else in_the_median_room(draws)
        air = scenario_air(home, 0 if known_weather else FIRST_WEATHER + weather)
        hours = hours_of(air["air_temperature"].values, air["relative_humidity"].values, scenario)
        lags = hours.lags
        weights = part_weights(scenario.instrument, draws, lags.time_constants_days)
        hygro = hygro_weights(coefficients, draws, weights)
        days = np.arange(day_of(scenario, scenario.setup.setup), lags.lags_pct.shape[1])
        history = creep_history(scenario, lags.lags_pct, heat_of_days(air["air_temperature"].values), days)
        lasting = lasting_paths(scenario, coefficients, draws, history, weights)
        lasting = {quantity: creep_times * path for quantity, path in lasting.items()}
        world = blank_world(scenario, draws.count)
        put_movement(world, scenario, draws, lags, hygro, lasting)
        whole = {quantity: world.seasonal[quantity] + world.lasting[quantity] for quantity in LASTING}
        projection = -saddle_rise_mm(whole, pivot_of(scenario.instrument))
        start = (scenario.setup.action_12th_mm + draws.set_up_error_mm)[:, None]
        action = start - projection / 2.0 + whole["bow_action"]
        for number in range(each):
            yield Truth(scenario, draws, number, action[number], projection[number], world, hours, hygro)


def read(
    truth: Truth, days: list[date], random: np.random.Generator, sd: float = 0.05, slips: float = 0.1
) -> BenchBook:
    """Readings of the action at noon of some days; one in ten is off by ten times its uncertainty."""
    rows = []
    for day in days:
        noise = sd * random.normal() * (10.0 if random.random() < slips else 1.0)
        value = truth.action_at(day) + noise
        rows.append(ReadingRow(day, "action", value, sd, "feeler gauge", hours_at_bench=0.0, hour=12.0))
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


def as_normals(layout: Layout, draws: Draws) -> np.ndarray:
    """The forecast's draws as particles; what only readings add is put at its middle."""
    normals = np.zeros((draws.count, layout.size))
    names = layout.names
    for name, values in draws.values.items():
        unknown = layout.multipliers[name]
        multiples = np.log(values / unknown.median) / max(unknown.log_sd, 1e-12)
        grid = np.linspace(-WIDEST_SD, WIDEST_SD, 601)
        normals[:, names.index(name)] = multiples if name in PLAIN else np.interp(multiples, stretched(grid), grid)
    mean, sd = layout.offsets["set_up_error"]
    normals[:, names.index("set_up_error")] = (draws.set_up_error_mm - mean) / max(sd, 1e-12)
    return np.clip(normals, -WIDEST_SD, WIDEST_SD)
