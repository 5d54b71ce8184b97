"""Units collapse to cohorts, cohorts to cells: rows that the model cannot tell apart are counted together."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from driftmodel.base.arrays import distinct_rows
from driftmodel.base.schema import Array, Flags, Integers
from driftmodel.fleet.passage import Cell
from driftmodel.fleet.roster import Fleet, Units
from driftmodel.fleet.tables import NONE

Months = NDArray[np.int32]


@dataclass(frozen=True)
class Cohorts:
    """Distinct kinds of units, (cohorts,) each; fields as in roster.Units, first: month of the first regrade, NONE if
    there was none. of_row: (unit rows,) cohort of each row. cell: (cohorts,) index into cells."""

    region: Months
    exposure: Months
    design: Months
    build: Months
    sale: Months
    cover: Months
    regraded: Months
    first: Months
    count: Integers
    planned: Flags
    cell: Integers
    of_row: Integers
    cells: tuple[Cell, ...]


_KINDS = ("region", "exposure", "design", "build", "sale", "cover", "regraded", "first", "planned")


def cohorts_of(fleet: Fleet, units: Units | None = None, first: Months | None = None) -> Cohorts:
    """The fleet's units as cohorts; splitting a row into two changes nothing here. first: (unit rows,) month of the
    first regrade, where it is not the last."""
    units = fleet.units if units is None else units
    given = {name: getattr(units, name) for name in _KINDS if name != "first"}
    given["first"] = units.regraded if first is None else first
    kinds, of_row = distinct_rows(*(given[name] for name in _KINDS))
    count = np.bincount(of_row, units.count, kinds.size).astype(np.int64)
    columns = {name: given[name][kinds] for name in _KINDS}
    place = (columns["region"].astype(np.int64) * len(fleet.exposures) + columns["exposure"]) * 12
    place = (place + columns["build"] % 12) * len(fleet.designs) + columns["design"]
    cells_there, cell = np.unique(place, return_inverse=True)
    cells = tuple(_cell(fleet, int(kind)) for kind in cells_there)
    return Cohorts(count=count, cell=cell, of_row=of_row, cells=cells, **columns)


def _cell(fleet: Fleet, kind: int) -> Cell:
    kind, design = divmod(kind, len(fleet.designs))
    kind, month = divmod(kind, 12)
    region, exposure = divmod(kind, len(fleet.exposures))
    climate = fleet.settings.regions[fleet.regions[region]].climates[fleet.exposures[exposure]]
    return Cell(fleet.regions[region], climate, fleet.exposures[exposure], fleet.designs[design], month + 1)


def known_at(units: Units, cutoff: int) -> Units:
    """The roster as it stood at the end of an earlier month: later sales are a plan, later regrades unknown."""
    later = np.where(units.regraded > cutoff, NONE, units.regraded).astype(np.int32)
    return replace(units, regraded=later, planned=units.planned | (units.sale > cutoff))


def in_cover(cohorts: Cohorts, shape: tuple[int, int], start: int, months: int, chosen: Flags | None = None) -> Array:
    """Units sold and in cover at the start of each month from `start` on, (regions, designs, months), of the cohorts
    chosen, of all if None."""
    kept = slice(None) if chosen is None else chosen
    sale, count = cohorts.sale[kept], cohorts.count[kept]
    change = np.zeros((*shape, months + 1))
    begin = np.clip(sale - start, 0, months)
    end = np.maximum(begin, np.clip(sale + cohorts.cover[kept] - start, 0, months))
    np.add.at(change, (cohorts.region[kept], cohorts.design[kept], begin), count)
    np.add.at(change, (cohorts.region[kept], cohorts.design[kept], end), -count)
    return np.cumsum(change, axis=2)[:, :, :months]


def cover_left(fleet: Fleet, cutoff: int, months: int) -> int:
    """Months until the last unit sold by the end of the forecast's months is out of cover."""
    sold = fleet.units.sale <= cutoff + months
    end = int((fleet.units.sale + fleet.units.cover)[sold].max(initial=cutoff))
    return max(end - cutoff - 1, 0)
