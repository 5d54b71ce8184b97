"""Houses differ: what a draw's own room does to the lags, as a few rows more beside the median room's.

The median room runs hour by hour. A draw's room differs from it by little and slowly. In one year of a climate, in
steps of a day, many rooms are tried (`room_basis`): from them come the few whose mixes all others are, and the share
of each few for any value of the unknowns. Whatever days are run after that, only the few are (`home_drivers`): the
difference of their equilibrium moisture content, with what a damper or warmer room's faster moisture adds to it, drives
lags that stand in a few rows (`node_rows`). `mix` says what each row weighs for one of the few and a lag. So a draw's
moisture is weights @ rows, as before, with a few columns of weights more (`room_weights`). Nothing that is to come
changes what is said of a day, and each home that is lived in has rooms and unknowns of its own."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations_with_replacement

import numpy as np

from driftmodel.base.arrays import first_order_recursion
from driftmodel.base.keeping import Memory, fingerprint
from driftmodel.base.records import Climate, Scenario
from driftmodel.base.schema import Array, Dataset, Flags
from driftmodel.climate.history import lived_in_turn
from driftmodel.climate.place_air import record_span
from driftmodel.climate.room import drawn_room, lasting_air, switched_on
from driftmodel.climate.room_fit import fitted
from driftmodel.climate.room_moisture import house_numbers
from driftmodel.outlook.calendar import day_of
from driftmodel.outlook.draws import WIDEST_SD, home_unknowns, is_held, own_name
from driftmodel.outlook.rooms import STEP_DAYS, Days, home_drivers, outdoor_days, place_drivers
from driftmodel.outlook.wood_air import paces
from driftmodel.wood import sorption

#: rooms tried in a year of a climate, how far out, and how many of them are run elsewhere
TRIED, TRIED_SD, FEW = 120, 1.3, 10
#: blocks of that year whose lasting air tells rooms apart, and how little the fit of their shares is held back
BLOCKS, RIDGE = 36, 1e-4
CHUNK = 256  # draws whose shares are found together: as many as stay close to the processor
#: rows kept for thin and for thick parts of each climate
ROWS = (16, 14)
#: lags that weigh in thin and in thick parts, days
WEIGH_DAYS = ((0.15, 20.0), (0.7, 500.0))
#: hours of a climate that its rooms are tried in
BASIS_HOURS = 8760


@dataclass(frozen=True)
class RoomShares:
    """How a room is a mix of the few of its home. unknowns: (name in the draws, spread of its logarithm); there: the
    climate; outdoors: air of the blocks of its year, temperature, vapour density and whether a humidifier is on,
    (block,) each; shares: what the share of each few is made of, (feature, few)."""

    unknowns: tuple[tuple[str, float], ...]
    there: Climate
    outdoors: tuple[Array, Array, Flags]
    shares: Array

    def terms(self, factors: Mapping[str, Array], count: int) -> Array:
        """The share of each of the few in the rooms of draws, (count, few): none in the median's. Factors that are
        missing are the median's, far ones WIDEST_SD away."""
        away = np.zeros((count, len(self.unknowns)))
        for at, (name, log_sd) in enumerate(self.unknowns):
            if name in factors:
                away[:, at] = np.clip(np.log(factors[name]) / log_sd, -WIDEST_SD, WIDEST_SD)
        parts = np.array_split(away, -(-count // CHUNK))
        return np.concatenate(
            [_features(part, self.unknowns, self.there, self.outdoors) @ self.shares for part in parts]
        )


@dataclass(frozen=True)
class RoomBasis:
    """The rooms of one home: shares as above; few: the factors of the rooms that are run. gather makes rows of their
    lags that weigh, mix all lags of the rows: of thin and of thick parts, (few, lag, row)."""

    shares: RoomShares
    few: tuple[dict[str, float], ...]
    gather: tuple[Array, Array]
    mix: tuple[Array, Array]


def _features(
    away: Array, unknowns: tuple[tuple[str, float], ...], there: Climate, outdoors: tuple[Array, Array, Flags]
) -> Array:
    """What tells rooms so many standard deviations away from the median's, (room, feature): how much damper wood would
    be if each block of the year lasted, which holds all that is crooked in them, and the low powers of the unknowns."""
    assert there.room is not None
    own, numbers = [own_name(name) for name, _ in unknowns], house_numbers()
    spread = np.array([log_sd for _, log_sd in unknowns])
    factors = np.exp(np.concatenate([np.zeros((1, len(own))), away]) * spread)[:, :, None]
    room = drawn_room(there.room, dict(zip(own, factors.swapaxes(0, 1), strict=True)))
    warm, damp = lasting_air(outdoors[0], outdoors[1], room, there.humidifier, outdoors[2], numbers)
    emc = sorption.equilibrium_moisture_content(warm, np.clip(damp, 1.0, 99.0))
    # in the measure in which the answer is most nearly straight: half-way from vapour itself to its logarithm
    at = np.where([name.startswith("excess") for name in own], np.expm1(away * spread / 2.0) * 2.0 / spread, away)
    powers = [at[:, term].prod(axis=1) for order in (1, 2, 3)
              for term in map(list, combinations_with_replacement(range(len(own)), order))]  # fmt: skip
    return np.concatenate([emc[1:] - emc[0], np.stack(powers, axis=1)], axis=1)


@dataclass(frozen=True)
class RoomRows:
    """Rows of lags that stand for a draw's own room: thin parts' rows first, then thick parts'.

    homes: how rooms are mixed in each home, whose few are the terms; mix: (term, lag, row); thin: number of rows of
    thin parts."""

    homes: tuple[RoomShares, ...]
    mix: Array
    thin: int

    @property
    def unknowns(self) -> tuple[tuple[str, float], ...]:
        """(name, spread of its logarithm) of all homes."""
        return tuple(dict.fromkeys(unknown for home in self.homes for unknown in home.unknowns))

    def terms(self, factors: Mapping[str, Array], count: int) -> Array:
        """The terms of draws, (count, term)."""
        return np.concatenate([home.terms(factors, count) for home in self.homes], axis=1)


def room_weights(weights: Array, rooms: RoomRows, terms: Array) -> Array:
    """Weights (..., draws, lag) on the median room's lags made weights (..., draws, lag + row) on all rows, for terms
    of these draws, (draws, term)."""
    extra = np.zeros((*weights.shape[:-1], rooms.mix.shape[2]))
    for at in range(terms.shape[1]):
        extra += terms[:, [at]] * (weights @ rooms.mix[at])
    return np.concatenate([weights, extra], axis=-1)


_bases: Memory[RoomBasis] = Memory(32)


def room_basis(climate: Climate, scenario: Scenario, grid: Array) -> RoomBasis | None:
    """The few rooms of a climate's houses, from a year of it (its record, where shorter) at the reference speed; None
    where nothing is unknown of them.

    scenario: how its wood remembers. The same however long the run is and wherever else it goes."""
    setup = scenario.setup
    spreads = tuple((name, one.log_sd) for name, one in home_unknowns(scenario, climate).items() if one.log_sd > 0.0)
    built = (setup.built_relative_humidity_pct, setup.built_temperature_c)
    key = fingerprint(climate, spreads, built, scenario.hysteresis, grid, paces(scenario.instrument))
    return _bases.of(key, lambda: _basis(climate, scenario, spreads, grid)) if spreads else None


def _basis(climate: Climate, scenario: Scenario, unknowns: tuple[tuple[str, float], ...], grid: Array) -> RoomBasis:
    away = _tries(len(unknowns))
    spread = np.array([log_sd for _, log_sd in unknowns])
    factors = [dict(zip([own_name(name) for name, _ in unknowns], row, strict=True))
               for row in np.exp(away * spread).tolist()]  # fmt: skip
    start, hours = record_span(climate)
    time, *outdoors = outdoor_days(climate, start, max(2 * STEP_DAYS, min(hours, BASIS_HOURS) // 24))
    drivers = place_drivers(climate, scenario, factors, time, *outdoors)
    spent = np.full(drivers.shape[2] - 1, float(STEP_DAYS))
    felt = [step_lags(each, spent, grid[own]).reshape(len(away), -1)
            for each, own in zip(drivers.swapaxes(0, 1), _weighing(grid), strict=True)]  # fmt: skip
    alike = felt[0] @ felt[0].T + felt[1] @ felt[1].T
    few = _most_unlike(alike)
    share = np.linalg.lstsq(alike[np.ix_(few, few)], alike[few], rcond=1e-12)[0].T  # of each few in the rooms tried
    there = fitted(climate)
    on = np.ones(len(time), bool) if there.humidifier is None else switched_on(time, there.humidifier)
    warm, density, wet = (np.array([part.mean() for part in np.array_split(each, BLOCKS)]) for each in (*outdoors, on))
    blocks = (warm, density, wet > 0.5)
    features = _features(away, unknowns, there, blocks)
    scale = np.sqrt((features**2).mean(axis=0)) + 1e-9
    known = features / scale
    ridge = RIDGE * len(known) * np.eye(known.shape[1])
    shares = np.linalg.solve(known.T @ known + ridge, known.T @ share) / scale[:, None]
    # rows are chosen for what mixes of the few do over the rooms tried
    usual = np.linalg.cholesky(share.T @ share / len(share) + 1e-9 * np.eye(len(few))).T
    gather: list[Array] = []
    mix: list[Array] = []
    for each, all_felt, count in zip(drivers.swapaxes(0, 1), felt, ROWS, strict=True):
        known = all_felt[few].reshape(len(few), -1)
        mixed = (usual @ known).reshape(-1, drivers.shape[2])
        kept = np.asarray(np.linalg.svd(mixed, full_matrices=False)[0], dtype=float)[:, :count]
        gather.append(np.asarray(usual.T @ kept.reshape(len(few), -1)).reshape(len(few), -1, count))
        whole = step_lags(each[few], spent, grid).reshape(-1, drivers.shape[2])
        told = np.asarray(np.linalg.lstsq((kept.T @ mixed).T, whole.T, rcond=1e-9)[0].T, dtype=float)
        mix.append(told.reshape(len(few), grid.size, count))
    few_factors = tuple(factors[each] for each in few)
    mixed_by = RoomShares(unknowns, there, blocks, shares)
    return RoomBasis(mixed_by, few_factors, (gather[0], gather[1]), (mix[0], mix[1]))


def _tries(unknowns: int) -> Array:
    """Standard deviations of the rooms tried, (room, unknown): evenly filled, and both ends of each unknown alone."""
    from scipy.special import ndtri

    ratio = 2.0
    for _ in range(40):  # x^(unknowns + 1) = x + 1: the most even of such sequences
        ratio = (1.0 + ratio) ** (1.0 / (unknowns + 1))
    even = (0.5 + np.outer(np.arange(1, TRIED + 1), ratio ** -np.arange(1.0, unknowns + 1))) % 1.0
    ends = np.concatenate([side * WIDEST_SD * np.eye(unknowns) for side in (-1.0, 1.0)])
    return np.concatenate([np.clip(TRIED_SD * ndtri(even), -WIDEST_SD, WIDEST_SD), ends])


def _most_unlike(alike: Array) -> list[int]:
    """The rooms that the others are most nearly mixes of, from products of all with all: one by one the least told."""
    chosen: list[int] = []
    left, least = alike, 1e-9 * max(float(np.diag(alike).max()), 1e-30)
    while len(chosen) < FEW and np.diag(left).max() > least:
        far = int(np.diag(left).argmax())
        chosen.append(far)
        left = left - np.outer(left[:, far], left[far]) / left[far, far]
    return chosen


def _weighing(grid: Array) -> list[Flags]:
    """The lags that weigh in thin and in thick parts: the rows of the others are told by theirs."""
    return [(grid >= low) & (grid <= high) for low, high in WEIGH_DAYS]


def open_climates(scenario: Scenario) -> list[Climate]:
    """The climates lived in whose rooms are in question, each once."""
    lived_in = dict.fromkeys(stay.climate for stay in lived_in_turn(scenario) if not is_held(stay.climate))
    return [each for each in lived_in if any(one.log_sd > 0.0 for one in home_unknowns(scenario, each).values())]


def room_rows(air: Dataset, speeds: list[Array], scenario: Scenario, grid: Array) -> tuple[RoomRows, Array] | None:
    """The rows (row, days + 1) that stand for other rooms than the median's along one hourly air, and their mix.

    None where no room of the scenario is in question, or the air does not carry what is outdoors."""
    if "outdoor_temperature" not in air:
        return None
    nodes = nodes_of(air, scenario)
    bases = ((climate, room_basis(climate, scenario, grid)) for climate in open_climates(scenario))
    parts = [(basis, home_drivers(air, scenario, climate, basis.few, nodes)) for climate, basis in bases if basis]
    spent = [np.add.reduceat(speed.reshape(-1, 24).mean(axis=1), nodes[:-1]) for speed in speeds]
    if not parts:
        return None
    rooms, told = node_rows(parts, spent, grid)
    return rooms, daily_rows(told, nodes, int(nodes[-1]))


def nodes_of(air: Dataset, scenario: Scenario) -> Days:
    """Days of an air between which its steps lie, from its first to its last: every STEP_DAYS of the calendar, whatever
    day a run or its set-up falls on, and the day of each move and the day after, (step + 1,)."""
    days = air.sizes["time"] // 24
    calendar = np.arange(-air["time"].values[0].astype("datetime64[D]").astype(np.int64) % STEP_DAYS, days, STEP_DAYS)
    moves = [day_of(scenario, stay.start) + after for stay in lived_in_turn(scenario)[1:] for after in (0, 1)]
    return np.unique(np.concatenate([calendar, [day for day in moves if 0 < day < days], [0, days]]).astype(np.int64))


def node_rows(
    parts: Sequence[tuple[RoomBasis, Array]], spent: Sequence[Array] | Array, grid: Array
) -> tuple[RoomRows, Array]:
    """Drivers of each basis' few (few, 2, step + 1) at nodes as rows of lags, (row, step + 1): their sum is what is
    told. spent: days of moisture movement in each step, of thin and of thick parts."""
    mix = np.zeros((sum(len(basis.few) for basis, _ in parts), 2 * grid.size, len(parts) * sum(ROWS)))
    rows, row, weighing = [], 0, _weighing(grid)
    for half in (0, 1):
        term = 0
        for basis, drivers in parts:
            few, count = len(basis.few), basis.mix[half].shape[2]
            mix[term : term + few, half * grid.size : (half + 1) * grid.size, row : row + count] = basis.mix[half]
            lags = step_lags(drivers[:, half], spent[half], grid[weighing[half]]).reshape(-1, drivers.shape[2])
            rows.append(basis.gather[half].reshape(-1, count).T @ lags)
            term, row = term + few, row + count
    return RoomRows(tuple(basis.shares for basis, _ in parts), mix, len(parts) * ROWS[0]), np.concatenate(rows)


def rows_from_node(told: Array, basis: RoomBasis, drivers: Array, spent: Array, grid: Array, node: int) -> Array:
    """Rows at the nodes from `node` on, where houses are all alike up to there: what `told` has of them, less what is
    left of the lags they had by then."""
    left = np.zeros((len(told), told.shape[1] - node))
    for half, own in enumerate(_weighing(grid) if node else ()):
        had = step_lags(drivers[:, half, : node + 1], spent[half][:node], grid[own])[:, :, -1]
        passed = np.append(0.0, np.cumsum(spent[half][node:]))
        rows = slice(half * ROWS[0], ROWS[0] + half * ROWS[1])
        left[rows] = np.einsum("fl,flr->rl", had, basis.gather[half]) @ np.exp(-passed / grid[own][:, None])
    return told[:, node:] - left


def daily_rows(told: Array, nodes: Days, days: int) -> Array:
    """Rows at nodes (row, node) on every day, (row, days + 1), straight between."""
    day = np.arange(days + 1)
    before = np.clip(np.searchsorted(nodes, day, side="right") - 1, 0, len(nodes) - 2)
    share = np.clip((day - nodes[before]) / np.diff(nodes)[before], 0.0, 1.0)
    daily = told[:, before]
    daily += share * (told[:, before + 1] - daily)
    return daily


def step_lags(drivers: Array, spent_days: Array, grid: Array) -> Array:
    """First-order lags of drivers (series, step + 1), straight between steps, from rest: (series, lag, step + 1).

    spent_days: (step,) days of moisture movement at the reference speed in each step; grid: time constants in days."""
    x = spent_days[:, None] / grid[None, :]
    keep = np.exp(-x)
    mean = -np.expm1(-x) / x
    old, new = mean - keep, 1.0 - mean
    states = np.zeros((drivers.shape[0], grid.size, drivers.shape[1]))
    for lag in range(grid.size):
        pushed = old[:, [lag]] * drivers.T[:-1] + new[:, [lag]] * drivers.T[1:]
        states[:, lag, 1:] = first_order_recursion(keep[:, lag], pushed).T
    return states
