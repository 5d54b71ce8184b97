"""Every number a demand forecast's outputs show, taken once from the one sample cube."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from driftmodel.base.arrays import ratio
from driftmodel.base.schema import QUANTILES, Array, DataFrame, Integers
from driftmodel.fleet import planner_tables, stock
from driftmodel.fleet.backtest import Backtest
from driftmodel.fleet.cell_demand import IN
from driftmodel.fleet.demand import NO_GRADE, Demand
from driftmodel.fleet.money import Money, sampled_money
from driftmodel.fleet.roster import places, reported
from driftmodel.fleet.tables import NONE, month_label
from driftmodel.report.pictures import MONTHS

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


Band = tuple[float, float, float]
YEAR = 12
MOST_DUE = 200
PAST_MONTHS = 36
MOST_MONTHS_DRAWN, MOST_ROWS = 36, 24


@dataclass(frozen=True)
class DemandBook:
    """monthly: tidy frame, a row a month x region x design with `level` fleet, region, design or region x design.
    ahead: name -> (P10, P50, P90) of the sum over the next `span` months; busiest: (month, band of its regrades).
    roll, rates, due, multipliers, prices, what_ifs: rows as the engine gives them; spares: by service centre.
    sales: by year of sale; remaining: band of the cost still to come of units sold so far, to the end of their cover;
    budget: by fiscal year; reserve: by region and design; not_yet_reported: mean and band of the whole fleet.
    backtest: None unless it was run."""

    demand: Demand
    monthly: DataFrame
    span: int
    ahead: dict[str, Band]
    busiest: tuple[str, Band]
    roll: list[dict[str, Any]]
    remaining: Band
    rates: list[dict[str, Any]]
    due: list[dict[str, Any]]
    spares: list[stock.Centre]
    sales: SaleYears
    multipliers: list[dict[str, Any]]
    not_yet_reported: float
    not_yet_reported_band: Band
    budget: list[dict[str, Any]]
    reserve: list[dict[str, Any]]
    backtest: Backtest | None = None
    prices: list[dict[str, Any]] = field(default_factory=list)
    what_ifs: list[dict[str, Any]] = field(default_factory=list)

    @property
    def stock(self) -> list[dict[str, Any]]:
        """Rows of all centres."""
        return [row for centre in self.spares for row in centre.rows]

    @property
    def waiting_everywhere(self) -> dict[str, Any]:
        """The row of the whole fleet under those of `multipliers`: due and not yet reported."""
        band = zip(("", "_p10", "_p50", "_p90"), (self.not_yet_reported, *self.not_yet_reported_band), strict=True)
        return {"region": "all", "design": "all"} | {f"not_yet_reported{point}": value for point, value in band}

    @property
    def currency(self) -> str:
        return str(self.demand.fleet.settings.currency)

    @property
    def months(self) -> list[str]:
        return [str(month) for month in self.demand.cube["month"].values]

    @property
    def piece_columns(self) -> list[str]:
        return [name for name in self.monthly.columns if name.startswith("pieces_")]


def demand_book(
    demand: Demand,
    backtest: Backtest | None = None,
    prices: Sequence[dict[str, Any]] = (),
    what_ifs: Sequence[dict[str, Any]] = (),
) -> DemandBook:
    """All numbers of a forecast, ready to be written. Nothing here is drawn anew."""
    months = demand.cube.sizes["month"]
    span = min(YEAR, months)
    money = sampled_money(demand)
    monthly = monthly_frame(demand, money)
    every = monthly[monthly["level"] == "fleet"].head(span)
    top = every.iloc[int(every["regrades_mean"].to_numpy().argmax())]
    return DemandBook(
        demand=demand,
        monthly=monthly,
        span=span,
        ahead={name: _band(values) for name, values in ahead_samples(demand, money, span).items()},
        busiest=(str(top["month"]), (top["regrades_p10"], top["regrades_p50"], top["regrades_p90"])),
        roll=planner_tables.roll_forward(demand, money),
        remaining=_band(money.remaining),
        rates=planner_tables.rate_table(demand, money),
        due=planner_tables.who_is_due(demand, MOST_DUE),
        spares=stock.spares(demand),
        sales=sale_years(demand),
        multipliers=planner_tables.multiplier_table(demand),
        not_yet_reported=float(planner_tables.not_yet_reported(demand).sum()),
        not_yet_reported_band=_band(demand.cube["not_yet_reported"].values.sum(axis=(1, 2), dtype=float)),
        budget=planner_tables.budget(demand, money),
        reserve=planner_tables.reserve_table(demand, money),
        backtest=backtest,
        prices=list(prices),
        what_ifs=list(what_ifs),
    )


def monthly_frame(demand: Demand, money: Money) -> DataFrame:
    """The engine's monthly table with the level of each row and the currency; totals first."""
    import pandas as pd

    frame = pd.DataFrame(planner_tables.monthly_table(demand, money)).rename(
        columns={f"pieces_{NO_GRADE}": "pieces_no_grade"}
    )
    of_region, of_design = frame["region"] != "all", frame["design"] != "all"
    level = np.select([of_region & of_design, of_region, of_design], ["region x design", "region", "design"], "fleet")
    frame.insert(1, "level", level)
    frame["currency"] = demand.fleet.settings.currency
    order = {name: at for at, name in enumerate(("fleet", "region", "design", "region x design"))}
    frame = frame.sort_values("level", key=lambda names: names.map(order), kind="stable").reset_index(drop=True)
    return frame.round(6)


def ahead_samples(demand: Demand, money: Money, span: int) -> dict[str, Array]:
    """Sums over the next `span` months and the whole fleet, (samples,) each: summed sample by sample, never ranked."""
    by_cover = demand.cube["regrades"].values[:, :span].sum(axis=(1, 2, 3, 4), dtype=float)  # sample, cover
    columns = {"seasonal": demand.cube["seasonal"].values, "hours": money.hours, "cost": money.cost}
    return {"regrades": by_cover.sum(axis=-1), "in_cover": by_cover[..., IN], "out_of_cover": by_cover[..., 1 - IN]} | {
        name: values[:, :span].sum(axis=(1, 2, 3), dtype=float) for name, values in columns.items()
    }


def places_ahead(demand: Demand, span: int) -> list[tuple[str, str, float, Band]]:
    """(region, design, units sold, band of all regrades) summed over the next `span` months, the most first."""
    cube = demand.cube["regrades"].values[:, :span].sum(axis=(1, 4, 5), dtype=float)  # sample, region, design
    sold = (demand.expected.at_risk + demand.expected.regraded)[..., 0]
    rows = [(region, design, float(sold[r, d]), _band(cube[:, r, d])) for r, region, d, design in places(demand.fleet)]
    return sorted(rows, key=lambda row: -row[3][1])


def _band(values: Array) -> Band:
    low, middle, high = (float(each) for each in np.quantile(values, QUANTILES))
    return low, middle, high


def fan(demand: Demand) -> tuple[list[str], Array, Array]:
    """(months, quantiles 10 25 50 75 90 of all regrades (5, months), median of those in cover (months,))."""
    cube = demand.cube["regrades"].values.sum(axis=(2, 3, 4), dtype=float)  # sample, month, cover
    bands = np.quantile(cube.sum(axis=-1), (0.1, 0.25, 0.5, 0.75, 0.9), axis=0)
    return [str(month) for month in demand.cube["month"].values], bands, np.median(cube[..., IN], axis=0)


def past_reports(demand: Demand) -> tuple[list[str], Array]:
    """(months, regrade claims reported in each) up to the cut-off, as far back as claims are kept."""
    fleet = demand.fleet
    if fleet.claims.report.size == 0:
        return [], np.empty(0)
    since = fleet.claims_since if fleet.claims_since != NONE else int(fleet.claims.report.min())
    start = max(since, demand.cutoff - PAST_MONTHS + 1)
    count = reported(fleet, start, demand.cutoff - start + 1).sum(axis=(1, 2))
    return [month_label(start + step) for step in range(count.size)], count


@dataclass(frozen=True)
class Heat:
    """table: expected regrades (rows, columns). names: of rows; starts: first month of a column; step: its months."""

    names: list[str]
    starts: list[str]
    step: int
    table: Array


def heat(demand: Demand) -> Heat:
    """A row a region and design, or a region if those are too many, the smallest together when they too are more than
    MOST_ROWS; a column a month, or twelve when there are more than MOST_MONTHS_DRAWN."""
    mean = demand.cube["regrades"].values.mean(axis=0).sum(axis=(3, 4))  # month, region, design
    starts = [str(month) for month in demand.cube["month"].values]
    step = 1
    if len(starts) > MOST_MONTHS_DRAWN:
        step = YEAR
        mean, starts = np.add.reduceat(mean, np.arange(0, len(starts), YEAR), axis=0), starts[::YEAR]
    regions, designs = demand.fleet.regions, demand.fleet.designs
    if len(regions) * len(designs) <= MOST_ROWS:
        names = [f"{region}, {design}" if len(designs) > 1 else region for region in regions for design in designs]
        return Heat(names, starts, step, mean.reshape(len(starts), -1).T)
    table = mean.sum(axis=2).T
    if len(regions) <= MOST_ROWS:
        return Heat(list(regions), starts, step, table)
    order = np.argsort(-table.sum(axis=1), kind="stable")
    first, rest = order[: MOST_ROWS - 1], order[MOST_ROWS - 1 :]
    names = [*(regions[i] for i in first), f"{rest.size} other regions"]
    return Heat(names, starts, step, np.vstack([table[first], table[rest].sum(axis=0)]))
