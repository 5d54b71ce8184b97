"""The one chain: humidity history -> moisture -> sinkage and rotation -> lasting drift -> when, which grade."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, fields, replace
from functools import partial
from typing import Any

import numpy as np

from driftmodel.base.keeping import Memory, Shelf, Written, cache_folder, fingerprint
from driftmodel.base.records import Scenario, note_scenario
from driftmodel.base.schema import Array, Dataset
from driftmodel.climate.history import scenario_air
from driftmodel.climate.room_fit import fitted
from driftmodel.outlook.calendar import ahead_years, day_of
from driftmodel.outlook.draws import Draws
from driftmodel.outlook.lasting import creep_history, heat_of_days, lasting_paths
from driftmodel.outlook.moisture import Lags, PartWeights, air_lags, part_weights
from driftmodel.outlook.movement import World, blank_world, hygro_weights, put_movement
from driftmodel.outlook.regrade import NEVER, Regrades, regrades
from driftmodel.outlook.room_lags import RoomRows, RoomShares, open_climates
from driftmodel.outlook.wood_air import paces
from driftmodel.structure.records import Coefficients
from driftmodel.structure.response import design_response

KEPT = 48  # weathers kept in memory; 20 years of lags are some 3 MB
MOST_BYTES = 320 * 2**20  # lags kept on disk, some 5 MB for each weather of 20 years


@dataclass(frozen=True)
class Days:
    """Of each day of an air: how fast creep's clock runs by heat (lasting.heat_of_days), its mean temperature in degC
    and relative humidity in percent, and whether an hour of it was filled; (days,) each."""

    heat: Array
    temperature_c: Array
    humidity_pct: Array
    filled: Array


@dataclass(frozen=True)
class Weather:
    """One member's lags, and each part's weights and the movement weights of the draws in it; air: its hourly air, made
    when it is asked for."""

    lags: Lags
    days: Days
    draws: Draws
    weights: PartWeights
    hygro: dict[str, Array]
    made: Callable[[], Dataset]

    @property
    def air(self) -> Dataset:
        return self.made()


@dataclass(frozen=True)
class Chain:
    """A scenario run through: what a forecast holds, before it is summed up."""

    scenario: Scenario
    coefficients: Coefficients
    draws: Draws
    weathers: tuple[Weather, ...]
    world: World
    due: Regrades

    def block(self, rows: slice) -> Chain:
        """The same chain seen through some of its draws."""
        due = Regrades(self.due.day[rows], self.due.grade[rows])
        return replace(self, draws=self.draws.chosen(rows), world=self.world.block(rows), due=due)

    def free_years(self) -> Array:
        """Years from today before the first regrade, counted to the horizon at most, (draws,)."""
        day, today = self.due.day[:, 0], self.scenario.today or self.scenario.setup.setup
        years = (day - (today - self.scenario.setup.setup).days) / 365.25
        return np.where(day == NEVER, float(ahead_years(self.scenario)), years)


class LagCache:
    """Air and lags by all they depend on; the least lately used go first. One for each process that wants it.

    air_of: a scenario's air in a weather member, for air that is not the scenario's own; where it is a function of a
    module, its lags are kept on disk too."""

    def __init__(self, kept: int = KEPT, air_of: Callable[[Scenario, int], Dataset] = scenario_air) -> None:
        self._air_of = air_of
        self._airs: Memory[Dataset] = Memory(kept)
        self._known: Memory[tuple[Lags, Days]] = Memory(kept)

    def air(self, scenario: Scenario, member: int) -> Dataset:
        """The hourly air of a weather member of a scenario, see climate.history."""
        return self._airs.of(air_fingerprint(scenario, member), lambda: self._air_of(scenario, member))

    def of(self, scenario: Scenario, member: int) -> tuple[Lags, Days]:
        """The lags of a weather member of a scenario (see outlook.moisture) and what is told of its days."""
        key = air_fingerprint(scenario, member)

        def make() -> tuple[Lags, Days]:
            air = self.air(scenario, member)
            warm, damp, filled = (
                air[name].values.reshape(-1, 24) for name in ("air_temperature", "relative_humidity", "filled")
            )
            told = Days(heat_of_days(warm.reshape(-1)), warm.mean(axis=1), damp.mean(axis=1), filled.max(axis=1))
            return air_lags(air, scenario, rooms=True), told

        name = getattr(self._air_of, "__qualname__", "<>")
        shelf = Shelf(None if "<" in name else cache_folder() / "weathers" / name, MOST_BYTES)
        return self._known.of(key, lambda: shelf.of(key, make, _to_written, partial(_from_written, scenario=scenario)))


def _to_written(kept: tuple[Lags, Days]) -> Written:
    lags, days = kept
    arrays = {name: getattr(lags, name) for name in ("time_constants_days", "emc_pct", "lags_pct")} | vars(days)
    if lags.rooms is None:
        return None, arrays
    for at, home in enumerate(lags.rooms.homes):
        arrays |= {f"shares_{at}": home.shares} | {f"outdoors_{at}_{n}": each for n, each in enumerate(home.outdoors)}
    return [[home.unknowns for home in lags.rooms.homes], lags.rooms.thin], arrays | {"mix": lags.rooms.mix}


def _from_written(facts: Any, arrays: Mapping[str, Any], scenario: Scenario) -> tuple[Lags, Days]:
    rooms = None
    if facts:
        homes = [
            RoomShares(
                tuple((name, log_sd) for name, log_sd in unknowns),
                fitted(climate),
                (arrays[f"outdoors_{at}_0"], arrays[f"outdoors_{at}_1"], arrays[f"outdoors_{at}_2"]),
                arrays[f"shares_{at}"],
            )
            for at, (climate, unknowns) in enumerate(zip(open_climates(scenario), facts[0], strict=True))
        ]
        rooms = RoomRows(tuple(homes), arrays["mix"], facts[1])
    lags = Lags(arrays["time_constants_days"], arrays["emc_pct"], arrays["lags_pct"], rooms)
    return lags, Days(**{field.name: arrays[field.name] for field in fields(Days)})


def air_fingerprint(scenario: Scenario, member: int) -> str:
    """What the air and lags of a weather member of a scenario rest on."""
    setup = scenario.setup
    built = (setup.built_relative_humidity_pct, setup.built_temperature_c)
    span = (setup.setup, scenario.horizon_years)
    wood = (scenario.hysteresis, paces(scenario.instrument))
    return fingerprint(scenario.stays, scenario.seed, member, span, built, wood)


def run_chain(
    scenario: Scenario, draws: Draws, cache: LagCache | None = None, progress: Callable[[str], None] = lambda _: None
) -> Chain:
    """The whole chain for an ensemble of draws: air, lags, movement, creep, regrades.

    Raises BadInput when the scenario's air does not reach the horizon, or a file it names is at fault."""
    note_scenario(scenario)
    cache = cache or LagCache(max(1, scenario.weather_members))
    progress("structure: how this design answers moisture and string pull")
    coefficients = design_response(scenario.instrument)
    world = blank_world(scenario, draws.count)
    weathers = []
    members = np.unique(draws.member)
    for number, member in enumerate(members, 1):
        progress(f"weather {number} of {members.size}: air, moisture, movement, creep")
        lags, told = cache.of(scenario, int(member))
        own = draws.of_member(member)
        weights = part_weights(scenario.instrument, own, lags.time_constants_days, lags.rooms)
        hygro = hygro_weights(coefficients, own, weights)
        days = np.arange(day_of(scenario, scenario.setup.setup), lags.lags_pct.shape[1])
        history = creep_history(scenario, lags.lags_pct, told.heat, days)
        lasting = lasting_paths(scenario, coefficients, own, history, weights)
        put_movement(world.block(draws.rows(int(member))), scenario, own, lags, hygro, lasting)
        weathers.append(Weather(lags, told, own, weights, hygro, partial(cache.air, scenario, int(member))))
    progress("regrades: when, and to which grade")
    return Chain(scenario, coefficients, draws, tuple(weathers), world, regrades(world.reading, scenario))
