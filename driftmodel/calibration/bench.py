"""A scenario made ready for readings: what its parts did by given moments, in this weather and in others."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import date

import numpy as np
from numpy.typing import NDArray

from driftmodel.base.records import Scenario
from driftmodel.calibration import sight as sights
from driftmodel.calibration.records import BenchBook
from driftmodel.calibration.sight import HELD, ROWS, CreepSight, Moment, Sight, Table
from driftmodel.calibration.weight import grams_per_pct
from driftmodel.climate.history import scenario_air
from driftmodel.outlook.moisture import Lags, air_lags
from driftmodel.outlook.movement import acting_lags
from driftmodel.outlook.work import reaching, with_work
from driftmodel.structure.records import Coefficients
from driftmodel.structure.response import design_response

Array = NDArray[np.float64]

#: other weathers the past may have had, unless a logger measured it, and the share of their variance kept
OTHER_WEATHERS = 24
WEATHER_KEPT = 0.99


@dataclass(frozen=True)
class Bench:
    """One scenario made ready: response of the design, its table, the history of member 0 to the horizon, and the lags
    of other weathers for the past. Make it once (`make_bench`); calibrations of the same scenario share it."""

    scenario: Scenario
    until: date
    coefficients: Coefficients
    grams_per_pct: Mapping[str, float]
    table: Table
    lags: Lags
    acting: Array
    air_daily: tuple[Array, Array]
    creep: CreepSight
    others: tuple[Lags, ...]
    past_weather: str


def make_bench(scenario: Scenario, until: date, book: BenchBook | None = None) -> Bench:
    """Make a scenario ready for readings up to `until` and for what is asked about the year after.

    Where the air of the past is a logger's it is taken as it stands. Elsewhere it comes from a typical year, and the
    weather that was really there is unknown: OTHER_WEATHERS seeded members say how far it may have been away.
    """
    if book is not None:
        scenario = with_work(scenario, book.work)
    scenario = reaching(scenario, until)
    air = scenario_air(scenario, 0)
    lags = air_lags(air, scenario)
    daily = tuple(air[name].values.reshape(-1, 24).mean(axis=1) for name in ("air_temperature", "relative_humidity"))
    measured = all(stay.climate.logger_file for stay in scenario.stays if stay.start <= until)
    others: tuple[Lags, ...] = ()
    if not all(stay.climate.logger_file for stay in scenario.stays):
        days = (until - scenario.setup.setup).days + 550
        short = replace(scenario, horizon_years=min(scenario.horizon_years, -(-days // 365)))
        others = tuple(air_lags(scenario_air(short, member), short) for member in range(1, OTHER_WEATHERS + 1))
    words = (
        "the logger's record"
        if measured
        else "a typical year; how far the real weather may have been from it is counted as unknown"
    )
    coefficients, table = design_response(scenario.instrument), sights.make_table(scenario)
    return Bench(
        scenario,
        until,
        coefficients,
        grams_per_pct(scenario.instrument),
        table,
        lags,
        acting_lags(lags.lags_pct),
        (daily[0], daily[1]),
        sights.creep_path(scenario, coefficients, lags, air["air_temperature"].values, table),
        others,
        words,
    )


def look(bench: Bench, moments: tuple[Moment, ...], settled: Array | None = None) -> Sight:
    """What the instrument did by the moments. settled: further acting states (lag, more) whose own weather is not in
    question, put after the moments, such as the reference state; their creep is left at 0."""
    since = _setup_day(bench)
    states = sights.states_at(moments, bench.lags, bench.acting, bench.air_daily, bench.scenario)
    start = np.stack([bench.acting[:, [since]], bench.lags.lags_pct[:, [since]]])
    more = np.zeros((states.shape[1], 0)) if settled is None else settled
    none = ((0, 0), (0, more.shape[1]))
    creep = sights.creep_at(bench.creep, moments, bench.scenario)
    creep = replace(
        creep,
        by_wood=np.pad(creep.by_wood, none),
        by_joint=np.pad(creep.by_joint, none),
        met=np.pad(creep.met, ((0, 0), *none)),
    )
    change = np.concatenate([states, np.stack([more, more])], axis=2) - start
    weather = _weather_modes(bench, moments, states, more)
    return Sight(_in_rows(bench.table.weights, change), creep, weather)


def _in_rows(weights: Array, change: Array) -> Array:
    """Moisture (rows, nodes, moments) of ROWS by the acting change of the lags (2, lag, moments), then of HELD by the
    one held; weights (rows, nodes, lag)."""
    held = [ROWS.index(row) for row in HELD]
    return np.concatenate([weights @ change[0], weights[held] @ change[1]])


def _setup_day(bench: Bench) -> int:
    scenario = bench.scenario
    return (scenario.setup.setup - scenario.stays[0].start).days


def _weather_modes(bench: Bench, moments: tuple[Moment, ...], states: Array, more: Array) -> Array:
    """Principal directions of the other weathers about the one taken, at the middle node, (modes, rows, moments)."""
    count, rows = states.shape[2] + more.shape[1], len(ROWS) + len(HELD)
    if not bench.others:
        return np.zeros((0, rows, count))
    node = bench.table.weights.shape[1] // 2
    middle = bench.table.weights[:, [node], :]
    since = _setup_day(bench)
    away = []
    for other in bench.others:
        acting = acting_lags(other.lags_pct)
        at_start = np.stack(
            [
                acting[:, [since]] - bench.acting[:, [since]],
                other.lags_pct[:, [since]] - bench.lags.lags_pct[:, [since]],
            ]
        )
        there = sights.states_at(moments, other, acting, bench.air_daily, bench.scenario) - states
        change = np.concatenate([there - at_start, np.tile(-at_start, (1, 1, more.shape[1]))], axis=2)
        away.append(_in_rows(middle, change)[:, 0, :])
    matrix = np.stack(away).reshape(len(away), -1) / np.sqrt(len(away))
    _, sizes, directions = np.linalg.svd(matrix, full_matrices=False)
    if sizes[0] < 1e-9:
        return np.zeros((0, rows, count))
    kept = int(np.searchsorted(np.cumsum(sizes**2) / np.sum(sizes**2), WEATHER_KEPT)) + 1
    modes: Array = (sizes[:kept, None] * directions[:kept]).reshape(kept, rows, count)
    return modes
