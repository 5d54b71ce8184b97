"""Hours and money of jobs: rates as stated, as claims have them, and what each sampled future's jobs come to.

One job's number is gamma about its region's mean, with a known shape. Then the gamma's rate is gamma again under claims
(Gelman et al. 2013, ch. 2), the mean is inverse gamma, and n jobs together are gamma with n times the shape."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray
from scipy.stats import gamma

from driftmodel.base.arrays import ratio
from driftmodel.base.schema import Array, Integers, Single
from driftmodel.fleet.cell_demand import IN
from driftmodel.fleet.roster import REGRADE, SEASONAL
from driftmodel.fleet.tables import NONE

if TYPE_CHECKING:
    from driftmodel.fleet.demand import Demand

LEAST_TOLD = 30  # below so many claims the stated spread of a job stands; own choice, no source
LEAST_SPREAD = 0.01  # of a job, where claims all say the same; own choice, no source
STREAM = 9  # money draws from its own stream of each sample


@dataclass(frozen=True)
class JobLaw:
    """One number of a job, hours or money, by region, (regions,): stated mean, which counts as `worth` jobs; told:
    claims that say it, and told_mean theirs, NaN without any; shape: of one job's gamma, 1 / its squared coefficient of
    variation."""

    stated: Array
    told: Integers
    told_mean: Array
    worth: float
    shape: float

    @property
    def weight(self) -> Array:
        """Jobs that the mean rests on, stated ones included."""
        return np.asarray(self.worth + self.told)

    @property
    def mean(self) -> Array:
        """Posterior mean of the mean: stated and told, weighed by their jobs."""
        return np.asarray((self.worth * self.stated + self.told * np.nan_to_num(self.told_mean)) / self.weight)

    def quantile(self, probability: float) -> Array:
        """Quantile of the mean, (regions,)."""
        rate = gamma.ppf(1.0 - probability, self.weight * self.shape + 1.0)
        return np.asarray(self.shape * self.weight * self.mean / rate)

    def draw(self, random: np.random.Generator) -> Array:
        """One mean for each region from its posterior."""
        rate = random.standard_gamma(self.weight * self.shape + 1.0)
        return np.asarray(self.shape * self.weight * self.mean / rate)

    def of_jobs(self, jobs: Array, mean: Array, random: np.random.Generator) -> Array:
        """What `jobs` (months, regions, designs) come to, each element their sum, under one mean of each region (see
        `draw`). No job, no money."""
        return np.asarray(random.standard_gamma(jobs * self.shape) * (mean[:, None] / self.shape))


@dataclass(frozen=True)
class JobLaws:
    """Hours and cost of a regrade job and of a seasonal visit."""

    hours: JobLaw
    cost: JobLaw
    visit_hours: JobLaw
    visit_cost: JobLaw


@dataclass(frozen=True)
class Money:
    """hours, cost: (samples, months, regions, designs) of jobs in cover and seasonal visits, in the month of the job.
    reserve: (samples, regions, designs) cost, to the end of the cover of every unit sold by the cut-off, of its jobs
    in cover and visits, jobs open then among them, discounted if the fleet file says so, and face: (regions, designs)
    its mean undiscounted; issued: (months,) mean such cost of the units to be sold in each month, to the end of their
    cover. Hours and cost are drawn apart: rank each by itself."""

    hours: Single
    cost: Single
    reserve: Array
    face: Array
    issued: Array
    laws: JobLaws

    @property
    def remaining(self) -> Array:
        """Reserve of the whole fleet, (samples,)."""
        return np.asarray(self.reserve.sum(axis=(1, 2)))


def job_law(stated: Array, region: NDArray[np.int32], told: Array, worth: float, spread_pct: float) -> JobLaw:
    """Law of a number from claims that say it, (claims,) with their regions. The stated mean is held as firmly as
    `worth` jobs of the stated spread. One job's spread is that, until LEAST_TOLD claims say another by their pooled
    scatter about their regions' means; then as many jobs of that spread stand for the stated mean as hold it as firmly.
    """
    count = np.bincount(region, minlength=stated.size)
    total = np.bincount(region, told, stated.size)
    mean = np.where(count > 0, total / np.maximum(count, 1), np.nan)
    spread = thought = spread_pct / 100.0
    kept = mean[region] > 0.0
    free = int(kept.sum()) - np.unique(region[kept]).size
    if told.size >= LEAST_TOLD and free > 0:
        apart = told[kept] / mean[region[kept]] - 1.0
        spread = max(float(np.sqrt(np.sum(apart**2) / free)), LEAST_SPREAD)
    return JobLaw(stated, count.astype(np.int64), mean, worth * (spread / thought) ** 2, spread**-2)


def job_laws(demand: Demand) -> JobLaws:
    """What is known of a job's hours and cost at a demand's cut-off."""
    claims, rates, habits = demand.fleet.claims, demand.fleet.rates, demand.fleet.settings.habits
    told = (claims.close == NONE) | (claims.close <= demand.cutoff)
    told &= (claims.report <= demand.cutoff) & (claims.report >= demand.fleet.claims_since)

    def law(stated: Array, value: Array, disposition: int) -> JobLaw:
        chosen = told & (claims.disposition == disposition) & ~np.isnan(value)
        return job_law(stated, claims.region[chosen], value[chosen], habits.rates_worth, habits.job_spread_pct)

    job = rates.hours_regrade * rates.cost_per_hour + rates.cost_per_part + rates.cost_freight
    visit = rates.hours_seasonal * rates.cost_per_hour
    return JobLaws(
        hours=law(rates.hours_regrade, claims.hours, REGRADE),
        cost=law(job, claims.cost, REGRADE),
        visit_hours=law(rates.hours_seasonal, claims.hours, SEASONAL),
        visit_cost=law(visit, claims.cost, SEASONAL),
    )


def sampled_money(demand: Demand) -> Money:
    """Hours and cost of every sampled future's jobs. Each sample has its own means and its own stream, so more samples
    leave the first ones as they were."""
    laws, shape, settings = job_laws(demand), demand.cube["seasonal"].shape, demand.fleet.settings
    waiting, lag, months = open_jobs(demand, in_cover_only=True), settings.habits.job_lag_months, shape[1]
    reach = demand.sold.visits.shape[1]
    worth = (1.0 + settings.discount_pct / 100.0) ** (-(np.arange(reach + lag) + 0.5) / 12.0)
    hours, cost = np.empty(shape, dtype=np.float32), np.empty(shape, dtype=np.float32)
    reserve, later = np.empty((shape[0], *shape[2:])), np.zeros((2, *shape[2:]))
    face = np.zeros(shape[2:])
    after = np.zeros((lag, *shape[2:]))
    for sample in range(shape[0]):
        random = np.random.default_rng([settings.seed, sample, STREAM])
        means = [law.draw(random) for law in (laws.hours, laws.cost, laws.visit_hours, laws.visit_cost)]
        hours[sample] = cost[sample] = 0.0
        for units, still in ((demand.sold, waiting), (demand.planned, np.zeros_like(waiting))):
            reported = np.concatenate([units.regrades[sample, ..., IN].astype(float), after])
            jobs, calls = in_job_months(reported, still, lag), units.visits[sample].astype(float)
            hours[sample] += laws.hours.of_jobs(jobs[:months], means[0], random)
            hours[sample] += laws.visit_hours.of_jobs(calls[:months], means[2], random)
            money = laws.cost.of_jobs(jobs, means[1], random)
            money[:reach] += laws.visit_cost.of_jobs(calls, means[3], random)
            cost[sample] += money[:months]
            if units is demand.sold:
                face += money.sum(axis=0) / shape[0]
                reserve[sample] = np.einsum("m,mrd->rd", worth, money)
            else:
                later[0] += jobs.sum(axis=0) * means[1][:, None] / shape[0]
                later[1] += calls.sum(axis=0) * means[3][:, None] / shape[0]
    return Money(hours, cost, reserve, face, np.einsum("krd,krdm->m", later, by_month_of_sale(demand)), laws)


def by_month_of_sale(demand: Demand) -> Array:
    """Share that the units to be sold in each month have in the jobs in cover, and in the visits, of all units still to
    be sold, (2, regions, designs, months), as the physics and the stated rates have it."""
    issued, cohorts = demand.expected.issued, demand.cohorts
    start, months, reach = demand.cutoff + 1, issued.shape[2], demand.sold.visits.shape[1]
    settings = demand.fleet.settings
    rate = np.array([settings.regions[name].seasonal_complaints_per_thousand for name in demand.fleet.regions])
    ahead = np.cumsum(rate[:, (start + np.arange(reach)) % 12], axis=1)
    ahead = np.pad(ahead, ((0, 0), (1, 0)))  # by the end of month 0, 1, ...
    new = (cohorts.sale >= start) & (cohorts.sale < start + months)
    region, begin = cohorts.region[new], cohorts.sale[new] - start
    end = np.minimum(begin + cohorts.cover[new], reach)
    calls, units = np.zeros_like(issued), np.zeros_like(issued)
    place = (region, cohorts.design[new], begin)
    np.add.at(calls, place, cohorts.count[new] * (ahead[region, end] - ahead[region, begin]))
    np.add.at(units, place, cohorts.count[new])
    parts = np.stack([np.where(issued.sum(axis=2, keepdims=True) > 0.0, issued, units), calls])
    return np.asarray(ratio(parts, parts.sum(axis=-1, keepdims=True)))


def open_jobs(demand: Demand, in_cover_only: bool = False) -> Array:
    """Regrade claims reported and not closed by the cut-off, by how many months ahead the job is due,
    (job lag or 1, regions, designs); overdue ones are due at once. In cover: all but those whose unit is named and was
    out of cover when it was reported."""
    claims, lag, cutoff = demand.fleet.claims, demand.fleet.settings.habits.job_lag_months, demand.cutoff
    table = np.zeros((max(lag, 1), len(demand.fleet.regions), len(demand.fleet.designs)))
    late = (claims.close == NONE) | (claims.close > cutoff)
    chosen = (claims.disposition == REGRADE) & (claims.report <= cutoff) & late
    if in_cover_only:
        chosen &= (claims.cover_end == NONE) | (claims.report < claims.cover_end)
    due = np.maximum(claims.report[chosen] + lag - cutoff - 1, 0)
    np.add.at(table, (due, claims.region[chosen], claims.design[chosen]), 1.0)
    return table


def in_job_months(values: Array, waiting: Array, lag: int) -> Array:
    """Values (months, ...) moved from the month of report to that of the job, with the open jobs `waiting`."""
    months = len(values)
    moved = np.concatenate([np.zeros((lag, *values.shape[1:])), values])[:months]
    moved[: len(waiting)] += waiting[:months]
    return moved
