"""Hours and money of jobs: rates as stated, as claims have them, and what each sampled future's jobs come to.

One job's number is gamma about its region's mean, with a known shape. Then the gamma's rate is gamma again under claims
(Gelman et al. 2013, ch. 2), the mean is inverse gamma, and n jobs together are gamma with n times the shape.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray
from scipy.stats import gamma

from driftmodel.base.arrays import ratio
from driftmodel.fleet.expect import IN
from driftmodel.fleet.roster import REGRADE, SEASONAL
from driftmodel.fleet.tables import NONE

if TYPE_CHECKING:
    from driftmodel.fleet.demand import Demand

Array = NDArray[np.float64]
LEAST_TOLD = 30  # below so many claims the stated spread of a job stands; own choice, no source
LEAST_SPREAD = 0.01  # of a job, where claims all say the same; own choice, no source
STREAM = 9  # money draws from its own stream of each sample


@dataclass(frozen=True)
class JobLaw:
    """One number of a job, hours or money, by region, (regions,): stated mean, which counts as `worth` jobs; told:
    claims that say it, and told_mean theirs, NaN without any; shape: of one job's gamma, 1 / its squared coefficient of
    variation."""

    stated: Array
    told: NDArray[np.int64]
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

    def of_jobs(self, jobs: Array, random: np.random.Generator) -> Array:
        """What `jobs` (months, regions, designs) come to, each element their sum, all under one drawn mean of each
        region. No job, no money."""
        each = self.draw(random)[:, None] / self.shape
        return np.asarray(random.standard_gamma(jobs * self.shape) * each)

    def part_of(self, some: Array, others: Array, random: np.random.Generator) -> Array:
        """Share that `some` jobs have in what they and `others` came to together: beta, whatever the sum."""
        mine, rest = (random.standard_gamma(jobs * self.shape) for jobs in (some, others))
        return np.asarray(np.where(others > 0, mine / np.maximum(mine + rest, 1e-300), 1.0))


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
    remaining: (samples,) their cost for units sold by the cut-off; issued: (months,) mean cost, within the forecast, of
    the units to be sold in each month. Hours and cost are drawn apart: rank each by itself."""

    hours: NDArray[np.float32]
    cost: NDArray[np.float32]
    remaining: Array
    issued: Array
    laws: JobLaws


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
    laws, shape = job_laws(demand), demand.cube["seasonal"].shape
    regrades, visits = demand.cube["regrades"].values, demand.cube["seasonal"].values
    waiting, lag = open_jobs(demand, in_cover_only=True), demand.fleet.settings.habits.job_lag_months
    sold = waiting[: shape[1]].sum(axis=0)
    shares = still_to_sell(demand)
    hours, cost = np.empty(shape, dtype=np.float32), np.empty(shape, dtype=np.float32)
    remaining = np.zeros(shape[0])
    later = np.zeros((2, *shape[2:]))  # mean cost of jobs and visits of units to be sold
    for sample in range(shape[0]):
        random = np.random.default_rng([demand.fleet.settings.seed, sample, STREAM])
        reported = regrades[sample, ..., IN].sum(axis=-1, dtype=float)
        jobs = in_job_months(reported, waiting, lag)
        calls = visits[sample].astype(float)
        hours[sample] = laws.hours.of_jobs(jobs, random) + laws.visit_hours.of_jobs(calls, random)
        money = laws.cost.of_jobs(jobs, random), laws.visit_cost.of_jobs(calls, random)
        cost[sample] = money[0] + money[1]
        counts = jobs.sum(axis=0) - sold, calls.sum(axis=0)
        for kind, (law, ours) in enumerate(((laws.cost, sold), (laws.visit_cost, np.zeros_like(sold)))):
            others = random.binomial(counts[kind].astype(np.int64), shares[kind].sum(axis=-1)).astype(float)
            whole = money[kind].sum(axis=0)
            mine = whole * law.part_of(ours + counts[kind] - others, others, random)
            remaining[sample] += mine.sum()
            later[kind] += (whole - mine) / shape[0]
    by_month = ratio(shares, shares.sum(axis=-1, keepdims=True))
    return Money(hours, cost, remaining, np.einsum("krd,krdm->m", later, by_month), laws)


def still_to_sell(demand: Demand) -> Array:
    """Share of the forecast's jobs in cover and of its seasonal visits that come of units to be sold in each month,
    (2, regions, designs, months), as the physics and the stated rates have it."""
    expected, cohorts, shape = demand.expected, demand.cohorts, demand.expected.issued.shape
    in_cover = (expected.first[..., IN] + expected.repeat[..., IN]).sum(axis=(2, 3))
    settings, start, months = demand.fleet.settings, demand.cutoff + 1, shape[2]
    rate = np.array([settings.regions[name].seasonal_complaints_per_thousand for name in demand.fleet.regions])
    ahead = np.cumsum(rate[:, (start + np.arange(months)) % 12], axis=1)
    ahead = np.pad(ahead, ((0, 0), (1, 0)))  # by the end of month 0, 1, ...
    begin = np.clip(cohorts.sale - start, 0, months)
    end = np.maximum(np.clip(cohorts.sale + cohorts.cover - start, 0, months), begin)
    calls = cohorts.count * (ahead[cohorts.region, end] - ahead[cohorts.region, begin])
    every, issued = np.zeros(shape[:2]), np.zeros(shape)
    np.add.at(every, (cohorts.region, cohorts.design), calls)
    new = (cohorts.sale >= start) & (cohorts.sale < start + months)
    np.add.at(issued, (cohorts.region[new], cohorts.design[new], cohorts.sale[new] - start), calls[new])
    parts, wholes = np.stack([expected.issued, issued]), np.stack([in_cover, every])[..., None]
    share = ratio(parts, wholes)
    return np.asarray(share / np.maximum(share.sum(axis=-1, keepdims=True), 1.0))  # no more than all, to the last bit


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
