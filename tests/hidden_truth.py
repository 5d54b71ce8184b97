"""Guitars whose truth is known: drawn from the prior with other seeds, living in weather the calibration never sees,
moved by the forecast's own exact chain (not by the calibration's table), read with noise and with slips."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import date, timedelta

import numpy as np

from driftmodel.base import library
from driftmodel.base.records import Scenario
from driftmodel.base.scenarios import load_scenario
from driftmodel.base.schema import PARTS
from driftmodel.calibration.bench import Bench, make_bench
from driftmodel.calibration.drives import Drive
from driftmodel.calibration.fit import learn
from driftmodel.calibration.layout import PLAIN, Layout, stretched
from driftmodel.calibration.outcomes import WEEK, Asked
from driftmodel.calibration.records import BenchBook, ReadingRow
from driftmodel.climate.history import scenario_air
from driftmodel.outlook.calendar import day_of
from driftmodel.outlook.draws import ROOM_WORDS, WIDEST_SD, Draws, draw_unknowns, is_held, part_movement
from driftmodel.outlook.lasting import LASTING, creep_history, heat_of_days, lasting_paths
from driftmodel.outlook.moisture import Lags, PartWeights, lags_of, part_weights
from driftmodel.outlook.movement import World, acting_lags, blank_world, hygro_weights, put_movement
from driftmodel.outlook.regrade import NEVER, first_due, outside_rule
from driftmodel.outlook.rooms import climate_of_draw
from driftmodel.outlook.wood_air import REFERENCE_C, REFERENCE_PCT, built_moisture, wood_air
from driftmodel.structure.joint import pivot_of, saddle_rise_mm
from driftmodel.structure.response import design_response
from driftmodel.wood import diffusion, sorption

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


def state_at(hidden: Hours, drive: Drive, clock: float, lain: float, air: tuple[float, float]) -> np.ndarray:
    """Lags that act and that are held, (2, lag), at an hour of the history, after `lain` hours in bench air of so many
    degrees and percent: from where they were as far back, F + (E - F) (1 - exp(-speed hours / tau)), E with the memory
    the wood had that day, what hours change acting in full."""
    at, left = int((clock - lain) // 24), (clock - lain) % 24
    held = hidden.acting_at(at, left) - hidden.acting[:, at] + hidden.lags.lags_pct[:, at]
    if lain:
        emc, reference = (
            sorption.equilibrium_moisture_content,
            (REFERENCE_C, float(sorption.equilibrium_moisture_content(REFERENCE_C, REFERENCE_PCT))),
        )
        end = hidden.lags.emc_pct[at] / emc(*(one[at] for one in drive.air_daily)) * emc(*air)
        energy, exponent = (
            library.general(f"diffusion_{name}").value for name in ("activation_energy", "moisture_exponent")
        )
        speed = diffusion.rate_factor(air[0], end, 1000.0 * energy, exponent, *reference)
        held = end + (held - end) * np.exp(-speed * lain / 24.0 / np.tile(hidden.lags.time_constants_days, 2))
    return np.stack([hidden.acting[:, at] + held - hidden.lags.lags_pct[:, at], held])


def season_movement(quantity: str, bench: Bench, draws: Draws, weights: PartWeights, change: np.ndarray) -> np.ndarray:
    """Movement of draws by a change of the acting lags: response times movement times moisture of each part."""
    response, values = getattr(bench.coefficients, quantity), draws.values
    total = sum(response[part] * part_movement(values, part) * (weights.mean[part] @ change) for part in PARTS)
    for plate in ("top", "back"):
        through = weights.gradient[plate] @ change
        total = total + response[f"{plate}_gradient"] * values[f"movement_{plate}"] * through
    passed = {"top_sinkage": "structure", "neck_rotation": "block"}.get(quantity)
    return np.asarray(total * (values[passed] if passed else 1.0))


def grams(bench: Bench, weights: PartWeights, change: np.ndarray) -> np.ndarray:
    """Water taken up by a change of the lags that act and are held, (2, lag): plates and braces hold theirs."""
    plates = ("top", "back", "top_braces", "back_braces")
    return np.asarray(
        sum(mass * (weights.mean[part] @ change[int(part in plates)]) for part, mass in bench.grams_per_pct.items())
    )


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


def coverage(
    scenario: Scenario,
    bench: Bench,
    after: tuple[int, ...],
    weathers: int,
    each: int,
    particles: int,
    own_room: bool = False,
) -> dict[int, tuple[np.ndarray, float, np.ndarray]]:
    """Of guitars of the prior, read so many days after set-up: ranks of next winter's action and the regrade date, the
    mean width of the action's band, and how far the truth lies from its middle in the band's own spread; by readings,
    the last alone or five."""
    days = [scenario.setup.setup + timedelta(days=day) for day in after]
    random = np.random.default_rng(5)
    ranks: dict[int, list[tuple[float, float]]] = {1: [], 5: []}
    widths: dict[int, list[float]] = {1: [], 5: []}
    away: dict[int, list[float]] = {1: [], 5: []}
    for truth in truths(scenario, weathers, each, 4242, own_room=own_room):
        whole = read(truth, days, random)
        for count in (1, 5):
            posterior = learn(
                scenario,
                BenchBook(whole.readings[-count:]),
                bench=bench,
                particles=particles,
                seed=int(random.integers(10**6)),
            )
            found = posterior.answers()
            ranks[count].append(
                (
                    rank(found.action_dry_mm, season_of(truth, posterior.asked), random),
                    rank(found.regrade_years, truth.regrade_years(days[-1]), random),
                )
            )
            widths[count].append(float(np.ptp(np.quantile(found.action_dry_mm, [0.1, 0.9]))))
            dry = found.action_dry_mm
            away[count].append((season_of(truth, posterior.asked) - float(np.mean(dry))) / float(np.std(dry)))
    return {count: (np.array(ranks[count]), float(np.mean(widths[count])), np.array(away[count])) for count in ranks}


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


def read_in_three_weathers() -> tuple[Bench, BenchBook]:
    """A short bench with three other weathers and five readings of four kinds: blanks, a stay, a visit of two."""
    scenario = replace(load_scenario("first-winter"), horizon_years=2)
    first, second, third = (scenario.setup.setup + timedelta(days=day) for day in (70, 160, 250))
    rows = (
        ReadingRow(first, "action", 2.2, 0.05, ""),
        ReadingRow(first, "relief", 0.2, 0.1, "", hour=9.5),
        ReadingRow(second, "action", 2.05, 0.05, "", hours_at_bench=0.0, hour=12.0),
        ReadingRow(second, "projection", 1.0, 1.0, "", hours_at_bench=20.0, temperature_c=24.0, hour=8.0),
        ReadingRow(third, "weight", 2100.0, 100.0, "", hours_at_bench=0.0),
    )
    book = BenchBook(rows)
    bench = make_bench(scenario, third, book, (3, 3))
    return bench, book
