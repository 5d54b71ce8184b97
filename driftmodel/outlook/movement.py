"""How the draws of one weather member move: seasonal part, lasting part, and the reading a regrade is judged by."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from driftmodel.base import library
from driftmodel.base.records import Scenario
from driftmodel.outlook.calendar import day_of, stay_means, string_load
from driftmodel.outlook.draws import Draws
from driftmodel.outlook.moisture import Lags, PartWeights
from driftmodel.outlook.regrade import Reading
from driftmodel.structure.joint import pivot_to_saddle_mm
from driftmodel.structure.response import Coefficients
from driftmodel.structure.strings import string_pull_n
from driftmodel.wood import creep

Array = NDArray[np.float64]
Movement = NDArray[np.float32]

MOVED = ("top_sinkage", "neck_rotation", "bow_action")
READING_STEP_DAYS = 7


def hygro_weights(coefficients: Coefficients, draws: Draws, weights: PartWeights) -> dict[str, Array]:
    """For each of MOVED, the weights (draws, lag) that turn lags of the air into movement, mm or degrees.

    Response per 1 % in each part, times how much that part's wood moves, times how the body passes it on.
    """
    passed_on: dict[str, Array] = {
        "top_sinkage": draws.values["structure"][:, None],
        "neck_rotation": draws.values["block"][:, None],
        "bow_action": np.ones((draws.count, 1)),
    }
    result = {}
    for quantity in MOVED:
        response = getattr(coefficients, quantity)
        total = np.zeros_like(weights.mean["top"])
        for part, mean in weights.mean.items():
            total += response[part] * draws.values[f"movement_{part}"][:, None] * mean
        for plate in ("top", "back"):
            through = response[f"{plate}_gradient"] * draws.values[f"movement_{plate}"][:, None]
            total += through * weights.gradient[plate]
        result[quantity] = passed_on[quantity] * total
    return result


def lasting_creep(scenario: Scenario, draws: Draws, lags: Lags, weights: PartWeights) -> Array:
    """Creep since set-up over elastic response, (draws, days): Kelvin chain and mechano-sorption of the top's wood,
    under the strings since they were first brought to pitch, times the set gain.

    A draw's moisture cycles are weighed from the lags as its top's mean moisture is.
    """
    load = string_load(scenario, lags.lags_pct.shape[1] - 1)
    times = [library.general(f"kelvin_time_{unit}").value for unit in range(1, 7)]
    compliances = [library.general(f"kelvin_compliance_{unit}").value for unit in range(1, 7)]
    steady = creep.kelvin_creep(load, times, compliances)
    cycling = creep.mechano_sorptive(
        load, creep.moisture_travel(lags.lags_pct), library.general("mechano_sorptive_rate").value
    )
    share = weights.mean["top"] / weights.mean["top"].sum(axis=1, keepdims=True)
    whole = steady[None, :] + draws.values["cycling_creep"][:, None] * (share @ cycling)
    whole -= whole[:, [day_of(scenario, scenario.setup.setup)]]
    gain: Array = (draws.values["creep"] * draws.values["set_gain"])[:, None]
    return gain * whole


@dataclass(frozen=True)
class World:
    """Movement of the draws of one weather member since set-up: seasonal and lasting by quantity, (draws, days)."""

    seasonal: dict[str, Movement]
    lasting: dict[str, Movement]
    reading: Reading


def movement(
    scenario: Scenario, coefficients: Coefficients, draws: Draws, lags: Lags, hygro: dict[str, Array], lasting: Array
) -> World:
    """Seasonal part: hygro weights times the change of the lags since set-up. Lasting part: elastic response to the
    strings times creep. Reading at the reference state: lasting part plus the seasonal part's mean at the place.

    The bow's lasting part is left out: the truss rod takes it up at every set-up.
    """
    since = day_of(scenario, scenario.setup.setup)
    change = (lags.lags_pct[:, since:] - lags.lags_pct[:, [since]]).astype(np.float32)
    pull = string_pull_n(scenario.instrument.strings) * draws.values["string_response"]
    lasting = lasting[:, since:].astype(np.float32)
    seasonal_path = {quantity: hygro[quantity].astype(np.float32) @ change for quantity in MOVED}
    lasting_path = {
        quantity: (getattr(coefficients, quantity)["strings"] * pull)[:, None].astype(np.float32) * lasting
        for quantity in ("top_sinkage", "neck_rotation")
    }
    steps = slice(None, None, READING_STEP_DAYS)
    place = stay_means(scenario, change)[:, steps]
    at = {quantity: hygro[quantity] @ place for quantity in MOVED}
    at |= {quantity: at[quantity] + lasting_path[quantity][:, steps] for quantity in lasting_path}
    distance = pivot_to_saddle_mm(scenario.instrument.strings.scale_mm, scenario.instrument.body_fret)
    rise = np.tan(np.radians(at["neck_rotation"])) * distance - at["top_sinkage"]
    action = (scenario.setup.action_12th_mm + draws.set_up_error_mm)[:, None] + rise / 2.0 + at["bow_action"]
    return World(seasonal_path, lasting_path, Reading(rise, action, READING_STEP_DAYS))


def gather(worlds: list[World]) -> World:
    """The draws of all weather members in one, in the order of the draws."""
    if len(worlds) == 1:
        return worlds[0]

    def joined(kind: str) -> dict[str, Movement]:
        return {
            quantity: np.concatenate([getattr(world, kind).pop(quantity) for world in worlds])
            for quantity in list(getattr(worlds[0], kind))
        }

    reading = Reading(
        np.concatenate([world.reading.saddle_rise_mm for world in worlds]),
        np.concatenate([world.reading.action_mm for world in worlds]),
        READING_STEP_DAYS,
    )
    return World(joined("seasonal"), joined("lasting"), reading)
