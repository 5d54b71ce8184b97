"""Hours and money of jobs against their laws: what claims teach, what sampled jobs come to, what is still to come.

Reference values: the gamma law of scipy, quadrature of likelihood x prior, jobs drawn one by one, and counting by hand.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from invented_fleets import ToyDrift, invented_fleet, invented_settings
from scipy.integrate import quad
from scipy.stats import gamma, kstest

from driftmodel.fleet import demand as dm
from driftmodel.fleet import money, planner_tables
from driftmodel.fleet.cell_demand import IN
from driftmodel.fleet.money import JobLaw, job_law, sampled_money
from driftmodel.fleet.planner_tables import rate_table
from driftmodel.fleet.roster import Fleet, Rates
from driftmodel.fleet.tables import NONE

LAW = ToyDrift()
JOB = 1.5 * 60.0 + 8.0 + 25.0  # stated by the invented fleet: hours, part, freight


def a_fleet(samples: int = 80, units: int = 4000, **changed: Any) -> Fleet:
    given = {"samples": samples, "draws": 64, "members": 4, "horizon_months": 12} | changed
    fleet = invented_fleet(invented_settings(2, 2, 1, **given), LAW, units, years=5, seed=5, every=3)[0]
    return with_claims(fleet, unit=np.full_like(fleet.claims.unit, NONE))  # tests change units and claims apart


def with_claims(fleet: Fleet, **changed: Any) -> Fleet:
    return replace(fleet, claims=replace(fleet.claims, **changed))


def silent(fleet: Fleet) -> Fleet:
    """The same claims, none of which says hours or cost."""
    none = np.full(fleet.claims.hours.size, np.nan)
    return with_claims(fleet, hours=none, cost=none)


def selling(fleet: Fleet) -> Fleet:
    """The fleet's last year of sales put off by a year: planned and not sold yet."""
    units = fleet.units
    later = units.sale > fleet.cutoff - 12
    sale = np.where(later, units.sale + 12, units.sale).astype(np.int32)
    changed: dict[str, Any] = {"sale": sale, "planned": later, "regraded": np.where(later, NONE, units.regraded)}
    return replace(fleet, units=replace(units, **changed))


@pytest.fixture(scope="module")
def found() -> dm.Demand:
    return dm.forecast_demand(selling(a_fleet()), LAW)


# ---- what claims teach ---------------------------------------------------------------------------------------------


def test_the_law_of_a_mean_is_likelihood_times_prior_by_quadrature() -> None:
    """Over the gamma's rate: prior gamma of shape w k + 1 and rate w m, times the likelihood of each claim."""
    told = np.array([150.0, 90.0, 210.0, 180.0, 120.0])
    shape, worth, stated = 1.0 / 0.5**2, 6.0, 110.0
    law = job_law(np.array([stated]), np.zeros(5, dtype=np.int32), told, worth, 50.0)

    def density(rate: float) -> float:
        prior = gamma.pdf(rate, worth * shape + 1.0, scale=1.0 / (worth * stated))
        return float(prior * 1e12 * np.prod(gamma.pdf(told, shape, scale=1.0 / rate)))

    top = 12.0 * shape / stated
    whole = quad(density, 0.0, top, epsabs=0.0, limit=400, points=[shape / stated])[0]
    mean = quad(lambda rate: shape / rate * density(rate), 1e-9, top, epsabs=0.0, limit=400, points=[shape / stated])[0]
    assert law.mean[0] == pytest.approx(mean / whole, rel=1e-7)
    for chance in (0.1, 0.5, 0.9):
        at = float(law.quantile(chance)[0])
        above = quad(density, 0.0, shape / at, epsabs=0.0, limit=400)[0]  # a small rate is a large mean
        assert 1.0 - above / whole == pytest.approx(chance, abs=1e-6)


def test_drawn_means_follow_their_quantiles() -> None:
    law = job_law(np.array([100.0]), np.zeros(8, dtype=np.int32), np.full(8, 130.0), 20.0, 40.0)
    random = np.random.default_rng(3)
    drawn = np.array([law.draw(random)[0] for _ in range(20_000)])
    for chance in (0.1, 0.5, 0.9):  # four standard errors of a share of 20,000
        assert (drawn < law.quantile(chance)[0]).mean() == pytest.approx(chance, abs=4 * 0.5 / np.sqrt(20_000))
    assert drawn.mean() == pytest.approx(law.mean[0], rel=4 * 0.08 / np.sqrt(20_000))


def test_claims_that_all_say_the_same_leave_no_doubt_and_no_division_by_zero() -> None:
    law = job_law(np.array([100.0]), np.zeros(60, dtype=np.int32), np.full(60, 150.0), 20.0, 40.0)
    assert law.shape == pytest.approx(1e4)
    assert law.mean[0] == pytest.approx(150.0, rel=1e-3)
    assert law.quantile(0.9)[0] - law.quantile(0.1)[0] < 1.0


# ---- what sampled jobs come to -------------------------------------------------------------------------------------


def known_mean(mean: float, shape: float) -> JobLaw:
    """A law whose mean is certain but for a part in a million."""
    return JobLaw(np.array([mean]), np.zeros(1, dtype=np.int64), np.full(1, np.nan), 1e12, shape)


def test_so_many_jobs_scatter_as_so_many_single_ones() -> None:
    """Against the gamma of n times the shape, and against jobs drawn one by one."""
    jobs, law = np.full((4000, 1, 1), 7.0), known_mean(130.0, 6.25)
    sums = law.of_jobs(jobs, law.mean, np.random.default_rng(4))[:, 0, 0]
    assert kstest(sums, gamma(7 * 6.25, scale=130.0 / 6.25).cdf).pvalue > 0.001
    one_by_one = np.random.default_rng(5).gamma(6.25, 130.0 / 6.25, (4000, 7)).sum(axis=1)
    assert sums.std() == pytest.approx(one_by_one.std(), rel=0.06)  # four standard errors: 4 / sqrt(4000)
    assert sums.std() == pytest.approx(np.sqrt(7 / 6.25) * 130.0, rel=0.05)
    assert law.of_jobs(np.zeros((3, 1, 1)), law.mean, np.random.default_rng(4)).tolist() == [[[0.0]]] * 3


def test_without_a_word_from_claims_a_job_costs_what_is_stated() -> None:
    """Sampled cost over sampled jobs: each sample's mean scatters by 40 % / sqrt(20), so four standard errors of 600
    samples are 1.5 %, and the two regions draw their own."""
    found = dm.forecast_demand(silent(a_fleet(600)), LAW, to_end_of_cover=False)
    drawn = sampled_money(found)
    jobs = found.cube["regrades"].values[..., IN].sum(axis=(2, 3, 4), dtype=float)[:, :-1].sum()  # the last: later
    jobs += 600 * money.open_jobs(found).sum()
    visits = found.cube["seasonal"].values.sum(dtype=float)
    assert drawn.cost.sum(dtype=float) == pytest.approx(JOB * jobs + 15.0 * visits, rel=0.015)
    assert drawn.hours.sum(dtype=float) == pytest.approx(1.5 * jobs + 0.25 * visits, rel=0.015)
    assert all(row["claims"] is None and row["used"] == row["stated"] for row in rate_table(found, drawn))


def test_claims_that_cost_twice_the_stated_make_the_forecast_cost_more(found: dm.Demand) -> None:
    fleet = silent(a_fleet())
    few = np.full(fleet.claims.cost.size, np.nan)
    few[:20] = 2.0 * JOB
    found = replace(found, fleet=with_claims(fleet, cost=few, region=np.zeros_like(fleet.claims.region)))
    rows = {(row["region"], row["job"], row["number"]): row for row in rate_table(found, sampled_money(found))}
    told = rows["r0", "regrade", "cost"]
    assert (told["stated"], told["claims"], told["used"], told["told"]) == pytest.approx((JOB, 2 * JOB, 1.5 * JOB, 20))
    assert told["used_p10"] < told["used"] < told["used_p90"] and told["spread_pct"] == pytest.approx(40.0)
    assert rows["r1", "regrade", "cost"]["used"] == JOB and rows["r0", "regrade", "hours"]["used"] == 1.5


def test_rates_of_zero_cost_nothing_and_still_learn(found: dm.Demand) -> None:
    fleet = silent(a_fleet())
    nothing = replace(fleet, rates=Rates(*(np.zeros(2) for _ in range(5))))
    drawn = sampled_money(replace(found, fleet=nothing))
    assert drawn.hours.max() == drawn.cost.max() == drawn.remaining.max() == 0.0
    assert drawn.laws.cost.quantile(0.9).tolist() == [0.0, 0.0]
    told = np.full(fleet.claims.cost.size, np.nan)
    told[np.flatnonzero(fleet.claims.region == 1)[:5]] = 80.0
    learned = sampled_money(replace(found, fleet=with_claims(nothing, cost=told)))
    assert learned.laws.cost.mean.tolist() == [0.0, 16.0]
    assert learned.cost[..., 0, :].max() == 0.0 and learned.cost[..., 1, :].max() > 0.0
    assert np.isfinite(learned.cost).all() and np.isfinite(learned.remaining).all()


def test_the_same_seed_gives_the_same_bits_and_more_samples_the_same_first_ones(found: dm.Demand) -> None:
    one, again = sampled_money(found), sampled_money(found)
    fewer = sampled_money(dm.forecast_demand(selling(a_fleet(50)), LAW))
    for name in ("hours", "cost", "remaining"):
        assert getattr(one, name).tobytes() == getattr(again, name).tobytes()
        assert getattr(one, name)[:50].tobytes() == getattr(fewer, name).tobytes()


def test_no_job_no_money_and_jobs_in_their_own_month(found: dm.Demand) -> None:
    drawn = sampled_money(found)
    reported = found.cube["regrades"].values[..., IN].sum(axis=4)
    jobs = np.concatenate([np.zeros_like(reported[:, :1]), reported[:, :-1]], axis=1)
    jobs[:, :1] += money.open_jobs(found)[None, :1].astype(jobs.dtype)
    anything = (jobs + found.cube["seasonal"].values) > 0
    assert np.array_equal(drawn.hours > 0.0, anything) and np.array_equal(drawn.cost > 0.0, anything)
    assert not anything.all()


# ---- jobs open at the cut-off --------------------------------------------------------------------------------------


# ---- the accrual and what is still to come -------------------------------------------------------------------------


def test_the_reserve_goes_on_to_the_end_of_cover_whatever_the_months_shown() -> None:
    """Nothing is left to sell: twelve months and three years give one reserve, and the forecast's months cost no more
    of it than is there. The two draw other numbers: four standard errors of 200 samples whose spread is a quarter."""
    short, long = (dm.forecast_demand(a_fleet(), LAW, months=months) for months in (12, 36))
    drawn, other = sampled_money(short), sampled_money(long)
    assert drawn.reserve.mean() == pytest.approx(other.reserve.mean(), rel=0.07)
    assert drawn.reserve.mean() * 4 > 2.0 * drawn.cost.sum(axis=(1, 2, 3)).mean()  # regions x designs
    assert (drawn.remaining >= drawn.cost.sum(axis=(1, 2, 3), dtype=float) - 1e-2).all()
    assert drawn.face == pytest.approx(drawn.reserve.mean(axis=0))
    assert not drawn.issued.any()
    end = (short.fleet.units.sale + short.fleet.units.cover).max() - short.cutoff - 1
    assert short.sold.visits.shape[1] == end == long.sold.visits.shape[1]


def test_a_discount_lessens_the_reserve_and_not_what_is_settled() -> None:
    fleet = a_fleet()
    dear = replace(fleet, settings=fleet.settings.model_copy(update={"discount_pct": 10.0}))
    found = dm.forecast_demand(fleet, LAW)
    plain, less = (sampled_money(replace(found, fleet=each)) for each in (fleet, dear))
    assert 0.7 * plain.reserve.mean() < less.reserve.mean() < 0.95 * plain.reserve.mean()
    assert np.array_equal(plain.cost, less.cost) and np.allclose(less.face, plain.face)


def test_the_accrual_stands_at_the_mean_of_what_is_still_to_come(found: dm.Demand) -> None:
    """Like with like: opened at the reserve itself, nothing is left to change; what is closed is what is still to come
    after the forecast's months, of units sold by then."""
    drawn = sampled_money(found)
    rows = planner_tables.roll_forward(found, drawn)
    assert rows[0]["opening"] + rows[0]["change_of_estimate"] == pytest.approx(drawn.remaining.mean(), rel=1e-6)
    settled = drawn.cost.mean(axis=0, dtype=float).sum(axis=(1, 2))
    assert [row["settled"] for row in rows] == pytest.approx(settled.tolist(), rel=1e-6)
    assert rows[-1]["closing"] == pytest.approx(drawn.face.sum() + drawn.issued.sum() - settled.sum(), rel=1e-6)
    assert rows[-1]["closing"] > 0.0
    right = replace(
        found,
        fleet=replace(
            found.fleet, settings=found.fleet.settings.model_copy(update={"opening_accrual": float(drawn.face.sum())})
        ),
    )
    assert planner_tables.roll_forward(right, drawn)[0]["change_of_estimate"] == pytest.approx(0.0, abs=1e-6)
    low, middle, high = np.quantile(drawn.remaining, (0.1, 0.5, 0.9))
    assert low < middle < high


def test_units_still_to_be_sold_are_issued_in_the_month_of_their_sale(found: dm.Demand) -> None:
    """Their visits by months in cover counted unit by unit; jobs and visits add up to what was drawn for them."""
    drawn, units, start = sampled_money(found), found.fleet.units, found.cutoff + 1
    shares = money.by_month_of_sale(found)
    assert shares.sum(axis=-1) == pytest.approx(1.0)
    rate = found.fleet.settings.regions["r0"].seasonal_complaints_per_thousand
    reach, later = found.sold.visits.shape[1], np.zeros((2, 2, 12))
    for region, design, sale, cover in zip(units.region, units.design, units.sale, units.cover, strict=True):
        if sale >= start:
            later[region, design, sale - start] += sum(
                rate[m % 12] for m in range(sale, min(sale + cover, start + reach))
            )
    assert shares[1] == pytest.approx(later / later.sum(axis=2, keepdims=True), rel=1e-9)
    jobs = found.planned.regrades[..., IN].sum(axis=1, dtype=float).mean(axis=0)
    calls = found.planned.visits.sum(axis=1, dtype=float).mean(axis=0)
    wanted = jobs * drawn.laws.cost.mean[:, None] + calls * drawn.laws.visit_cost.mean[:, None]
    assert drawn.issued.sum() == pytest.approx(wanted.sum(), rel=0.05)  # means drawn: 200 samples of a tenth
    assert drawn.issued.all()


def test_jobs_open_at_the_cutoff_are_never_those_of_units_still_to_be_sold(found: dm.Demand) -> None:
    """A job lag as long as the forecast leaves only open jobs in it, and visits that cost nothing."""
    fleet = selling(a_fleet())
    habits = fleet.settings.habits.model_copy(update={"job_lag_months": 12})
    fleet = replace(fleet, settings=fleet.settings.model_copy(update={"habits": habits}))
    free = replace(fleet, rates=replace(fleet.rates, hours_seasonal=np.zeros(2)))
    close = np.where(free.claims.report > free.cutoff - 12, NONE, free.claims.close).astype(np.int32)
    demand = replace(found, fleet=with_claims(free, close=close))
    drawn = sampled_money(demand)
    assert money.open_jobs(demand, in_cover_only=True).sum() > 50 and demand.planned.regrades.any()
    assert (drawn.remaining >= drawn.cost.sum(axis=(1, 2, 3), dtype=float) - 0.01).all()  # all of it is of units sold
