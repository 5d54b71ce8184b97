"""Units as they stood at the end of a month: when each was regraded, and how they collapse to cohorts and cells.

Rows that the model cannot tell apart are counted together."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from driftmodel.base.arrays import distinct_rows
from driftmodel.base.schema import Array, Flags, Integers
from driftmodel.fleet.exposure import Spells
from driftmodel.fleet.passage import Cell
from driftmodel.fleet.roster import REGRADE, Fleet, Months, Units, last_claimed, regraded_unclaimed, reported
from driftmodel.fleet.tables import NONE


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

    def part(self, rows: NDArray[np.intp]) -> Cohorts:
        """The cohorts of one cell, so that a worker is sent no more than it needs."""
        own = {name: getattr(self, name)[rows] for name in (*_KINDS, "count", "cell")}
        return Cohorts(of_row=np.empty(0, dtype=np.int64), cells=(), **own)


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


@dataclass(frozen=True)
class Histories:
    """units: as they stood, `regraded` the month of the last report. first: (unit rows,) month of the first one, NONE
    if never. row, begin, stop: (gaps,) unit row and months of two reports that follow each other. told: (regions,
    designs) regrades in these histories since the claims begin; claimed: (months, regions, designs) regrade claims by
    month of report, from month `since` on, None where the fleet keeps no claims."""

    units: Units
    first: Months
    row: Integers
    begin: Months
    stop: Months
    since: int
    told: Array
    claimed: Array | None


def histories(fleet: Fleet, cutoff: int) -> Histories:
    """The histories known at the end of month `cutoff`; sales after it are a plan.

    A unit's claims are its history where claims name it; its last regrade counts as another where it is later than the
    last of them by more than a job takes, and as the only one where no claim names the unit."""
    units, claims = fleet.units, fleet.claims
    chosen = (claims.unit != NONE) & (claims.disposition == REGRADE) & (claims.report <= cutoff)
    row, month = claims.unit[chosen].astype(np.int64), claims.report[chosen].astype(np.int64)
    own = regraded_unclaimed(units, last_claimed(units, claims, chosen), fleet.settings.habits.job_lag_months)
    apart = np.flatnonzero(own & (units.regraded <= cutoff))
    row, month = np.append(row, apart), np.append(month, units.regraded[apart].astype(np.int64))
    kept = month >= units.sale[row]
    row, month = row[kept], month[kept]
    order = np.lexsort((month, row))
    row, month = row[order], month[order]
    begins = np.ones(row.size, dtype=bool)
    begins[1:] = row[1:] != row[:-1]
    ends = np.append(begins[1:], True)[: row.size]
    first, final = (np.full(units.count.size, NONE, dtype=np.int32) for _ in range(2))
    first[row[begins]], final[row[ends]] = month[begins], month[ends]
    after = np.flatnonzero(~begins)
    since = _since(fleet, cutoff)
    shape = (len(fleet.regions), len(fleet.designs))
    told = np.zeros(shape)
    late = month >= since
    np.add.at(told, (units.region[row[late]], units.design[row[late]]), units.count[row[late]])
    claimed = None
    if fleet.settings.files.claims is not None:
        claimed = reported(fleet, since, cutoff - since + 1)
    return Histories(
        replace(units, regraded=final, planned=units.planned | (units.sale > cutoff)),
        first,
        row[after],
        month[after - 1].astype(np.int32),
        month[after].astype(np.int32),
        since,
        told,
        claimed,
    )


def _since(fleet: Fleet, cutoff: int) -> int:
    """First month whose claims are kept."""
    sold = int(fleet.units.sale[fleet.units.sale <= cutoff].min(initial=cutoff))
    return sold if fleet.claims_since == NONE else min(max(sold, fleet.claims_since), cutoff)


def between(past: Histories, cohorts: Cohorts) -> dict[int, Spells]:
    """Times between two regrades of a unit, by cell."""
    if past.row.size == 0:
        return {}
    units, row = past.units, past.row
    build, end = units.build[row].astype(np.int64), (units.sale + units.cover)[row].astype(np.int64)
    begin, stop, count = past.begin.astype(np.int64), past.stop.astype(np.int64), units.count[row].astype(float)
    cell = cohorts.cell[cohorts.of_row[row]]
    order = np.argsort(cell, kind="stable")
    there, first = np.unique(cell[order], return_index=True)
    return {
        int(at): Spells(build[own], begin[own], stop[own], end[own], count[own])
        for at, own in zip(there.tolist(), np.split(order, first[1:]), strict=True)
    }
