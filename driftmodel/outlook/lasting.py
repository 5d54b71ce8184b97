"""The lasting part: creep of each component of the body's give, by its share, adds up to drift since set-up.

lasting(t) = pull x residual gain x sum over (group, component) of share x phi(t). phi is creep by time, on a clock that
heat and damp speed up, plus creep by moisture, m x the running range of the 30-day mean moisture under load. The neck's
bow creeps likewise, but counts from the day the truss rod was last turned. Bolts lose clamp force until the joint opens
(structure.neck_join.opened), which no residual gain multiplies. Laws are functions of one signature
(`CreepLaw`); docs/drift.md holds the numbers, their sources and checks."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from datetime import date
from functools import partial

import numpy as np
from numpy.typing import NDArray

from driftmodel.base import library
from driftmodel.base.records import Scenario
from driftmodel.base.schema import DAYS_PER_YEAR, Array
from driftmodel.outlook.calendar import YEAR_DAYS, day_of, string_load, trailing_mean
from driftmodel.outlook.draws import Draws
from driftmodel.outlook.moisture import PartWeights
from driftmodel.structure.joint import pivot_of, saddle_rise_mm, string_pull_n
from driftmodel.structure.neck import clamp_lost, opened
from driftmodel.structure.records import Coefficients
from driftmodel.wood import creep
from driftmodel.wood.diffusion import time_grid

#: share of the elastic answer to the strings, mm or degrees per N, by (group of boards, component)
Shares = Mapping[tuple[str, str], float]

#: what turns or sinks for good, and the neck's bow, which the truss rod takes out
RISING = ("top_sinkage", "neck_rotation")
BOW = "bow_action"
LASTING = (*RISING, BOW)
#: the master curve of each component, and the number of species_data that its creep by moisture goes by
CURVES = {"along": "along", "across": "across", "shear": "shear", "through": "through", "rolling": "rolling",
          "root": "along", "bow": "along", "joint": "joint"}  # fmt: skip
BY_MOISTURE = {"along": "along", "across": "across", "shear": "shear", "through": "shear", "rolling": "shear",
               "root": "along", "bow": "along"}  # fmt: skip
#: parts whose moisture stands for that of a group: thin boards go with the top, thick ones with the neck, and the bow
#: with the neck's since the truss rod was turned
THIN_PART, THICK_PART, BOW_PART = "top", "neck", "bow"
PARTS_MET = (THIN_PART, THICK_PART, BOW_PART)
THICK_GROUPS = ("blocks", "joint", "root")
#: creep is asked for at weekly marks of moisture: a mean over 30 days hardly moves in between
MARK_DAYS = 7
#: the lag whose moisture sets the clock, days: between a thin plate and a block
CLOCK_LAG_DAYS = 10.0


@dataclass(frozen=True)
class CreepHistory:
    """What creep needs of one weather, at days `at` of the history (at,), the first of them the day of set-up.

    by_time: creep of each component of CURVES, (at,), the bow's since the truss rod was turned. month_pct (lag, marks):
    30-day mean of the lags on the days `marks`; mark_of (at,): the last mark by each day; turned_mark (at,): the mark
    of the last turn of the rod by then, at first of the set-up. lags_pct (lag, days + 1).
    clamp_lost (at,): by the neck's bolts since they were last tightened, at set-up or with a spacer; opened: what that
    does to the turn of the joint, times (a function of arrays)."""

    at: NDArray[np.intp]
    by_time: Mapping[str, Array]
    steps: tuple[creep.LoadStep, ...]
    marks: NDArray[np.intp]
    month_pct: Array
    mark_of: NDArray[np.intp]
    turned_mark: NDArray[np.intp]
    lags_pct: Array
    clamp_lost: Array
    opened: Callable[[Array], Array]


#: history, shares by quantity, weights (draws, lag) of the parts' moisture, multipliers (draws,) -> mm or degrees per N
#: since set-up by quantity, (draws, at)
CreepLaw = Callable[
    [CreepHistory, Mapping[str, Shares], Mapping[str, Array], Mapping[str, Array]], dict[str, Array]
]  # fmt: skip


def heat_of_days(temperature_c: Array) -> Array:
    """How much faster the clock of creep runs by heat alone, mean of each day, (days,) from hourly air (hours,)."""
    speed = creep.clock_speed(
        temperature_c, 0.0, library.value("creep_activation_energy") * 1000.0, 1.0, _reference(0.0)
    )
    return np.asarray(speed.reshape(-1, 24).mean(axis=1))


def creep_history(scenario: Scenario, lags_pct: Array, heat: Array, at: NDArray[np.intp]) -> CreepHistory:
    """The history of one weather from its lags (lag, days + 1) and the heat of its days (days,)."""
    steps = creep.load_steps(string_load(scenario, heat.size))
    row = int(np.abs(np.log(time_grid() / CLOCK_LAG_DAYS)).argmin())
    at_c, decade_pct = library.value("creep_clock_temperature"), library.value("creep_moisture_decade")
    speed = heat * creep.clock_speed(at_c, lags_pct[row, :-1], 0.0, decade_pct, _reference())
    clock = np.append(0.0, np.cumsum(speed))
    since = day_of(scenario, scenario.setup.setup)
    own = [step.day for step in steps]
    weekly = np.arange(since % MARK_DAYS, heat.size + 1, MARK_DAYS)
    memory = round(library.value("moisture_creep_memory"))
    marks = np.unique(np.append(weekly, own)).astype(np.intp)
    of_weeks, month = np.isin(marks, weekly), np.empty((len(lags_pct), marks.size))
    month[:, of_weeks] = trailing_mean(lags_pct, memory, since % MARK_DAYS, MARK_DAYS)
    for mark in np.flatnonzero(~of_weeks).tolist():
        month[:, mark] = trailing_mean(lags_pct[:, : marks[mark] + 1], memory)[:, -1]
    turned = _last(scenario, at, [one.day for one in scenario.work if one.truss_rod])
    tightened = _last(scenario, at, [one.day for one in scenario.work if one.spacer])
    curves = {name: _curve(name) for name in dict.fromkeys(CURVES.values())}
    passed = {name: creep.creep_by_time(curve, steps, clock, at) for name, curve in curves.items()}
    by_time = {component: passed[curve] for component, curve in CURVES.items()}
    by_time["bow"] = passed["along"] - creep.creep_by_time(curves["along"], steps, clock, turned)
    mark_of, turned_mark = (np.searchsorted(marks, each, side="right") - 1 for each in (at, turned))
    return CreepHistory(
        at, by_time, steps, marks, month, mark_of, turned_mark, lags_pct,
        clamp_lost(at - tightened), partial(opened, scenario.instrument),
    )  # fmt: skip


def _last(scenario: Scenario, at: NDArray[np.intp], work: list[date]) -> NDArray[np.intp]:
    """The last of set-up and work by each day, (at,): a state is that of 00:00, before the day's work."""
    since = day_of(scenario, scenario.setup.setup)
    days = np.array([since, *(day_of(scenario, day) for day in work)], dtype=np.intp)
    return np.asarray(np.where((days < at[:, None]) & (days > since), days, since).max(axis=1))


def _reference(moisture_pct: float | None = None) -> tuple[float, float]:
    moisture = library.value("creep_clock_moisture") if moisture_pct is None else moisture_pct
    return library.value("creep_clock_temperature"), moisture


def _curve(name: str) -> creep.MasterCurve:
    points = tuple(library.value(f"creep_{name}_{point}") for point in ("30_days", "1_year", "7_years"))
    return creep.MasterCurve((points[0], points[1], points[2]), library.value(f"creep_{name}_slow"))


def moisture_met(history: CreepHistory, weights: Array) -> Array:
    """Range of moisture met under load, as a fraction, (n, marks), of a part with weights (n, lag) for a moisture level
    of 1; what is met in damp wood counts more than in dry."""
    scale = (library.value("creep_clock_moisture"), library.value("moisture_creep_scale"))
    moisture = creep.damp_weighted(weights @ history.month_pct, *scale)
    return (
        creep.running_range(moisture, history.marks, history.steps, library.value("moisture_creep_first_days")) / 100.0
    )


def met_by_part(history: CreepHistory, weights: Mapping[str, Array]) -> dict[str, Array]:
    """The range met since set-up, (n, at), by PARTS_MET, from weights (n, lag) of the parts for a moisture level of 1:
    of the bow since the truss rod was turned."""
    thin, thick = (moisture_met(history, weights[part]) for part in (THIN_PART, THICK_PART))
    first = history.mark_of[[0]]
    since = {THIN_PART: (thin, first), THICK_PART: (thick, first), BOW_PART: (thick, history.turned_mark)}
    return {part: met[:, history.mark_of] - met[:, start] for part, (met, start) in since.items()}


@dataclass(frozen=True)
class Give:
    """One quantity since set-up per N: wood and joint by time, (at,), and per unit range of moisture of a part; the
    joint's elastic part, the clamp force lost (at,), and how many times as much the joint turns by that."""

    wood: Array
    joint: Array
    by_moisture: Mapping[str, float]
    held: float
    clamp_lost: Array
    opened: Callable[[Array], Array]


def give_of(history: CreepHistory, shares: Shares) -> Give:
    """The shares of one quantity put together by what they creep with."""
    none = np.zeros(history.at.size)
    parts = {"wood": none, "joint": none}
    moist = dict.fromkeys(PARTS_MET, 0.0)
    for (group, component), share in shares.items():
        kind = "joint" if component == "joint" else "wood"
        parts[kind] = parts[kind] + share * history.by_time[component]
        if component in BY_MOISTURE:
            part = BOW_PART if component == "bow" else THICK_PART if group in THICK_GROUPS else THIN_PART
            moist[part] += share * library.value(f"moisture_creep_{BY_MOISTURE[component]}")
    held = sum(share for (_, component), share in shares.items() if component == "joint")
    wood, joint = (parts[kind] - parts[kind][0] for kind in ("wood", "joint"))
    return Give(wood, joint, moist, held, history.clamp_lost, history.opened)


def creep_by_component(
    history: CreepHistory, shares: Mapping[str, Shares], weights: Mapping[str, Array], values: Mapping[str, Array]
) -> dict[str, Array]:
    """The law: each component creeps with time and with the range of moisture by its own numbers."""
    level = values["moisture_level"][:, None]
    per_level = {part: weights[part] / level for part in (THIN_PART, THICK_PART)}
    met = {part: level * path for part, path in met_by_part(history, per_level).items()}
    return {quantity: put_together(give_of(history, own), met, values) for quantity, own in shares.items()}


def put_together(give: Give, met: Mapping[str, Array], values: Mapping[str, Array]) -> Array:
    """Drift per N of pull, (n, at), from the range of moisture met by part (n, at) and the draws' multipliers (n,)."""
    moving = (give.by_moisture[part] * path for part, path in met.items() if give.by_moisture[part])
    moist = sum(moving, start=np.zeros_like(give.wood))
    moist = values["moisture_creep"][:, None] * moist
    moist += give.wood
    moist += values["joint_creep"][:, None] * give.joint
    if give.held:
        fresh = float(give.opened(np.zeros(1))[0])
        more = give.opened(values["joint_creep"][:, None] * give.clamp_lost) / fresh - 1.0
        moist += give.held * more / values["residual_gain"][:, None]
    return np.asarray(moist)


def creeping_shares(coefficients: Coefficients, quantity: str) -> Shares:
    """The shares of one quantity of LASTING that creep. Of the bow that is what the truss rod does not carry."""
    if quantity != BOW:
        return coefficients.string_shares[quantity]
    return {("neck", "bow"): (1.0 - library.value("truss_rod_carries")) * coefficients.bow_action["strings"]}


def lasting_pull_n(scenario: Scenario, values: Mapping[str, Array], quantity: str) -> Array:
    """The strings' pull with the draws' multipliers (n,) of what it does to one quantity of LASTING. The residual gain
    is of the body and its joint; the neck is a beam of known section, and how much its rod carries is its own doubt."""
    gain = values["bow_creep"] if quantity == BOW else values["string_response"] * values["residual_gain"]
    return string_pull_n(scenario.instrument.strings) * gain


def lasting_paths(
    scenario: Scenario,
    coefficients: Coefficients,
    draws: Draws,
    history: CreepHistory,
    weights: PartWeights,
    law: CreepLaw = creep_by_component,
    quantities: tuple[str, ...] = LASTING,
) -> dict[str, Array]:
    """What does not come back since set-up, by quantity of LASTING, mm or degrees, (draws, at); of the bow, what came
    since the truss rod was turned."""
    paths = law(history, {name: creeping_shares(coefficients, name) for name in quantities}, weights.mean, draws.values)
    for quantity, path in paths.items():
        path *= lasting_pull_n(scenario, draws.values, quantity)[:, None]
    return paths


#: years after set-up at which the parts are told, whatever the forecast's horizon
PART_YEARS = (20, 30)
#: groups of boards told together; the residual is what the residual gain adds to all of them
PART_GROUPS = {
    "plates": ("top", "top_braces", "bridge", "back", "back_braces", "sides"),
    "blocks": ("blocks",),
    "joint": ("joint",),
    "root": ("root",),
}
RESIDUAL = "residual"


def lasting_by_part(
    scenario: Scenario, coefficients: Coefficients, draws: Draws, lags_pct: Array, heat: Array, weights: PartWeights
) -> tuple[Array, Array]:
    """Lasting rise of the saddle over the fret plane, mm, (part of PART_GROUPS and RESIDUAL, year of PART_YEARS), of
    the middle guitar of an ensemble: every unknown at its median, in one weather whose last year goes on for ever. And
    what the neck's bow would add to the action at the 12th fret, mm (year,), were the truss rod never turned.

    lags_pct (lag, days + 1), heat (days,): as lasting.creep_history takes them; weights: of that weather's draws."""
    since = day_of(scenario, scenario.setup.setup)
    at = since + np.append(0, np.round(np.array(PART_YEARS) * DAYS_PER_YEAR)).astype(np.intp)
    days = _days(lags_pct.shape[1], int(at[-1]) + 1)
    never_turned = replace(scenario, work=())
    going_on = creep_history(never_turned, lags_pct[:, days], heat[_days(heat.size, int(at[-1]))], at)
    values = {name: np.array([float(np.median(value))]) for name, value in draws.values.items()}
    mean = {part: weight.mean(axis=0)[None] for part, weight in weights.mean.items()}
    gain, pivot = float(values["residual_gain"][0]), pivot_of(scenario.instrument)
    pull = {quantity: lasting_pull_n(scenario, values, quantity)[0] for quantity in LASTING}
    rises = []
    for groups in PART_GROUPS.values():
        shares = {
            quantity: {key: own for key, own in creeping_shares(coefficients, quantity).items() if key[0] in groups}
            for quantity in RISING
        }
        moved = creep_by_component(going_on, shares, mean, values)
        whole = {quantity: np.zeros((1, at.size)) + pull[quantity] / gain * path for quantity, path in moved.items()}
        rises.append(saddle_rise_mm(whole, pivot)[0, 1:])
    bow = pull[BOW] * creep_by_component(going_on, {BOW: creeping_shares(coefficients, BOW)}, mean, values)[BOW][0, 1:]
    return np.array([*rises, (gain - 1.0) * np.sum(rises, axis=0)]), bow


def _days(known: int, wanted: int) -> NDArray[np.intp]:
    """Numbers of `wanted` days of which the first `known` are there: after those, the last year again and again."""
    day = np.arange(wanted)
    year = min(YEAR_DAYS, known)
    return np.where(day < known, day, known - year + (day - known) % year)
