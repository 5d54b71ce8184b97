"""How the draws of one weather member move: seasonal part, lasting part, and the reading a regrade is judged by."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from driftmodel.base import library
from driftmodel.base.records import Scenario
from driftmodel.outlook.calendar import day_of, horizon_days, stay_means, string_load
from driftmodel.outlook.draws import Draws
from driftmodel.outlook.moisture import Lags, PartWeights
from driftmodel.outlook.regrade import Reading
from driftmodel.structure.joint import pivot_to_saddle_mm
from driftmodel.structure.records import Coefficients
from driftmodel.structure.strings import string_pull_n
from driftmodel.wood import creep

Array = NDArray[np.float64]
Movement = NDArray[np.float32]

MOVED = ("top_sinkage", "neck_rotation", "bow_action")
LASTING = ("top_sinkage", "neck_rotation")
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
    cycling = cycling_creep(load, creep.moisture_travel(lags.lags_pct))
    return creep_since(draws, weights, steady_creep(load), cycling, day_of(scenario, scenario.setup.setup))


def steady_creep(load: Array) -> Array:
    """Kelvin chain of wood under a daily load (days,), relative to the elastic answer, (days + 1,)."""
    times = [library.general(f"kelvin_time_{unit}").value for unit in range(1, 7)]
    compliances = [library.general(f"kelvin_compliance_{unit}").value for unit in range(1, 7)]
    return creep.kelvin_creep(load, times, compliances)


def cycling_creep(load: Array, travel: Array) -> Array:
    """Mechano-sorptive creep relative to its limit, (lag, steps + 1), of a load (steps,) over moisture travel
    (lag, steps), see `wood.creep.moisture_travel`."""
    return creep.mechano_sorptive(load, travel, library.general("mechano_sorptive_rate").value)


def creep_since(draws: Draws, weights: PartWeights, steady: Array, cycling: Array, setup: int) -> Array:
    """Creep of each draw since set-up over elastic response, (draws, steps). steady: (steps,) of the Kelvin chain;
    cycling: (lag, steps) mechano-sorptive; setup: the step of set-up."""
    share = weights.mean["top"] / weights.mean["top"].sum(axis=1, keepdims=True)
    whole = steady[None, :] + draws.values["cycling_creep"][:, None] * (share @ cycling)
    whole -= whole[:, [setup]]
    gain = (draws.values["creep"] * draws.values["set_gain"])[:, None]
    return np.asarray(gain * whole, dtype=float)


@dataclass(frozen=True)
class World:
    """Movement since set-up by quantity, (draws, days), and the reading that a regrade is judged by."""

    seasonal: dict[str, Movement]
    lasting: dict[str, Movement]
    reading: Reading

    def block(self, rows: slice) -> World:
        """The same world seen through some of its draws."""
        return World(
            {quantity: path[rows] for quantity, path in self.seasonal.items()},
            {quantity: path[rows] for quantity, path in self.lasting.items()},
            Reading(self.reading.saddle_rise_mm[rows], self.reading.action_mm[rows], self.reading.step_days),
        )


def blank_world(scenario: Scenario, draws: int) -> World:
    """Room for the movement of all draws, to be filled weather member by weather member."""
    days = horizon_days(scenario) + 1
    steps = -(-days // READING_STEP_DAYS)
    return World(
        {quantity: np.empty((draws, days), dtype=np.float32) for quantity in MOVED},
        {quantity: np.empty((draws, days), dtype=np.float32) for quantity in LASTING},
        Reading(np.empty((draws, steps)), np.empty((draws, steps)), READING_STEP_DAYS),
    )


def movement(
    scenario: Scenario,
    coefficients: Coefficients,
    draws: Draws,
    lags: Lags,
    hygro: dict[str, Array],
    creep_path: Array,
) -> World:
    """The movement of draws that share one weather, as `put_movement` fills it."""
    world = blank_world(scenario, draws.count)
    put_movement(world, scenario, coefficients, draws, lags, hygro, creep_path)
    return world


def put_movement(
    into: World,
    scenario: Scenario,
    coefficients: Coefficients,
    draws: Draws,
    lags: Lags,
    hygro: dict[str, Array],
    creep_path: Array,
) -> None:
    """Fill a block with the movement of its draws.

    Seasonal part: hygro weights times the change of the lags since set-up. Lasting part: elastic response to the
    strings times creep. Reading at the reference state: lasting part plus the seasonal part's mean at the place.
    The bow's lasting part is left out: the truss rod takes it up at every set-up.
    """
    since = day_of(scenario, scenario.setup.setup)
    change = (lags.lags_pct[:, since:] - lags.lags_pct[:, [since]]).astype(np.float32)
    pull = string_pull_n(scenario.instrument.strings) * draws.values["string_response"]
    for quantity in MOVED:
        np.matmul(hygro[quantity].astype(np.float32), change, out=into.seasonal[quantity])
    lasting = creep_path[:, since:].astype(np.float32)
    for quantity in LASTING:
        elastic = (getattr(coefficients, quantity)["strings"] * pull)[:, None].astype(np.float32)
        np.multiply(elastic, lasting, out=into.lasting[quantity])
    steps = slice(None, None, READING_STEP_DAYS)
    place = stay_means(scenario, change)[:, steps]
    at = {quantity: hygro[quantity] @ place for quantity in MOVED}
    at |= {quantity: at[quantity] + into.lasting[quantity][:, steps] for quantity in LASTING}
    put_reading(into.reading, scenario, draws, at)


def put_reading(into: Reading, scenario: Scenario, draws: Draws, at: dict[str, Array]) -> None:
    """Fill a reading from MOVED at the reference state, mm and degrees, (draws, steps) each."""
    distance = pivot_to_saddle_mm(scenario.instrument.strings.scale_mm, scenario.instrument.body_fret)
    rise = np.tan(np.radians(at["neck_rotation"])) * distance - at["top_sinkage"]
    start = (scenario.setup.action_12th_mm + draws.set_up_error_mm)[:, None]
    into.saddle_rise_mm[:] = rise
    into.action_mm[:] = start + rise / 2.0 + at["bow_action"]
