"""What cover of a given length costs for a unit still to be sold, and what another build, use or place makes of it.

A notional year of sales, alike in every region and design, is followed to the end of its cover under the hazard as the
claims have moved it. Two worlds share every random number but what sets them apart, so their difference is taken future
by future."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from driftmodel.base.arrays import only, ratio
from driftmodel.base.schema import BAND, Array, Integers
from driftmodel.base.workers import Crew
from driftmodel.fleet.cell_demand import IN
from driftmodel.fleet.claims import seasonal_expected
from driftmodel.fleet.cohorts import cohorts_of, histories, in_cover
from driftmodel.fleet.demand import AT_ONCE, Demand
from driftmodel.fleet.future import one_future, parts_of, reports
from driftmodel.fleet.money import JobLaws, job_laws
from driftmodel.fleet.passage import Cell, CellPassages
from driftmodel.fleet.physics import OutlookPassages, World, usual_cover
from driftmodel.fleet.planner_tables import banded
from driftmodel.fleet.roster import Fleet, Units, places
from driftmodel.fleet.run import FleetDemand, remembered, run_cells, window_of
from driftmodel.fleet.tables import NONE

MOST_SAMPLES = 200  # futures a price is taken from
A_MONTH = 1000  # notional units sold a month in each region and design
STREAM = 10  # prices draw from their own stream of each sample
#: draws of a home whose days inside are told, and the least share of sales of one that counts
LIVED_DRAWS, LEAST_HOME = 32, 0.05


@dataclass(frozen=True)
class Prices:
    """cost, jobs: (samples, regions, designs) of one unit over its cover, means of that future; alone: (regions,
    designs) variance of one unit's cost about its future's mean; weight: (regions, designs) share of sales."""

    cover: int
    cost: Array
    jobs: Array
    alone: Array
    weight: Array

    def overall(self, values: Array) -> Array:
        """Mean over the places and designs sold to, (samples,)."""
        return np.asarray((values * self.weight).sum(axis=(-2, -1)))


def sales_of_a_year(fleet: Fleet) -> Integers:
    """Units sold in the last twelve months, (regions, designs); of all time where there were none."""
    table = np.zeros((len(fleet.regions), len(fleet.designs)), dtype=np.int64)
    units = fleet.units
    sold = ~units.planned & (units.sale > fleet.cutoff - 12)
    chosen = sold if sold.any() else np.ones(sold.size, dtype=bool)
    np.add.at(table, (units.region[chosen], units.design[chosen]), units.count[chosen])
    return table


def _care(fleet: Fleet, world: World) -> Array:
    """Share of each exposure among a region's owners, (regions, exposures): as units are, moved as the world says."""
    units, there = fleet.units, fleet.settings.regions
    has = np.array([[name in there[region].climates for name in fleet.exposures] for region in fleet.regions])
    share = np.zeros((len(fleet.regions), len(fleet.exposures)))
    np.add.at(share, (units.region, units.exposure), units.count)
    everywhere = np.where(has, np.maximum(share.sum(axis=0), 1e-9), 0.0)  # a new region is as the others are
    share = np.where(share.sum(axis=1, keepdims=True) > 0.0, share, everywhere)
    share = ratio(share, share.sum(axis=1, keepdims=True))
    for name, wanted in world.care:
        e = fleet.exposures.index(name)
        others = np.delete(np.arange(share.shape[1]), e)
        left = share[:, others].sum(axis=1)
        moved = has[:, e] & (left > 0.0)
        share[np.ix_(moved, others)] *= (1.0 - wanted) / left[moved, None]
        share[moved, e] = wanted
    return share


def _new_sales(fleet: Fleet, world: World, cover: int) -> Fleet:
    """The fleet with nothing but a year of notional sales, in every region and design alike, built in the months of the
    calendar in which the fleet was."""
    count = np.round(A_MONTH * _care(fleet, world)).astype(np.int64)
    region, exposure, design, month = (at.ravel() for at in np.indices((*count.shape, len(fleet.designs), 12)))
    number = count[region, exposure]
    kept = (number > 0) & np.isin((fleet.cutoff + 1 + month) % 12, fleet.units.build % 12)
    build = (fleet.cutoff + 1 + month)[kept].astype(np.int32)
    size = build.size
    units = Units(
        region[kept].astype(np.int32), exposure[kept].astype(np.int32), design[kept].astype(np.int32), build,
        (build + fleet.settings.habits.sale_lag_months).astype(np.int32), np.full(size, cover, np.int32),
        np.full(size, NONE, np.int32), np.zeros(size, np.int32), number[kept], np.ones(size, dtype=bool),
        np.full(size, NONE, np.int32),
    )  # fmt: skip
    return replace(fleet, units=units, claims=only(fleet.claims, slice(0)))


def prices(demand: Demand, world: World, cover: int, *, crew: Crew | None = None) -> Prices:
    """What one unit costs over so many months of cover, by region and design, in each of up to MOST_SAMPLES futures."""
    fleet, correction, cutoff = demand.fleet, demand.correction, demand.cutoff
    settings, laws = fleet.settings, job_laws(demand)
    new = _new_sales(fleet, world, cover)
    shape = (len(fleet.regions), len(fleet.designs))
    reach = 12 + settings.habits.sale_lag_months + cover
    past = histories(new, cutoff)
    window = window_of(new, cutoff, reach, past, lag=tuple(demand.lag.tolist()), waiting=demand.waiting)
    cohorts = cohorts_of(new)

    def run(function: CellPassages) -> FleetDemand:
        return run_cells(cohorts, function, window, shape, draws=settings.draws, seed=settings.seed, crew=crew)

    lives = [(run(function), share) for function, share in world.lives]
    in_parts = [(*parts_of(expected, window), expected.gaps, share) for expected, share in lives]
    calendar = np.arange(cutoff + 1, cutoff + 1 + reach)
    visits = seasonal_expected(new, in_cover(cohorts, shape, cutoff + 1, reach), cutoff + 1).sum(axis=2)
    units = np.zeros(shape)
    np.add.at(units, (cohorts.region, cohorts.design), cohorts.count)
    samples = min(settings.samples, MOST_SAMPLES)
    jobs, cost = np.empty((samples, *shape)), np.empty((samples, *shape))
    for start in range(0, samples, AT_ONCE):
        streams = [
            np.random.default_rng([settings.seed, i, STREAM]) for i in range(start, min(start + AT_ONCE, samples))
        ]
        drawn = [one_future(correction, calendar, demand.widening, random) for random in streams]
        effects, factors = (np.array([each[at] for each in drawn]) for at in (1, 2))
        every = np.broadcast_to(factors, (len(streams), *shape, reach))
        jobs[start : start + len(streams)] = sum(
            share * part[..., IN].sum(axis=1) / units
            for fresh, again, gaps, share in in_parts
            for part in reports(fresh, again, gaps, correction, cutoff, effects, every)
        )
        for place, random in enumerate(streams):
            means = laws.cost.draw(random), laws.visit_cost.draw(random)
            cost[start + place] = jobs[start + place] * means[0][:, None] + visits / units * means[1][:, None]
    return Prices(cover, cost, jobs, _alone(laws, jobs.mean(axis=0), visits / units), _sold_to(fleet, world))


def _sold_to(fleet: Fleet, world: World) -> Array:
    """Share of sales, (regions, designs): as in the last year, moved as the world says."""
    sold = sales_of_a_year(fleet)
    weight = ratio(sold, sold.sum())
    for name, share in world.places:
        r = fleet.regions.index(name)
        designs = ratio(sold.sum(axis=0), sold.sum())
        own = ratio(weight[r], weight[r].sum()) if weight[r].sum() > 0.0 else designs
        rest = weight.sum() - weight[r].sum()
        weight = weight * ratio(np.array(1.0 - share), np.array(rest))
        weight[r] = share * own
    return weight


def inside_days(fleet: Fleet, world: World, years: int) -> float | None:
    """Days a year inside the rule that owners of the design most sold live through, its homes by their shares; None
    where the passages are no forecast. Homes of less than LEAST_HOME are left out."""
    sold = _sold_to(fleet, world)
    design = int(sold.sum(axis=0).argmax())
    share = ratio(sold[:, [design]], sold[:, design].sum()) * _care(fleet, world)
    homes = np.argwhere(share >= LEAST_HOME).tolist()
    found = 0.0
    for function, of_them in world.lives:
        if not isinstance(function, OutlookPassages):
            return None
        for r, e in homes:
            region, exposure = fleet.regions[r], fleet.exposures[e]
            climate = fleet.settings.regions[region].climates[exposure]
            cell = Cell(region, climate, exposure, fleet.designs[design], (fleet.cutoff + 1) % 12 + 1)
            found += of_them * share[r, e] * function.lived_days(cell, years, LIVED_DRAWS, fleet.settings.seed)
    return found / float(sum(share[r, e] for r, e in homes)) if homes else None


def _alone(laws: JobLaws, jobs: Array, visits: Array) -> Array:
    """Variance of one unit's cost: a compound Poisson law of jobs and visits."""
    job, visit = (law.mean[:, None] ** 2 * (1.0 + 1.0 / law.shape) for law in (laws.cost, laws.visit_cost))
    return np.asarray(jobs * job + visits * visit)


def price_table(fleet: Fleet, found: Sequence[Prices]) -> list[dict[str, Any]]:
    """A row a length of cover, region and design, and all as sold in the last year ("all", "all"): jobs per 1000 units,
    cost of a unit with mean, P10 and P90 of its expectation over futures; common_share: of the variance of a year's
    sales there, how much all its units share, so that selling more does not take it away."""
    sold = sales_of_a_year(fleet)
    rows = []
    for each in found:
        every: list[tuple[str, str, Array, Array, float, float]] = [
            (region, design, each.cost[:, r, d], each.jobs[:, r, d], float(each.alone[r, d]), float(sold[r, d]))
            for r, region, d, design in places(fleet)
        ]
        alone = float(each.overall(each.alone))
        every.append(("all", "all", each.overall(each.cost), each.overall(each.jobs), alone, float(sold.sum())))
        for region, design, cost, jobs, own, many in every:
            common = float(cost.var())
            rows.append(
                {
                    "cover_months": each.cover, "region": region, "design": design,
                    "jobs_per_1000": 1000.0 * float(jobs.mean()), **banded("cost", cost, BAND),
                    "sold_last_year": int(many),
                    "common_share": common / (common + own / many) if many and common else 0.0,
                }
            )  # fmt: skip
    return rows


def what_if_table(
    demand: Demand, base: Prices, worlds: Sequence[tuple[World, Prices]], days: Sequence[float | None]
) -> list[dict[str, Any]]:
    """A row a world, and the one as it is first: jobs per 1000 units and cost of a unit over its cover, all as sold,
    and the difference to the world as it is, future by future, with P10 and P90; a_year: on a year's sales; days: a
    year inside the rule, by world, where they are known."""
    year = int(sales_of_a_year(demand.fleet).sum())
    rows = []
    plain = base.overall(base.cost)
    every = [("as it is", base), *((world.words, found) for world, found in worlds)]
    for (words, each), inside in zip(every, days, strict=True):
        cost, jobs = each.overall(each.cost), each.overall(each.jobs)
        apart = cost - plain
        rows.append(
            {
                "what_if": words, "cover_months": each.cover, "jobs_per_1000": 1000.0 * float(jobs.mean()),
                "cost_mean": float(cost.mean()), **banded("difference", apart, BAND),
                "difference_se": float(apart.std(ddof=1) / np.sqrt(apart.size)),
                "a_year": float(apart.mean()) * year,
            } | ({} if inside is None else {"inside_days": round(inside, 1)})
        )  # fmt: skip
    return rows


def priced(
    demand: Demand, function: CellPassages, worlds: Sequence[World] = (), *, crew: Crew | None = None
) -> tuple[list[dict[str, Any]], list[dict[str, Any]]]:
    """Rows of `price_table` for each length of cover in the fleet file, and of `what_if_table` where there are worlds:
    each against the fleet as it is, over the cover that most units have unless it says otherwise."""
    as_it_is, function = World(function), remembered(function, crew)
    plain, usual = World(function), usual_cover(demand.fleet)
    found = [prices(demand, plain, cover, crew=crew) for cover in demand.fleet.settings.policy_months]
    table = price_table(demand.fleet, found)
    if not worlds:
        return table, []
    base = next((each for each in found if each.cover == usual), None) or prices(demand, plain, usual, crew=crew)
    changed = [(world, prices(demand, world, world.cover or usual, crew=crew)) for world in worlds]
    years = -(-(demand.fleet.settings.habits.sale_lag_months + usual) // 12)
    days = [inside_days(demand.fleet, world, years) for world in (as_it_is, *worlds)]
    known = days if all(each is not None for each in days) else [None] * len(days)
    return table, what_if_table(demand, base, changed, known)
