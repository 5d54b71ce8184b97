"""What the instrument did by given moments: moisture of every part and creep, for any draw, from a small table.

Everything that is slow depends on three unknowns only, those of moisture transport (wood, bare face, finish). Moisture
at given moments is a smooth function of their logarithms; it is computed by the forecast's own code on a grid of
Chebyshev points and interpolated (tests hold it to the exact chain). All else is products and stays exact.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import date
from types import MappingProxyType

import numpy as np
from numpy.typing import NDArray

from driftmodel.base import library
from driftmodel.base.records import Scenario
from driftmodel.base.schema import PARTS
from driftmodel.outlook.calendar import day_of
from driftmodel.outlook.draws import WIDEST_SD, Draws, unknowns_of
from driftmodel.outlook.lasting import (
    LASTING,
    THICK_PART,
    THIN_PART,
    creep_history,
    give_of,
    heat_of_days,
    moisture_met,
)
from driftmodel.outlook.moisture import REFERENCE_C, REFERENCE_PCT, Lags, PartWeights, part_weights
from driftmodel.structure.records import Coefficients
from driftmodel.wood import diffusion, sorption

Array = NDArray[np.float64]

TRANSPORT = ("diffusion", "surface", "film")
#: Chebyshev points along each of TRANSPORT
POINTS = (7, 5, 7)
#: rows of every moisture table that move something: the mean of each part, then the gradient through each plate
ROWS = (*PARTS, "top_gradient", "back_gradient")
#: rows after them that are only weighed: what plates and braces hold, whose movement relaxes
HELD = ("top", "top_braces", "back", "back_braces")


@dataclass(frozen=True)
class Table:
    """Weights of the parts on the lags at the grid's nodes, (rows, nodes, lag), for moisture level 1."""

    weights: Array
    time_constants_days: Array


@dataclass(frozen=True)
class CreepSight:
    """Creep since set-up of the quantities of LASTING, per N: by_wood and by_joint (quantity, moments), per_range
    (quantity, part) for the range of moisture met as a fraction, met (part, nodes, moments) for moisture level 1."""

    by_wood: Array
    by_joint: Array
    per_range: Array
    met: Array

    def columns(self, which: slice | NDArray[np.intp]) -> CreepSight:
        """The same at some of the moments."""
        return replace(
            self, by_wood=self.by_wood[:, which], by_joint=self.by_joint[:, which], met=self.met[:, :, which]
        )

    def times(self, factor: float) -> CreepSight:
        """All creep so many times as large."""
        return replace(
            self, by_wood=factor * self.by_wood, by_joint=factor * self.by_joint, per_range=factor * self.per_range
        )


@dataclass(frozen=True)
class Sight:
    """moisture (rows, nodes, moments): change since set-up in % MC, for moisture level 1, rows as ROWS then HELD;
    weather (modes, rows, moments): directions in which the weather may have been otherwise, one standard deviation
    each."""

    moisture: Array
    creep: CreepSight
    weather: Array

    def columns(self, which: slice) -> Sight:
        """The same at some of the moments."""
        return Sight(self.moisture[:, :, which], self.creep.columns(which), self.weather[:, :, which])


def chebyshev(points: int) -> Array:
    """Chebyshev points of the first kind on -WIDEST_SD..WIDEST_SD, where the draws lie."""
    place: Array = WIDEST_SD * np.cos(np.pi * (np.arange(points) + 0.5) / points)
    return place


def lagrange(at: Array, nodes: Array) -> Array:
    """Values (n, nodes) at `at` (n,) of the polynomials that are 1 on one node and 0 on the others."""
    result = np.ones((at.size, nodes.size))
    for one in range(nodes.size):
        for other in range(nodes.size):
            if other != one:
                result[:, one] *= (at - nodes[other]) / (nodes[one] - nodes[other])
    return result


def on_nodes(normals: Array) -> Array:
    """Interpolation weights (n, nodes) for standard normal values of TRANSPORT (n, 3)."""
    one, two, three = (lagrange(normals[:, axis], chebyshev(points)) for axis, points in enumerate(POINTS))
    return np.asarray(np.einsum("ni,nj,nk->nijk", one, two, three).reshape(len(normals), -1))


def make_table(scenario: Scenario) -> Table:
    """The table of one instrument."""
    unknowns = unknowns_of(scenario)
    mesh = np.meshgrid(*(chebyshev(points) for points in POINTS), indexing="ij")
    values = {
        name: unknowns[name].median * np.exp(unknowns[name].log_sd * place.ravel())
        for name, place in zip(TRANSPORT, mesh, strict=True)
    }
    count = mesh[0].size
    values["moisture_level"] = np.ones(count)
    nodes = Draws(MappingProxyType(values), np.zeros(count), np.zeros(count, dtype=np.intp))
    grid = diffusion.time_grid()
    return Table(rows_of(part_weights(scenario.instrument, nodes, grid)), grid)


def rows_of(weights: PartWeights) -> Array:
    """Weights of all parts as one array (rows, draws, lag) in the order of ROWS."""
    gradients = [weights.gradient["top"], weights.gradient["back"]]
    return np.stack([*(weights.mean[part] for part in PARTS), *gradients])


# ---- moments -------------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Moment:
    """When to look: the mean over `days` from a day on (1: noon of that day), after some hours in other air."""

    day: date
    days: int = 1
    hours_at_bench: float = 0.0
    temperature_c: float = 20.0
    relative_humidity_pct: float = 50.0


def states_at(
    moments: tuple[Moment, ...], lags: Lags, acting: Array, air_daily: tuple[Array, Array], scenario: Scenario
) -> Array:
    """Lags at the moments, (2, lag, moments): those that act (see movement.acting_lags), then those held.

    air_daily: daily mean temperature and humidity of the history. A moment is noon of its day. If the instrument lay at
    the bench before, the lags stand where they were that many hours earlier and go on in the bench's air:
    F + (E - F)(1 - exp(-speed hours / time constant)), E the bench's equilibrium with the memory (relative offset) the
    wood had, the speed that of the bench's temperature and E. What hours change acts in full.
    """
    columns = []
    for moment in moments:
        if moment.days > 1:
            first = day_of(scenario, moment.day)
            span = slice(first, first + moment.days)
            columns.append(np.stack([acting[:, span].mean(axis=1), lags.lags_pct[:, span].mean(axis=1)]))
            continue
        at = _at_noon(moment, lags.lags_pct, scenario)
        held = _settled(moment, at, lags, air_daily, scenario)
        columns.append(np.stack([_at_noon(moment, acting, scenario) + held - at, held]))
    return np.stack(columns, axis=2)


def _at_noon(moment: Moment, lags_pct: Array, scenario: Scenario) -> Array:
    place = day_of(scenario, moment.day) + 0.5 - moment.hours_at_bench / 24.0
    place = min(max(place, 0.0), lags_pct.shape[1] - 1.0)
    before = min(int(place), lags_pct.shape[1] - 2)
    share = place - before
    return np.asarray((1.0 - share) * lags_pct[:, before] + share * lags_pct[:, before + 1])


def _settled(moment: Moment, state: Array, lags: Lags, air_daily: tuple[Array, Array], scenario: Scenario) -> Array:
    if moment.hours_at_bench <= 0.0:
        return state
    temperature, humidity = air_daily
    day = min(day_of(scenario, moment.day), temperature.size - 1)
    emc = sorption.equilibrium_moisture_content
    memory = lags.emc_pct[day] / float(emc(temperature[day], humidity[day]))
    target = memory * float(emc(moment.temperature_c, moment.relative_humidity_pct))
    speed = diffusion.rate_factor(
        moment.temperature_c,
        target,
        library.general("diffusion_activation_energy").value * 1000.0,
        library.general("diffusion_moisture_exponent").value,
        REFERENCE_C,
        float(emc(REFERENCE_C, REFERENCE_PCT)),
    )
    taus = np.tile(lags.time_constants_days, 2)
    return np.asarray(target + (state - target) * np.exp(-speed * moment.hours_at_bench / 24.0 / taus))


def creep_path(
    scenario: Scenario, coefficients: Coefficients, lags: Lags, temperature_c: Array, table: Table
) -> CreepSight:
    """Creep of every day from set-up on, from hourly temperature (hours,) and the lags of the same air."""
    days = np.arange(day_of(scenario, scenario.setup.setup), lags.lags_pct.shape[1])
    history = creep_history(scenario, lags.lags_pct, heat_of_days(temperature_c), days)
    gives = [give_of(history, coefficients.string_shares[quantity]) for quantity in LASTING]
    parts = (THIN_PART, THICK_PART)
    return CreepSight(
        np.stack([give.wood for give in gives]),
        np.stack([give.joint for give in gives]),
        np.array([[give.by_moisture[part] for part in parts] for give in gives]),
        np.stack([moisture_met(history, table.weights[ROWS.index(part)]).astype(np.float32) for part in parts]),
    )


def creep_at(path: CreepSight, moments: tuple[Moment, ...], scenario: Scenario) -> CreepSight:
    """The mean of a daily creep over the days of each moment."""
    last = path.by_wood.shape[1] - 1
    found = []
    for moment in moments:
        first = min(max((moment.day - scenario.setup.setup).days, 0), last)
        found.append(path.columns(slice(first, first + moment.days)))
    return replace(
        path,
        by_wood=np.stack([one.by_wood.mean(axis=1) for one in found], axis=1),
        by_joint=np.stack([one.by_joint.mean(axis=1) for one in found], axis=1),
        met=np.stack([one.met.mean(axis=2) for one in found], axis=2).astype(float),
    )
