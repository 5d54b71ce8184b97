"""Units collapse to cohorts, cohorts to cells: rows that the model cannot tell apart are counted together."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from driftmodel.fleet.passage import Cell
from driftmodel.fleet.roster import Fleet, Units
from driftmodel.fleet.tables import NONE

Months = NDArray[np.int32]


@dataclass(frozen=True)
class Cohorts:
    """Distinct kinds of units, (cohorts,) each; fields as in roster.Units. of_row: (unit rows,) cohort of each row.
    cell: (cohorts,) index into cells."""

    region: Months
    exposure: Months
    design: Months
    build: Months
    sale: Months
    cover: Months
    regraded: Months
    count: NDArray[np.int64]
    planned: NDArray[np.bool_]
    cell: NDArray[np.int64]
    of_row: NDArray[np.int64]
    cells: tuple[Cell, ...]


_KINDS = ("region", "exposure", "design", "build", "sale", "cover", "regraded", "planned")


def cohorts_of(fleet: Fleet, units: Units | None = None) -> Cohorts:
    """The fleet's units as cohorts; splitting a row into two changes nothing here."""
    units = fleet.units if units is None else units
    code = np.zeros(units.count.size, dtype=np.int64)
    for name in _KINDS:
        values = getattr(units, name).astype(np.int64)
        values = values - values.min(initial=0)
        wide = int(values.max(initial=0)) + 1
        if code.size and (int(code.max()) + 1) > (1 << 62) // wide:
            code = np.unique(code, return_inverse=True)[1]
        code = code * wide + values
    _, first, of_row = np.unique(code, return_index=True, return_inverse=True)
    count = np.bincount(of_row, units.count, first.size).astype(np.int64)
    columns = {name: getattr(units, name)[first] for name in _KINDS}
    place = (columns["region"].astype(np.int64) * len(fleet.exposures) + columns["exposure"]) * len(fleet.designs)
    place = (place + columns["design"]) * 12 + columns["build"] % 12
    kinds, cell = np.unique(place, return_inverse=True)
    cells = tuple(_cell(fleet, int(kind)) for kind in kinds)
    return Cohorts(count=count, cell=cell, of_row=of_row, cells=cells, **columns)


def _cell(fleet: Fleet, kind: int) -> Cell:
    kind, month = divmod(kind, 12)
    kind, design = divmod(kind, len(fleet.designs))
    region, exposure = divmod(kind, len(fleet.exposures))
    climate = fleet.settings.regions[fleet.regions[region]].climates[fleet.exposures[exposure]]
    return Cell(fleet.regions[region], climate, fleet.exposures[exposure], fleet.designs[design], month + 1)


def known_at(units: Units, cutoff: int) -> Units:
    """The roster as it stood at the end of an earlier month: later sales are a plan, later regrades unknown."""
    later = np.where(units.regraded > cutoff, NONE, units.regraded).astype(np.int32)
    return replace(units, regraded=later, planned=units.planned | (units.sale > cutoff))


def in_cover(cohorts: Cohorts, shape: tuple[int, int], start: int, months: int) -> NDArray[np.float64]:
    """Units sold and in cover at the start of each month from `start` on, (regions, designs, months)."""
    change = np.zeros((*shape, months + 1))
    begin = np.clip(cohorts.sale - start, 0, months)
    end = np.clip(cohorts.sale + cohorts.cover - start, 0, months)
    end = np.maximum(begin, end)
    np.add.at(change, (cohorts.region, cohorts.design, begin), cohorts.count)
    np.add.at(change, (cohorts.region, cohorts.design, end), -cohorts.count)
    return np.cumsum(change, axis=2)[:, :, :months]
