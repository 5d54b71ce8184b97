"""Houses differ: what a draw's own room does to the lags, as a few rows more beside the median room's.

The median room runs hour by hour. A draw's room differs from it by little and slowly, so a handful of rooms (NODES)
run in steps of a day; the difference of their equilibrium moisture content, some days at a time, is fitted by a low
polynomial in the room's unknowns (TERMS), whose lags are first-order recursions of those values, straight between.
What the terms' lags have in common in a year of a climate is kept in a few rows (`room_basis`), whatever days are run
and however many: nothing that is to come changes what is said of a day. `mix` says what each row weighs
for a term and a lag. So a draw's moisture is weights @ rows, as before, with a few columns of weights more
(`room_weights`).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import combinations_with_replacement
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from driftmodel.base.keeping import Memory, fingerprint
from driftmodel.base.records import Climate, Room, Scenario
from driftmodel.climate.enclosure import case_daily
from driftmodel.climate.history import climate_air, lived_in_turn
from driftmodel.climate.humid_air import saturation_density_g_m3
from driftmodel.climate.place_air import record_span
from driftmodel.climate.room import drawn_room, moisture_flows, room_heat, switched_on
from driftmodel.climate.room_fit import fitted
from driftmodel.climate.room_moisture import HouseNumbers, house_numbers
from driftmodel.outlook.calendar import day_of
from driftmodel.outlook.draws import ROOM_WORDS, Unknown, is_held, room_lived_in, room_unknowns
from driftmodel.wood import sorption

if TYPE_CHECKING:
    from xarray import Dataset

Array = NDArray[np.float64]

STEP_DAYS = 3
#: the unknowns multiplied in each term: all of first and second order
TERMS: tuple[tuple[str, ...], ...] = tuple(
    term for order in (1, 2) for term in combinations_with_replacement(ROOM_WORDS, order)
)
#: rooms run, in standard deviations of their unknowns in the order of ROOM_WORDS: along each, and at corners
NODES = np.array(
    [
        (-1.4, 0, 0, 0), (1.7, 0, 0, 0), (0, -1.4, 0, 0), (0, 1.7, 0, 0), (0, 0, -1.5, 0), (0, 0, 1.5, 0),
        (0, 0, 0, -1.5), (0, 0, 0, 1.5), (1.2, 1.2, 0, 0), (1.2, 0, 1.2, 0), (1.2, 0, 0, -1.2), (0, 1.2, 1.2, 0),
        (0, 1.2, 0, 1.2), (0, 0, 1.2, -1.2), (-1, -1, -1, 1), (1.4, 1.4, 0.6, -0.6),
    ]
)  # fmt: skip
#: what the terms' series have in common, kept as so many
SERIES = 7
#: rows kept for thin and for thick parts of each climate: they hold all but a thousandth of what the terms do
ROWS = 12
#: hours of a climate that its rows are found from
BASIS_HOURS = 8760
#: beyond it the polynomial is not trusted; one draw in eighty lies there
WIDEST_SD = 2.5


@dataclass(frozen=True)
class RoomRows:
    """Rows of lags that stand for a draw's own room: thin parts' rows first, then thick parts'.

    unknowns: (name, spread of its logarithm); mix: (term, lag, row); thin: number of rows of thin parts."""

    unknowns: tuple[tuple[str, float], ...]
    mix: Array
    thin: int


def _node_factors(unknowns: tuple[tuple[str, float], ...]) -> dict[str, Array]:
    """The unknowns of the rooms that are run, (node,) each."""
    far = dict(zip(ROOM_WORDS, NODES.T, strict=True))
    return {name: np.exp(log_sd * far[name]) for name, log_sd in unknowns}


def _node_terms(unknowns: tuple[tuple[str, float], ...]) -> Array:
    """The terms at the rooms that are run, (node, term)."""
    return term_values(unknowns, _node_factors(unknowns), len(NODES))


def term_values(unknowns: tuple[tuple[str, float], ...], factors: Mapping[str, Array], count: int) -> Array:
    """The terms for each draw, (count, term); factors that are missing are the median's, far ones WIDEST_SD away."""
    moved = {
        name: _coordinate(name, np.clip(factors[name], np.exp(-WIDEST_SD * log_sd), np.exp(WIDEST_SD * log_sd)))
        for name, log_sd in unknowns
        if name in factors
    }
    result = np.zeros((count, len(TERMS)))
    for at, term in enumerate(TERMS):
        if set(term) <= set(moved):
            result[:, at] = np.prod([moved[name] for name in term], axis=0)
    return result


def _coordinate(name: str, factor: Array) -> Array:
    """What the answer is nearly linear in: vapour itself, the logarithm of a warmth."""
    return factor - 1.0 if name.startswith("excess") else np.log(factor)


def room_weights(weights: Array, rooms: RoomRows, terms: Array) -> Array:
    """Weights (draws, lag) on the median room's lags made weights (draws, lag + row) on all rows, for terms of
    these draws, (draws, term)."""
    extra = np.zeros((len(weights), rooms.mix.shape[2]))
    for at in range(terms.shape[1]):
        if terms[:, at].any():
            extra += terms[:, [at]] * (weights @ rooms.mix[at])
    return np.concatenate([weights, extra], axis=1)


@dataclass(frozen=True)
class RoomBasis:
    """What the terms have in common: share of each term's own series in a few, (term, series), and the rows that the
    lags of those stand on, (series, lag, row)."""

    share: Array
    lags: Array


_bases: Memory[RoomBasis] = Memory(32)


def room_basis(climate: Climate, scenario: Scenario, unknowns: Mapping[str, Unknown], grid: Array) -> RoomBasis:
    """The few rows for a climate's houses, from a year of it (its record, where shorter) at the reference speed.

    scenario: how its wood remembers. The same however long the run is and wherever else it goes."""
    setup, spreads = scenario.setup, _spreads(unknowns)
    key = fingerprint(climate, spreads, setup.built_relative_humidity_pct, scenario.hysteresis, grid)

    def make() -> RoomBasis:
        from scipy.linalg import eigh  # some of the eigenvectors in a seventh of the time of all

        usual = _usual(spreads)
        drivers = usual * _year_of_drivers(climate, scenario, unknowns)
        common = np.linalg.eigh(drivers @ drivers.T)[1][:, -SERIES:]  # eigh puts the largest last
        spent = np.full(drivers.shape[1] - 1, float(STEP_DAYS))
        flat = step_lags(common.T @ drivers, spent, grid).reshape(SERIES * grid.size, -1)
        rows = eigh(flat @ flat.T, subset_by_index=[len(flat) - ROWS, len(flat) - 1])[1]
        return RoomBasis(common / usual, rows.reshape(SERIES, grid.size, ROWS))

    return _bases.of(key, make)


def _usual(spreads: tuple[tuple[str, float], ...]) -> Array:
    """How large each term usually is, (term, 1)."""
    return np.asarray(np.maximum(np.sqrt((_node_terms(spreads) ** 2).mean(axis=0)), 1e-9)[:, None])


def _year_of_drivers(climate: Climate, scenario: Scenario, unknowns: Mapping[str, Unknown]) -> Array:
    start, hours = record_span(climate)
    bare = replace(climate, room=None, humidifier=None, case=None)
    air = climate_air(bare, start, max(24, min(hours, BASIS_HOURS) // 24 * 24))
    warm, damp = (air[name].values for name in ("air_temperature", "relative_humidity"))
    density = damp / 100.0 * saturation_density_g_m3(warm)
    by_day = (values.reshape(-1, 24).mean(axis=1) for values in (warm, density))
    return place_drivers(climate, scenario, unknowns, air["time"].values[::24], *by_day)


def _spreads(unknowns: Mapping[str, Unknown]) -> tuple[tuple[str, float], ...]:
    return tuple((name, unknown.log_sd) for name, unknown in unknowns.items())


def room_rows(air: Dataset, speeds: list[Array], scenario: Scenario, grid: Array) -> tuple[RoomRows, Array] | None:
    """The rows (row, days + 1) that stand for other rooms than the median's along one hourly air, and their mix.

    None where no room of the scenario is in question, or the air does not carry what is outdoors.
    """
    unknowns = room_unknowns(room_lived_in(scenario))
    if not unknowns or "outdoor_temperature" not in air:
        return None
    first = day_of(scenario, scenario.setup.setup) % STEP_DAYS
    drivers = term_drivers(air, scenario, unknowns, first)
    days = air.sizes["time"] // 24
    spent = [np.add.reduceat(speed.reshape(-1, 24).mean(axis=1)[first:], np.arange(0, days - first, STEP_DAYS))
             for speed in speeds]  # fmt: skip
    parts = [
        (room_basis(climate, scenario, unknowns, grid), drivers * lived_in)
        for climate, lived_in in _climates_of_steps(scenario, first, drivers.shape[1])
    ]
    return as_rows(_spreads(unknowns), parts, spent, grid, first, days)


def _climates_of_steps(scenario: Scenario, first: int, count: int) -> list[tuple[Climate, NDArray[np.bool_]]]:
    """Each climate whose houses differ, and which of `count` steps from day `first` on it is answerable for: a held
    place stands in what the place before has left in the wood."""
    stays = lived_in_turn(scenario)
    begins = [day_of(scenario, stay.start) for stay in stays]
    open_to = [(begin, stay.climate) for begin, stay in zip(begins, stays, strict=True) if not is_held(stay.climate)]
    at = first + STEP_DAYS * np.arange(count)
    place = np.searchsorted([begin for begin, _ in open_to], at + STEP_DAYS - 1, side="right") - 1
    known = [climate for _, climate in open_to]
    return [
        (climate, np.isin(place, [n for n, other in enumerate(known) if other == climate]))
        for climate in dict.fromkeys(known)
    ]


def as_rows(
    unknowns: tuple[tuple[str, float], ...],
    parts: Sequence[tuple[RoomBasis, Array]],
    spent: list[Array],
    grid: Array,
    first: int,
    days: int,
) -> tuple[RoomRows, Array]:
    """Drivers of the terms (term, step + 1) at days `first`, `first` + STEP_DAYS, ... as few rows of lags, those of
    each climate on its own basis: their sum is what is told."""
    usual, wide = _usual(unknowns), len(parts) * ROWS
    mix = np.zeros((len(TERMS), 2, grid.size, 2, wide))
    rows = np.zeros((2, wide, len(spent[0]) + 1))
    for at, (basis, drivers) in enumerate(parts):
        here = slice(at * ROWS, (at + 1) * ROWS)
        series = (usual * basis.share).T @ (usual * drivers)
        on = basis.lags.reshape(SERIES * grid.size, ROWS)
        own = np.tensordot(basis.share, basis.lags, axes=1)
        for half in (0, 1):
            mix[:, half, :, half, here] = own
            rows[half, here] = on.T @ step_lags(series, spent[half], grid).reshape(SERIES * grid.size, -1)
    steps = first + STEP_DAYS * np.arange(rows.shape[2])
    daily = np.stack([np.interp(np.arange(days + 1), steps, row) for row in rows.reshape(2 * wide, -1)])
    return RoomRows(unknowns, mix.reshape(len(TERMS), 2 * grid.size, 2 * wide), wide), daily


def step_lags(drivers: Array, spent_days: Array, grid: Array) -> Array:
    """First-order lags of drivers (term, step + 1), straight between steps, from rest: (term, lag, step + 1).

    spent_days: (step,) days of moisture movement at the reference speed in each step; grid: time constants in days."""
    x = spent_days[:, None] / grid[None, :]
    keep = np.exp(-x)
    mean = -np.expm1(-x) / x
    old, new = mean - keep, 1.0 - mean
    states = np.zeros((drivers.shape[1], drivers.shape[0], grid.size))
    pushed = old[:, None, :] * drivers.T[:-1, :, None] + new[:, None, :] * drivers.T[1:, :, None]
    for step in range(drivers.shape[1] - 1):
        np.multiply(keep[step], states[step], out=states[step + 1])
        states[step + 1] += pushed[step]
    return np.moveaxis(states, 0, -1)


def term_drivers(air: Dataset, scenario: Scenario, unknowns: Mapping[str, Unknown], first: int) -> Array:
    """Equilibrium moisture content of each term every STEP_DAYS from `first` on, (term, step + 1), percent."""
    stays = lived_in_turn(scenario)
    begins = [day_of(scenario, stay.start) for stay in stays]
    days = air.sizes["time"] // 24
    daily = {
        name: air[name].values[: 24 * days].reshape(days, 24).mean(axis=1)
        for name in ("air_temperature", "relative_humidity", "outdoor_temperature", "outdoor_vapour_density")
    }
    spreads = _spreads(unknowns)
    given, numbers = _node_factors(spreads), house_numbers()
    factors = [{name: 1.0 for name in given}]
    factors += [{name: float(values[node]) for name, values in given.items()} for node in range(len(NODES))]
    temperature, humidity = (np.tile(daily[name], (len(factors), 1)) for name in list(daily)[:2])
    time = air["time"].values[: 24 * days : 24]
    for stay, begin, end in zip(stays, begins, [*begins[1:], days], strict=True):
        part = slice(min(begin, days), min(end, days))
        if part.stop > part.start and not is_held(stay.climate):
            outdoors = (daily["outdoor_temperature"][part], daily["outdoor_vapour_density"][part])
            found = [_daily_air(fitted(stay.climate), factor, time[part], *outdoors, numbers) for factor in factors]
            for at, (warm, damp) in enumerate(found):
                temperature[at, part] += warm - found[0][0]
                humidity[at, part] += damp - found[0][1]
    moves = [begin for begin in begins[1:] if first < begin < days]
    return _fitted(_step_emc(temperature, np.clip(humidity, 1.0, 99.0), scenario, first, moves), spreads)


def place_drivers(
    climate: Climate,
    scenario: Scenario,
    unknowns: Mapping[str, Unknown],
    time: NDArray[np.datetime64],
    outdoor_c: Array,
    density: Array,
) -> Array:
    """The same for one climate over days of outdoor air (day,): what lives that begin in different months share."""
    spreads = _spreads(unknowns)
    given, numbers = _node_factors(spreads), house_numbers()
    factors = [{name: 1.0 for name in given}]
    factors += [{name: float(values[node]) for name, values in given.items()} for node in range(len(NODES))]
    there = fitted(climate)
    found = [_daily_air(there, factor, time, outdoor_c, density, numbers) for factor in factors]
    warm, damp = (np.stack(each) for each in zip(*found, strict=True))
    return _fitted(_step_emc(warm, np.clip(damp, 1.0, 99.0), scenario, 0), spreads)


def _daily_air(
    climate: Climate,
    factors: Mapping[str, float],
    time: NDArray[np.datetime64],
    outdoor_c: Array,
    density: Array,
    numbers: HouseNumbers,
) -> tuple[Array, Array]:
    """Temperature and humidity (day,) of a climate's room as drawn, in its case if it has one."""
    assert climate.room is not None
    room: Room = drawn_room(climate.room, factors)
    heat = room_heat(outdoor_c, room, step_hours=24.0, numbers=numbers)
    wet = climate.humidifier
    on = None if wet is None else switched_on(time, wet)
    flows = moisture_flows(outdoor_c, density, heat, room, wet, on, 24.0, numbers)
    damp = 100.0 * flows.density_g_m3 / saturation_density_g_m3(heat.temperature_c)
    if climate.case is None:
        return heat.temperature_c, damp
    return case_daily(heat.temperature_c, damp, climate.case, time)


def _step_emc(temperature: Array, humidity: Array, scenario: Scenario, first: int, moves: Sequence[int] = ()) -> Array:
    """Equilibrium moisture content every STEP_DAYS from `first` on, (room, step + 1): the mean of the steps beside."""
    starts = np.arange(0, temperature.shape[1] - first, STEP_DAYS)
    lengths = np.diff(np.append(starts, temperature.shape[1] - first))
    warm, damp = (np.add.reduceat(values[:, first:], starts, axis=1) / lengths for values in (temperature, humidity))
    law = sorption.history_with_hysteresis if scenario.hysteresis else sorption.history_without_hysteresis
    memory = sorption.memory_at_middle(scenario.setup.built_relative_humidity_pct)
    steps = np.stack([law(t, h, memory=memory, steps_per_day=1) for t, h in zip(warm, damp, strict=True)])
    ends = np.concatenate([steps[:, :1], steps, steps[:, -1:]], axis=1)
    middle = np.asarray((ends[:, 1:] + ends[:, :-1]) / 2.0)
    for move in moves:  # nothing of a place is felt before the day it is moved to
        node = (move - first) // STEP_DAYS
        middle[:, node] = ends[:, node]
    return middle


def _fitted(emc: Array, spreads: tuple[tuple[str, float], ...]) -> Array:
    """The terms' own series, (term, step + 1), that fit the rooms run best; emc: (median and nodes, step + 1)."""
    return np.asarray(np.linalg.pinv(_node_terms(spreads)) @ (emc[1:] - emc[0]))
