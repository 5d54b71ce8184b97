"""The one chain: humidity history -> moisture -> sinkage and rotation -> lasting drift -> when, which grade."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from driftmodel.base.keeping import Memory, fingerprint
from driftmodel.base.provenance import note_scenario
from driftmodel.base.records import Scenario
from driftmodel.climate.history import scenario_air
from driftmodel.outlook.calendar import day_of
from driftmodel.outlook.draws import Draws
from driftmodel.outlook.lasting import CreepLaw, creep_by_component, creep_history, heat_of_days, lasting_paths
from driftmodel.outlook.moisture import Lags, PartWeights, air_lags, part_weights
from driftmodel.outlook.movement import World, blank_world, hygro_weights, put_movement
from driftmodel.outlook.regrade import NEVER, Regrades, regrades
from driftmodel.outlook.work import ahead_years
from driftmodel.structure.records import Coefficients
from driftmodel.structure.response import design_response

if TYPE_CHECKING:
    from xarray import Dataset

Array = NDArray[np.float64]
KEPT = 48  # weathers kept in memory; 20 years of lags are some 3 MB


@dataclass(frozen=True)
class Weather:
    """One member's hourly air, its lags, and each part's weights and the movement weights of the draws in it."""

    air: Dataset
    lags: Lags
    draws: Draws
    weights: PartWeights
    hygro: dict[str, Array]


@dataclass(frozen=True)
class Chain:
    """A scenario run through: what a forecast holds, before it is summed up."""

    scenario: Scenario
    coefficients: Coefficients
    draws: Draws
    weathers: tuple[Weather, ...]
    world: World
    due: Regrades

    def free_years(self) -> Array:
        """Years from today before the first regrade, counted to the horizon at most, (draws,)."""
        day, today = self.due.day[:, 0], self.scenario.today or self.scenario.setup.setup
        years = (day - (today - self.scenario.setup.setup).days) / 365.25
        return np.where(day == NEVER, float(ahead_years(self.scenario)), years)


class LagCache:
    """Air and lags by all they depend on; the least lately used go first. One for each process that wants it.

    air_of: a scenario's air in a weather member, for air that is not the scenario's own."""

    def __init__(self, kept: int = KEPT, air_of: Callable[[Scenario, int], Dataset] = scenario_air) -> None:
        self._air_of = air_of
        self._known: Memory[tuple[Dataset, Lags]] = Memory(kept)

    def of(self, scenario: Scenario, member: int) -> tuple[Dataset, Lags]:
        """The air and lags of a weather member of a scenario, (see climate.history and outlook.moisture)."""

        def make() -> tuple[Dataset, Lags]:
            air = self._air_of(scenario, member)
            return air, air_lags(air, scenario, rooms=True)

        return self._known.of(air_fingerprint(scenario, member), make)


def air_fingerprint(scenario: Scenario, member: int) -> str:
    """What the air and lags of a weather member of a scenario rest on."""
    setup = scenario.setup
    built = (setup.built_relative_humidity_pct, setup.built_temperature_c)
    span = (setup.setup, scenario.horizon_years)
    return fingerprint(scenario.stays, scenario.seed, member, span, built, scenario.hysteresis)


def run_chain(
    scenario: Scenario,
    draws: Draws,
    cache: LagCache | None = None,
    progress: Callable[[str], None] = lambda _: None,
    law: CreepLaw = creep_by_component,
) -> Chain:
    """The whole chain for an ensemble of draws: air, lags, movement, creep by a law (see `lasting`), regrades.

    Raises BadInput when the scenario's air does not reach the horizon, or a file it names is at fault.
    """
    note_scenario(scenario)
    cache = cache or LagCache(1)
    progress("structure: how this design answers moisture and string pull")
    coefficients = design_response(scenario.instrument)
    world = blank_world(scenario, draws.count)
    weathers = []
    for member in np.unique(draws.member):
        progress(f"weather {member + 1} of {scenario.weather_members}: air, moisture, movement, creep")
        air, lags = cache.of(scenario, int(member))
        own = draws.of_member(member)
        weights = part_weights(scenario.instrument, own, lags.time_constants_days, lags.rooms)
        hygro = hygro_weights(coefficients, own, weights)
        days = np.arange(day_of(scenario, scenario.setup.setup), lags.lags_pct.shape[1])
        history = creep_history(scenario, lags.lags_pct, heat_of_days(air["air_temperature"].values), days)
        lasting = lasting_paths(scenario, coefficients, own, history, weights, law)
        put_movement(world.block(draws.rows(int(member))), scenario, own, lags, hygro, lasting)
        weathers.append(Weather(air, lags, own, weights, hygro))
    progress("regrades: when, and to which grade")
    return Chain(scenario, coefficients, draws, tuple(weathers), world, regrades(world.reading, scenario))
