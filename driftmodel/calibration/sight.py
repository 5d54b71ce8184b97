"""What the instrument did by given moments: moisture of every part and creep, for any draw, from a small table.

Everything that is slow depends on three unknowns only, those of moisture transport (wood, bare face, finish). Moisture
at given moments is a smooth function of their logarithms; it is computed by the forecast's own code on a grid of
Chebyshev points and interpolated (tests hold it to the exact chain). All else is products and stays exact.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from types import MappingProxyType

import numpy as np
from numpy.typing import NDArray

from driftmodel.base import library
from driftmodel.base.records import Scenario
from driftmodel.base.schema import PARTS
from driftmodel.outlook.calendar import day_of, string_load
from driftmodel.outlook.draws import WIDEST_SD, Draws, unknowns_of
from driftmodel.outlook.moisture import REFERENCE_C, REFERENCE_PCT, Lags, PartWeights, part_weights
from driftmodel.wood import creep, diffusion, sorption

Array = NDArray[np.float64]

TRANSPORT = ("diffusion", "surface", "film")
#: Chebyshev points along each of TRANSPORT
POINTS = (7, 5, 7)
#: rows of every moisture table: the mean of each part, then the gradient through each plate
ROWS = (*PARTS, "top_gradient", "back_gradient")


@dataclass(frozen=True)
class Table:
    """Weights of the parts on the lags at the grid's nodes, (rows, nodes, lag), for moisture level 1."""

    weights: Array
    time_constants_days: Array


@dataclass(frozen=True)
class Sight:
    """moisture (rows, nodes, moments): change since set-up in % MC, for moisture level 1; steady (moments,) and cycling
    (nodes, moments): creep since set-up, over elastic; weather (modes, rows, moments): directions in which the weather
    may have been otherwise, one standard deviation each."""

    moisture: Array
    steady: Array
    cycling: Array
    weather: Array


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
    unknowns = unknowns_of(scenario.instrument)
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


def states_at(moments: tuple[Moment, ...], lags: Lags, air_daily: tuple[Array, Array], scenario: Scenario) -> Array:
    """Lags at the moments (lag, moments). air_daily: daily mean temperature and humidity of the history.

    A moment is noon of its day. If the instrument lay at the bench before, the lags stand where they were that many
    hours earlier and go on in the bench's air: F + (E - F)(1 - exp(-speed hours / time constant)), E the bench's
    equilibrium with the memory (relative offset) the wood had, the speed that of the bench's temperature and E.
    """
    columns = [
        _settled(moment, _at_noon(moment, lags, scenario), lags, air_daily, scenario)
        if moment.days == 1
        else lags.lags_pct[:, (first := day_of(scenario, moment.day)) : first + moment.days].mean(axis=1)
        for moment in moments
    ]
    return np.stack(columns, axis=1)


def _at_noon(moment: Moment, lags: Lags, scenario: Scenario) -> Array:
    place = day_of(scenario, moment.day) + 0.5 - moment.hours_at_bench / 24.0
    place = min(max(place, 0.0), lags.lags_pct.shape[1] - 1.0)
    before = min(int(place), lags.lags_pct.shape[1] - 2)
    share = place - before
    return np.asarray((1.0 - share) * lags.lags_pct[:, before] + share * lags.lags_pct[:, before + 1])


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


def creep_paths(scenario: Scenario, lags: Lags) -> tuple[Array, Array]:
    """Creep since set-up, over elastic: Kelvin units (days,), and mechano-sorption on every lag (lag, days)."""
    load = string_load(scenario, lags.lags_pct.shape[1] - 1)
    times = [library.general(f"kelvin_time_{unit}").value for unit in range(1, 7)]
    compliances = [library.general(f"kelvin_compliance_{unit}").value for unit in range(1, 7)]
    steady = creep.kelvin_creep(load, times, compliances)
    travel = creep.moisture_travel(lags.lags_pct)
    cycling = creep.mechano_sorptive(load, travel, library.general("mechano_sorptive_rate").value)
    since = day_of(scenario, scenario.setup.setup)
    return steady - steady[since], cycling - cycling[:, [since]]


def top_share(weights: Array) -> Array:
    """Shares of the lags (draws, lag) that the top's moisture cycles are weighed with; weights as from rows_of."""
    top = weights[ROWS.index("top")]
    return np.asarray(top / top.sum(axis=1, keepdims=True))


def mean_of_days(path: Array, moments: tuple[Moment, ...], scenario: Scenario) -> Array:
    """A daily path (..., days) at the moments: (..., moments)."""
    columns = []
    for moment in moments:
        first = min(day_of(scenario, moment.day), path.shape[-1] - 1)
        columns.append(path[..., first : first + moment.days].mean(axis=-1))
    return np.stack(columns, axis=-1)
