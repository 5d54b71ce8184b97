"""Regrades by age and by year of sale: what came, from the units table, and what is expected."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from driftmodel.base.arrays import ratio
from driftmodel.base.types import Array, Integers
from driftmodel.fleet.tables import NONE
from driftmodel.report.pictures import MONTHS

if TYPE_CHECKING:
    from driftmodel.fleet.demand import Demand

AGE_STEP = 6  # months of age that share a rate
LEAST_WATCHED = 30  # a rate from fewer units is not drawn; own choice, no source
FEW_YEARS = 4  # up to so many calendar years are told apart by quarters


@dataclass(frozen=True)
class AgeRates:
    """events, unit_years: (steps,) of AGE_STEP months since sale, all sales together. cumulative: sale year -> (age in
    months (n,), regrades per 1000 units by that age (n,)), the mean cumulative function (Nelson 1988)."""

    events: Array
    unit_years: Array
    cumulative: dict[int, tuple[Array, Array]]


def age_rates(demand: Demand) -> AgeRates:
    """Regrades by age since sale, from the roster: a unit's last regrade, or none, up to the cut-off."""
    units, cutoff = demand.fleet.units, demand.cutoff
    sold = ~units.planned & (units.sale <= cutoff)
    sale, count = units.sale[sold], units.count[sold]
    last = units.regraded[sold]
    done = last != NONE
    span = int(cutoff - sale.min(initial=cutoff)) + 1
    event = np.bincount((last - sale)[done], count[done], span)
    watched = np.bincount(cutoff - sale, count, span)[::-1].cumsum()[::-1]  # unit-months lived at each month of age
    steps = -(-span // AGE_STEP)
    padded = [
        np.pad(each, (0, steps * AGE_STEP - span)).reshape(steps, AGE_STEP).sum(axis=1) for each in (event, watched)
    ]
    cumulative = {}
    for year in np.unique(sale // 12):
        mine = sale // 12 == year
        seen = np.bincount((cutoff - sale)[mine], count[mine], span)[::-1].cumsum()[::-1]
        came = np.bincount((last - sale)[mine & done], count[mine & done], span)
        kept = seen >= LEAST_WATCHED
        if kept.any():
            rate = 1000.0 * np.cumsum(came[kept] / seen[kept])
            cumulative[int(year)] = (np.arange(1.0, rate.size + 1.0), rate)
    return AgeRates(padded[0], padded[1] / 12.0, cumulative)


@dataclass(frozen=True)
class SaleYears:
    """Regrades by year of sale and calendar time. years, sold: (rows,) of sale, and units of it, planned ones too;
    edges: (columns + 1,) month numbers; known: columns that lie before the cut-off; rate: (rows, columns) regrades in
    the column for each 1000 units of the row, NaN where none of them is sold yet."""

    years: Integers
    sold: Array
    edges: Integers
    known: int
    rate: Array

    @property
    def names(self) -> list[str]:
        """Columns in words: '2024', or 'Jan-Jun 2026' for less than a year."""
        return [_span_words(int(first), int(end)) for first, end in zip(self.edges[:-1], self.edges[1:], strict=True)]


def sale_years(demand: Demand) -> SaleYears:
    """Left of the cut-off what came, from each unit's last regrade (one before it is not known); right of it what is
    expected: the physics' share of each year of sale in the cube's mean, month by month, region by region, design by
    design. A column is a calendar year, or a quarter when there are few, cut at the cut-off."""
    cohorts, expected, start = demand.cohorts, demand.expected, demand.cutoff + 1
    mean = np.moveaxis(demand.cube["regrades"].values.mean(axis=0).sum(axis=(3, 4)), 0, 2)  # region, design, month
    physics = (expected.first + expected.repeat).sum(axis=(3, 4))
    ahead = np.einsum("rdym,rdm->ym", expected.cohort, ratio(mean, physics))
    end = start + mean.shape[2]
    year = cohorts.sale // 12 - expected.first_sale_year
    sold = np.bincount(year, cohorts.count, len(ahead))
    first = 12 * expected.first_sale_year
    step = 12 if (end - 1) // 12 - expected.first_sale_year + 1 > FEW_YEARS else 3
    edges = np.union1d(np.arange(first, end, step), [start, end])
    known = int(np.searchsorted(edges, start))
    table = np.zeros((len(ahead), edges.size - 1))
    table[:, known:] = np.add.reduceat(ahead, edges[known:-1] - start, axis=1)
    done = cohorts.regraded != NONE
    column = np.searchsorted(edges, cohorts.regraded[done], side="right") - 1
    np.add.at(table, (year[done], column), cohorts.count[done])
    years = expected.first_sale_year + np.arange(len(ahead))
    table = np.where(edges[1:] > 12 * years[:, None], 1000.0 * table / np.maximum(sold, 1.0)[:, None], np.nan)
    kept = (sold > 0.0) & (12 * years < end)
    return SaleYears(years[kept], sold[kept], edges, known, table[kept])


def _span_words(first: int, end: int) -> str:
    year, last = first // 12, end - 1
    if (first % 12, end - first) == (0, 12):
        return str(year)
    months = MONTHS[first % 12] + (f"–{MONTHS[last % 12]}" if last > first else "")
    return f"{months} {year}"
