"""The one chain: humidity history -> moisture -> sinkage and rotation -> lasting drift -> when, which grade."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

import numpy as np

from driftmodel.base.records import Scenario
from driftmodel.climate.history import scenario_air
from driftmodel.outlook.draws import Draws, draw_unknowns
from driftmodel.outlook.findings import as_dataset
from driftmodel.outlook.moisture import air_lags, part_weights
from driftmodel.outlook.movement import blank_world, hygro_weights, lasting_creep, put_movement
from driftmodel.outlook.regrade import regrades
from driftmodel.structure.response import design_response

if TYPE_CHECKING:
    from xarray import Dataset


def forecast(
    scenario: Scenario,
    draws: int | None = None,
    seed: int | None = None,
    *,
    unknowns: Draws | None = None,
    progress: Callable[[str], None] = lambda _: None,
) -> Dataset:
    """The years to come of one instrument, as an ensemble; see schema.MOVEMENTS for the variables, units and signs.

    draws, seed: in place of the scenario's own. unknowns: draws from elsewhere, such as a calibration.
    Raises BadInput when the scenario's air does not reach the horizon, or a file it names is at fault.
    """
    seed = scenario.seed if seed is None else seed
    ensemble = unknowns or draw_unknowns(scenario, draws or scenario.draws, seed)
    progress("structure: how this design answers moisture and string pull")
    coefficients = design_response(scenario.instrument)
    world = blank_world(scenario, ensemble.count)
    for member in np.unique(ensemble.member):
        progress(f"weather {member + 1} of {scenario.weather_members}: air, moisture, movement, creep")
        air = scenario_air(scenario, int(member))
        lags = air_lags(air, scenario)
        own = ensemble.of_member(member)
        weights = part_weights(scenario.instrument, own, lags.time_constants_days)
        hygro = hygro_weights(coefficients, own, weights)
        lasting = lasting_creep(scenario, own, lags, weights)
        put_movement(world.block(ensemble.rows(member)), scenario, coefficients, own, lags, hygro, lasting)
        if member == ensemble.member[0]:
            shown = (air, lags, weights)
    progress("regrades: when, and to which grade")
    return as_dataset(scenario, ensemble, seed, world, regrades(world.reading, scenario), *shown)
