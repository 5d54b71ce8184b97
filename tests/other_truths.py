"""Guitars whose truth is not the model's own: unknowns wider than the prior, hanging together, with heavy tails;
weather of another generator; stays on benches nobody wrote down, in the air itself; other hours; slips, swapped
rows; and, if asked, another law of creep or of the season. All of it goes through the full chain, hour by hour,
never through the calibration's table."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from datetime import date, timedelta
from types import MappingProxyType

import numpy as np
from hidden_truth import hours_of
from xarray import Dataset

from driftmodel.base.records import Climate, Scenario
from driftmodel.calibration.bench import make_bench
from driftmodel.calibration.fit import Posterior, draws_of, learn
from driftmodel.calibration.pooled import COMMON
from driftmodel.calibration.records import BenchBook, ReadingRow
from driftmodel.climate.air import hour_of_year, hours_from, make_air, saturation_pressure_pa
from driftmodel.climate.history import scenario_end
from driftmodel.climate.room import indoor_air
from driftmodel.climate.weather import read_weather
from driftmodel.outlook.calendar import day_of
from driftmodel.outlook.chain import LagCache, run_chain
from driftmodel.outlook.draws import Draws, is_held, unknowns_of
from driftmodel.outlook.lasting import LASTING, creep_by_component, creep_history, heat_of_days, lasting_paths
from driftmodel.outlook.lived import paths_ahead, weekly_bow
from driftmodel.outlook.moisture import part_weights
from driftmodel.outlook.movement import blank_world, hygro_weights, put_movement
from driftmodel.outlook.rooms import climate_of_draw
from driftmodel.structure.joint import pivot_of, saddle_rise_mm
from driftmodel.structure.response import design_response


@dataclass(frozen=True)
class World:
    """How far the truth is from the model. spread: times the prior's spread; together: correlation through one common
    factor; tails: degrees of freedom; creep, season: factors on drift and season; law: of creep; stays: share of visits
    with an unrecorded one; slips, swaps: shares of readings; middles: where all guitars of a design stand together in
    some unknowns, in the prior's sd, each apart from that by the root of what pooled.COMMON leaves."""

    spread: float = 1.3
    together: float = 0.4
    tails: float = 5.0
    creep: float = 1.0
    season: float = 1.0
    law: object = creep_by_component
    hysteresis: bool = True
    stays: float = 0.3
    slips: float = 0.1
    swaps: float = 0.03
    hours_told: float = 0.5
    middles: tuple[tuple[str, float], ...] = ()


@dataclass(frozen=True)
class Guitar:
    """One truth: action (mm) at any hour since set-up, and its reference state's, weekly; what was read of it."""

    scenario: Scenario
    book: BenchBook
    slips: tuple[float, ...]
    action_mm: np.ndarray
    reference_mm: np.ndarray
    values: dict[str, float]

    def week(self, day: date) -> float:
        first = (day - self.scenario.setup.setup).days
        return float(self.action_mm[first : first + 7].mean())

    def place(self, day: date) -> float:
        return float(self.reference_mm[(day - self.scenario.setup.setup).days // 7])


def unknowns(scenario: Scenario, world: World, random: np.random.Generator) -> Draws:
    known = unknowns_of(scenario)
    common = random.standard_normal()
    values = {}
    for name, unknown in known.items():
        sign = 1.0 if random.random() < 0.5 else -1.0
        own = np.sqrt(world.together) * sign * common + np.sqrt(1.0 - world.together) * random.standard_normal()
        heavy = own / np.sqrt(random.chisquare(world.tails) / world.tails)
        heavy *= np.sqrt((world.tails - 2.0) / world.tails)
        away = world.spread * np.clip(heavy, -4.0, 4.0)
        if name in dict(world.middles):
            away = dict(world.middles)[name] + np.sqrt(1.0 - COMMON[name]) * away
        values[name] = np.array([unknown.median * np.exp(unknown.log_sd * away)])
    error = scenario.setup.action_reading_sd_mm * random.standard_normal(1)
    return Draws(MappingProxyType(values), error, np.zeros(1, dtype=np.intp))


def other_weather(climate: Climate, time: np.ndarray, random: np.random.Generator) -> Dataset:
    """Outdoor air of years of no file: a vector autoregression of daily temperature and vapour pressure about the
    file's course, its spread that of the month, on the file's mean day of the month, and years that differ."""
    from pathlib import Path

    year = read_weather(Path(climate.file).parent / climate.outdoor.weather_file)
    temperature = year["air_temperature"].values
    vapour = np.log(year["relative_humidity"].values / 100.0 * saturation_pressure_pa(temperature))
    daily = np.stack([each.reshape(-1, 24).mean(axis=1) for each in (temperature, vapour)])
    smooth = np.stack([_waves(each) for each in daily])
    away = daily - smooth
    wide = np.stack([np.sqrt(_waves(each**2).clip(0.05 * np.mean(each**2))) for each in away])
    away = away / wide
    step = away[:, 1:] @ away[:, :-1].T @ np.linalg.inv(away[:, :-1] @ away[:, :-1].T)
    left = np.linalg.cholesky(np.cov(away[:, 1:] - step @ away[:, :-1]))
    at = hour_of_year(time)
    count = time.size // 24 + 60
    path = np.zeros((2, count))
    for day in range(1, count):
        path[:, day] = step @ path[:, day - 1] + left @ random.standard_normal(2)
    slow = np.zeros((2, count))
    for day in range(1, count):
        slow[:, day] = 0.98 * slow[:, day - 1] + 0.2 * random.standard_normal(2)
    path = path[:, 60:] + 0.25 * slow[:, 60:]
    doy = at[::24] // 24
    means = smooth[:, doy] + wide[:, doy] * path[:, : doy.size]
    month = np.minimum(np.arange(365) // 30.5, 11).astype(int)
    shape = np.stack(
        [
            np.stack([(each.reshape(-1, 24) - each.reshape(-1, 24).mean(axis=1)[:, None])[month == m].mean(axis=0)
                      for m in range(12)])
            for each in (temperature, vapour)
        ]
    )  # fmt: skip
    hourly = np.repeat(means, 24, axis=1) + shape[:, month[doy]].reshape(2, -1)
    air = np.clip(hourly[0], -60.0, 60.0)
    humidity = np.clip(100.0 * np.exp(hourly[1]) / saturation_pressure_pa(air), 1.0, 100.0)
    return make_air(time, air, humidity)


def _waves(values: np.ndarray) -> np.ndarray:
    waves = np.fft.rfft(values)
    waves[4:] = 0.0
    return np.fft.irfft(waves, values.size)


def air_of(
    scenario: Scenario, random: np.random.Generator, room: dict[str, float] | None = None
) -> tuple[np.ndarray, np.ndarray]:
    """Hourly temperature and humidity of the scenario's stays in weather of the other generator, in the guitar's
    room."""
    stays = scenario.stays
    bounds = [stay.start for stay in stays[1:]] + [scenario_end(scenario)]
    found = []
    for stay, until in zip(stays, bounds, strict=True):
        climate = stay.climate if is_held(stay.climate) else climate_of_draw(stay.climate, room or {})
        time = hours_from(stay.start, 24 * (until - stay.start).days)
        outdoor = other_weather(climate, time, random)
        air = indoor_air(outdoor, climate.room, climate.humidifier) if climate.room else outdoor
        found.append((air["air_temperature"].values, air["relative_humidity"].values))
    return np.concatenate([one[0] for one in found]), np.concatenate([one[1] for one in found])


def guitars(
    scenario: Scenario, count: int, days: object, seed: int, world: World = World(), sd: float = 0.05
) -> Iterator[Guitar]:
    """`count` guitars. days(random): the days since set-up on which each is read."""
    law = replace(scenario, hysteresis=world.hysteresis)
    coefficients = design_response(scenario.instrument)
    distance = pivot_of(scenario.instrument)
    setup = scenario.setup
    since = day_of(scenario, setup.setup)
    for number in range(count):
        random = np.random.default_rng([seed, number])
        draws = unknowns(scenario, world, random)
        visits = [int(day) for day in days(random)]
        hours = random.uniform(8.0, 18.0, len(visits))
        lain = np.where(
            random.random(len(visits)) < world.stays, np.exp(random.normal(np.log(12.0), 1.2, len(visits))), 0.0
        )
        lain = np.minimum(lain, 168.0)
        factors = {name: float(value[0]) for name, value in draws.values.items()}
        temperature, humidity = air_of(scenario, random, factors)
        for day, hour, stay in zip(visits, hours, lain, strict=True):
            end = round(24 * (since + day) + hour)
            first = max(end - round(stay), 0)
            temperature[first:end] = random.normal(21.0, 1.0)
            humidity[first:end] = random.normal(46.0, 5.0)
        hours_felt = hours_of(temperature, humidity, law)
        lags = hours_felt.lags
        weights = part_weights(scenario.instrument, draws, lags.time_constants_days)
        hygro = {name: world.season * each for name, each in hygro_weights(coefficients, draws, weights).items()}
        history = creep_history(law, lags.lags_pct, heat_of_days(temperature), np.arange(since, lags.lags_pct.shape[1]))
        lasting = lasting_paths(law, coefficients, draws, history, weights, law=world.law)
        lasting = {name: world.creep * each for name, each in lasting.items()}
        moved = blank_world(law, draws.count)
        put_movement(moved, law, draws, lags, hygro, lasting)
        whole = {name: moved.seasonal[name] + moved.lasting[name] for name in LASTING}
        start = setup.action_12th_mm + draws.set_up_error_mm[0]
        daily = start + saddle_rise_mm(whole, distance)[0] / 2.0 + whole["bow_action"][0]
        rows, slips = [], []
        for day, hour in zip(visits, hours, strict=True):
            state = hours_felt.acting_at(since + day, hour) - hours_felt.acting[:, since]
            at = {name: hygro[name] @ state for name in hygro}
            for name, each in lasting.items():
                at[name] = at[name] + each[:, day]
            action = start + float(saddle_rise_mm(at, distance)[0]) / 2.0 + float(at["bow_action"][0])
            slip = 0.0
            if random.random() < world.slips:
                slip = float(random.choice([-1.0, 1.0]) * random.uniform(0.3, 2.0))
            told = float(hour) if random.random() < world.hours_told else None
            rows.append(
                ReadingRow(
                    setup.setup + timedelta(days=day),
                    "action",
                    action + sd * random.normal() + slip,
                    sd,
                    "feeler gauge",
                    hour=told,
                )
            )
            slips.append(slip)
        for place in range(len(rows) - 1):
            if random.random() < world.swaps:
                one, two = rows[place], rows[place + 1]
                gap = two.value - one.value
                rows[place], rows[place + 1] = replace(one, value=two.value), replace(two, value=one.value)
                slips[place] += gap
                slips[place + 1] -= gap
        values = {name: float(value[0]) for name, value in draws.values.items()}
        yield Guitar(scenario, BenchBook(tuple(rows)), tuple(slips), daily, moved.reading.action_mm[0], values)


def visits(random: np.random.Generator, count: int = 6, first: int = 30, end: int = 730) -> np.ndarray:
    """Days of `count` readings since set-up, in order."""
    return np.sort(random.choice(np.arange(first, end), count, replace=False))


def inside(values: np.ndarray, truth: float) -> bool:
    """Whether the band of 80 % holds it."""
    low, high = np.quantile(values, [0.1, 0.9])
    return bool(low < truth < high)


def foretold(
    found: Iterable[Guitar], plain: Scenario, years: tuple[int, ...], particles: int | None = None, draws: int = 400
) -> Iterator[tuple[Guitar, Posterior, list[tuple[np.ndarray, float]]]]:
    """Each guitar, what its readings of two years taught, and for so many years after the last of them what the
    forecast then draws of the reference state and of that week, each beside the truth, mm."""
    setup, cache = plain.setup.setup, LagCache(48)
    bench = make_bench(plain, setup + timedelta(days=730))
    for guitar in found:
        how = {} if particles is None else {"particles": particles}
        posterior = learn(plain, guitar.book, bench=bench, **how)
        chain = run_chain(plain, draws_of(posterior, draws), cache)
        now = (guitar.book.readings[-1].date - setup).days
        action = paths_ahead(chain)[1] + weekly_bow(chain)  # no rod is turned in these lives
        pairs = []
        for at in (int(now + 365.25 * after) // 7 for after in years):
            pairs.append((chain.world.reading.action_mm[:, at], float(guitar.reference_mm[at])))
            pairs.append((action[:, at], float(guitar.action_mm[7 * at])))
        yield guitar, posterior, pairs
