"""How the draws of one weather member move: seasonal part, lasting part, and the reading a regrade is judged by."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from driftmodel.base import library
from driftmodel.base.records import Scenario
from driftmodel.base.schema import Array, Single
from driftmodel.outlook.calendar import YEAR_DAYS, day_of, horizon_days, reference_state
from driftmodel.outlook.draws import Draws, part_movement
from driftmodel.outlook.lasting import LASTING, RISING
from driftmodel.outlook.moisture import Lags, PartWeights
from driftmodel.outlook.regrade import Reading
from driftmodel.outlook.room_lags import RoomRows
from driftmodel.structure.joint import pivot_of, saddle_rise_mm
from driftmodel.structure.records import Coefficients
from driftmodel.wood.creep import fading_sums, relaxed
from driftmodel.wood.diffusion import time_grid

MOVED = ("top_sinkage", "neck_rotation", "bow_action")
READING_STEP_DAYS = 7


def hygro_weights(coefficients: Coefficients, draws: Draws, weights: PartWeights) -> dict[str, Array]:
    """For each of MOVED, the weights (draws, lag) that turn lags of the air into movement, mm or degrees.

    Response per 1 % in each part, times how much that part's wood moves, times how the body passes it on."""
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
            total += response[part] * part_movement(draws.values, part)[:, None] * mean
        for plate in ("top", "back"):
            through = response[f"{plate}_gradient"] * draws.values[f"movement_{plate}"][:, None]
            total += through * weights.gradient[plate]
        result[quantity] = passed_on[quantity] * total
    return result


def acting_lags(lags_pct: Array, rooms: RoomRows | None = None) -> Array:
    """What of the lags (lag, days + 1) moves the instrument: in plates and braces a lasting change of moisture relaxes,
    to about two thirds over a year; neck and fingerboard bend each other along the grain and relax alike.

    rooms: what the rows after the lags are, where there are such rows."""
    acting, (times, shares) = np.array(lags_pct, dtype=float), _relaxation()
    for own in _relaxing(rooms):
        acting[own] = relaxed(acting[own], times, shares)
    return acting


def _relaxing(rooms: RoomRows | None) -> list[slice]:
    """The rows of the lags that relax."""
    thin = time_grid().size
    return [slice(0, thin)] + ([] if rooms is None else [slice(2 * thin, 2 * thin + rooms.thin)])


def _relaxation() -> tuple[list[float], list[float]]:
    """Times in days, and shares."""
    times, shares = ([library.value(f"relaxation_{kind}_{unit}") for unit in (1, 2, 3)] for kind in ("time", "share"))
    return times, shares


@dataclass(frozen=True)
class World:
    """Movement since set-up by quantity, (draws, days), and the reading that a regrade is judged by."""

    seasonal: dict[str, Single]
    lasting: dict[str, Single]
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


def put_movement(
    into: World, scenario: Scenario, draws: Draws, lags: Lags, hygro: dict[str, Array], lasting: dict[str, Array]
) -> None:
    """Fill a block with the movement of its draws.

    Seasonal part: hygro weights times the change of the acting lags since set-up. Lasting part: (draws, days from
    set-up) as from `lasting.lasting_paths`. Reading at the reference state: lasting part plus the seasonal part's
    trailing twelve-month mean, the truss rod set: the bow's lasting part is left out of it."""
    since = day_of(scenario, scenario.setup.setup)
    acting = acting_lags(lags.lags_pct, lags.rooms)
    change = (acting[:, since:] - acting[:, [since]]).astype(np.float32)
    for quantity in MOVED:
        np.matmul(hygro[quantity].astype(np.float32), change, out=into.seasonal[quantity])
    for quantity in LASTING:
        into.lasting[quantity][:] = lasting[quantity]
    steps = slice(None, None, READING_STEP_DAYS)
    reference = reference_change(scenario, lags.lags_pct, lags.rooms)
    put_reading(into.reading, scenario, draws, hygro, reference, lasting, steps)


def reference_change(scenario: Scenario, lags_pct: Array, rooms: RoomRows | None = None) -> Array:
    """Change of the acting lags from set-up to the reference state of each reading, (lag, steps).

    Only the readings' days are walked: what a fading sum S' = k S + x gains over a year is its sum over the year of x
    less that of (1 - k) S, the lag of x."""
    since, step = day_of(scenario, scenario.setup.setup), READING_STEP_DAYS
    mean = reference_state(lags_pct, since, step)
    change = mean - lags_pct[:, [since]]
    times, shares = _relaxation()
    keep = np.exp(-1.0 / np.array(times)).tolist()
    first, year = since // step, (YEAR_DAYS - 1) // step
    assert year * step == YEAR_DAYS - 1  # a year is whole steps and a day
    for rows in _relaxing(rooms):
        start = lags_pct[rows, :1]
        here, away = lags_pct[rows, since::step] - start, mean[rows] - start
        for kept, share, sums in zip(keep, shares, fading_sums(lags_pct[rows], keep, step, since % step), strict=True):
            gain = kept * sums[:, first:] + here
            gain[:, max(year - first, 0) :] -= sums[:, max(first - year, 0) : max(sums.shape[1] - year, 0)]
            change[rows] -= share * (away - gain / YEAR_DAYS - (1.0 - kept) * sums[:, [first]])
    return change


def put_reading(
    into: Reading,
    scenario: Scenario,
    draws: Draws,
    hygro: dict[str, Array],
    change: Array,
    lasting: dict[str, Array],
    steps: slice,
) -> None:
    """Fill a reading: MOVED at the reference state, from its change of the lags (lag, steps), with the lasting part of
    those steps of its days."""
    at = {quantity: hygro[quantity] @ change for quantity in MOVED}
    for quantity in RISING:
        at[quantity] += lasting[quantity][:, steps]
    rise = saddle_rise_mm(at, pivot_of(scenario.instrument))
    start = (scenario.setup.action_12th_mm + draws.set_up_error_mm)[:, None]
    into.saddle_rise_mm[:] = rise
    into.action_mm[:] = start + rise / 2.0 + at["bow_action"]
