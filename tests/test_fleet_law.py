"""The small laws of a fleet against sums done by hand or by loops over every case; no reference values but those named.

`Middle` stands for a generator of random numbers whose every draw is its law's mean, so that what a draw is made of can
be worked out on paper.
"""

from __future__ import annotations

from itertools import product
from math import exp, factorial, log
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from driftmodel.fleet import claims, delay, money, scores, stock
from driftmodel.fleet.roster import REGRADE, SEASONAL, Rates
from driftmodel.fleet.tables import NONE


class Middle:
    """Means of the laws asked for."""

    def standard_gamma(self, shape: Any) -> Any:
        return shape

    def beta(self, a: Any, b: Any) -> Any:
        return a / (a + b)


MIDDLE: Any = Middle()


# ---- claims ------------------------------------------------------------------------------------------------------


def test_a_multiplier_of_shape_1_is_exponential() -> None:
    law = claims.Multiplier(np.array([1.0, 1.0]), np.array([2.0, 0.5]))
    assert law.quantile(0.9) == pytest.approx([-log(0.1) / 2.0, -log(0.1) / 0.5])
    assert law.mean.tolist() == [0.5, 2.0]


def test_claims_and_expected_numbers_may_be_none_but_not_below() -> None:
    before = claims.Multiplier(np.array([2.0, 2.0]), np.array([4.0, 4.0]))
    after = claims.posterior(before, [0.0, 3.0], [0.0, 1.0])
    assert (after.shape.tolist(), after.rate.tolist()) == ([2.0, 5.0], [4.0, 5.0])
    for came, expected in (([-1.0, 1.0], [1.0, 1.0]), ([1.0, 1.0], [1.0, -1.0])):
        with pytest.raises(ValueError, match="at least 0"):
            claims.posterior(before, came, expected)


# ---- delay -------------------------------------------------------------------------------------------------------


def test_reverse_counts_are_counted_one_by_one() -> None:
    """Every event and report of months 0 to 8, each pair a number of times of its own; the cut-off is month 6."""
    pairs = [(e, r) for e, r in product(range(9), repeat=2) for _ in range(1 + 3 * e + r)]
    event, report = (np.array(each) for each in zip(*pairs, strict=True))
    for periods, lags in ((4, None), (4, 2), (9, 3)):
        known = [(e, r) for e, r in pairs if 6 - periods < e <= r <= 6]
        steps = range(lags or periods)
        here, sooner = (table.sum(axis=0) for table in delay.reverse_counts(event, report, 6, periods, lags))
        assert here.tolist() == [sum(r - e == step and e + step <= 6 for e, r in known) for step in steps]
        assert sooner.tolist() == [sum(r - e < step and e + step <= 6 for e, r in known) for step in steps]


def test_shares_are_hazards_and_no_longer_lag() -> None:
    hazards = np.array([[0.3, 0.4, 0.2], [1.0, 0.0, 0.5]])
    assert delay.shares_of(hazards) == pytest.approx(np.array([[0.6 * 0.8, 0.4 * 0.8, 0.2], [0.5, 0.0, 0.5]]))
    assert hazards[0, 0] == 0.3  # what was given stands


def test_a_lag_from_claims_by_hand() -> None:
    """Cut-off 3, three months back: of events of months 1 to 3, lag 0 twice and once, lag 1 once, lag 2 once. A lag
    of 1 could be seen of months 1 and 2 (four reports, one at it, two sooner), one of 2 of month 1 alone."""
    event, report = [1, 1, 1, 2, 3, 0, 3], [1, 2, 3, 2, 3, 3, 4]
    law = delay.lag_from_claims(event, report, 3, 3)
    assert (law.here.tolist(), law.sooner.tolist()) == ([3, 1, 1], [0, 2, 2])
    assert law.shares == pytest.approx([2 / 3 * 2 / 3, 1 / 3 * 2 / 3, 1 / 3])
    assert law.draw(MIDDLE) == pytest.approx(law.shares)
    assert delay.lag_from_claims(event, report, 3, 3, 2).shares == pytest.approx([2 / 3, 1 / 3])
    assert delay.lag_from_claims([], [], 3, 3).shares.tolist() == [1.0]
    assert delay.lag_from_claims([0, 0], [0, 0], 3, 4).shares.tolist() == [1.0]
    assert delay.lag_from_claims([0], [2], 3, 4).shares.tolist() == [0.0, 0.0, 1.0]
    assert delay.lag_from_claims([0], [2], 3, 4).draw(MIDDLE).tolist() == [0.0, 0.0, 1.0]
    stated = delay.stated_lag([0.25, 0.0, 0.75], 8.0)
    assert (stated.here.tolist(), stated.sooner.tolist()) == ([2.0, 0.0, 6.0], [0.0, 2.0, 2.0])
    for worth in (8.0, 0.5):
        assert delay.stated_lag([0.25, 0.0, 0.75], worth).draw(MIDDLE) == pytest.approx([0.25, 0.0, 0.75])


def test_a_lag_that_has_changed_is_read_from_the_last_months_and_a_steady_one_from_all() -> None:
    """Ten events a month of months 1 to 12, told at once up to month 6 and a month later from then on: at the cut-off
    12, five months of lag 1 speak with 1, 1/2, ... 1/16, and six of lag 0 with 1/32, ... 1/1024. Told in turn at once
    and a month later all along, all months speak alike."""
    event = np.repeat(np.arange(1, 13), 10)
    law = delay.lag_from_claims(event, event + (event > 6), 12, 12)
    assert law.keep == 0.5
    assert law.here[1] == pytest.approx(10 * (1 + 1 / 2 + 1 / 4 + 1 / 8 + 1 / 16))
    assert law.sooner[1] == pytest.approx(10 * (1 / 32 + 1 / 64 + 1 / 128 + 1 / 256 + 1 / 512 + 1 / 1024))
    assert law.shares[1] == pytest.approx(law.here[1] / (law.here[1] + law.sooner[1]))
    steady = delay.lag_from_claims(event, event + np.arange(120) % 2, 12, 12)
    assert steady.keep == 1.0 and steady.shares == pytest.approx([0.5, 0.5])


def test_how_well_lags_foretell_each_other_by_hand() -> None:
    """Lag 1 against lag 0: a beta law of 1/2 and 1/2 foretells 2 of 2 by 3/8; after them (2.5, 0.5) foretell 1 of 1 by
    5/6, worth half as much (1.5, 0.5) by 3/4."""
    here, sooner = np.array([[7.0, 2.0], [9.0, 1.0]]), np.zeros((2, 2))
    for keep, second in ((1.0, 5 / 6), (0.5, 3 / 4)):
        assert delay._foretold(here, sooner, keep) == pytest.approx(log(3 / 8 * second))


def test_who_waited_is_counted_one_by_one() -> None:
    """Every month due, told and end of cover from 0 to 9; cut-off 7, the last 2 months of cover, lags of 0 and 1."""
    cases = list(product(range(10), repeat=3))
    due, came, end = (np.array(each) for each in zip(*cases, strict=True))
    judged = [(r, e) for d, r, e in cases if e - 1 <= 7 and d + 2 <= e - 2]
    waited = sum(e - 2 <= r < e for r, e in judged)
    assert delay.waiting_from_claims(due, came, end, 7, 2, 2) == (waited, sum(r < e - 2 for r, e in judged))
    assert delay.WaitingShare(1.0, 3.0).mean == delay.WaitingShare(1.0, 3.0).draw(MIDDLE) == 0.25
    random = np.random.default_rng(1)
    assert abs(delay.WaitingShare(1.0, 3.0).draw(random) - 0.25) > 0.01
    assert (delay.WaitingShare(0.0, 3.0).draw(random), delay.WaitingShare(3.0, 0.0).draw(random)) == (0.0, 1.0)


def test_reports_follow_their_lag_along_the_last_axis() -> None:
    events = np.array([[4.0, 0.0, 1.0], [0.0, 2.0, 0.0]])
    assert delay.delayed(events, [0.5, 0.0, 0.25, 0.25]).tolist() == [[2.0, 0.0, 1.5], [0.0, 1.0, 0.0]]


# ---- stock -------------------------------------------------------------------------------------------------------


def served(levels: tuple[int, ...], demand: list[np.ndarray]) -> float:
    """Share of jobs served, over every combination of counts."""
    got = jobs = 0.0
    for counts in product(*(range(part.size) for part in demand)):
        chance = float(np.prod([part[count] for part, count in zip(demand, counts, strict=True)]))
        jobs += chance * sum(counts)
        got += chance * sum(count for count, level in zip(counts, levels, strict=True) if count <= level)
    return got / jobs


def test_the_fewest_pieces_of_all() -> None:
    """Against every combination of pieces, of laws by hand and Poisson ones: as few pieces, and no better use of them.
    A grade whose jobs come together, none or three, is where placing piece by piece goes astray."""
    poisson = np.array([exp(-1.2) * 1.2**n / factorial(n) for n in range(7)])
    poisson /= poisson.sum()
    pair, lump = np.array([0.2, 0.5, 0.3]), np.array([0.7, 0.0, 0.0, 0.3])
    for demand in ([pair, lump], [poisson, lump], [lump, poisson, pair], [pair, poisson], [np.array([1.0]), poisson]):
        for service in (0.3, 0.55, 0.8, 0.95):
            found = stock.stock_for_jobs(demand, service)
            fills = {levels: served(levels, demand) for levels in product(*(range(part.size) for part in demand))}
            enough = min(sum(levels) for levels, fill in fills.items() if fill >= service - 1e-12)
            assert sum(found.pieces) == enough
            assert found.job_fill == pytest.approx(fills[found.pieces])
            assert found.job_fill == pytest.approx(max(f for levels, f in fills.items() if sum(levels) == enough))


def test_stock_at_its_limits() -> None:
    half = [np.array([0.0, 0.5, 0.5])]  # 0.5 of 1.5 jobs are served by a piece
    assert stock.stock_for_jobs(half, 1 / 3).pieces == (1,)
    assert stock.stock_for_jobs([np.array([1.0])], 0.9) == stock.Stock((0,), 1.0)
    assert stock.job_fill([0], [np.array([0.9, 0.1])]) == 0.0
    assert stock.sample_chances([0, 2, 2, 0]).tolist() == [0.5, 0.0, 0.5]
    for service in (0.0, 1.0):
        with pytest.raises(ValueError, match="between 0 and 1"):
            stock.stock_for_jobs(half, service)


# ---- scores ------------------------------------------------------------------------------------------------------


def test_crps_is_its_double_sum() -> None:
    """E|X - y| - E|X - X'| / 2 with both expectations as sums (Gneiting and Raftery 2007, eq. 21)."""
    x, y = np.array([[3.0, 1.0, 7.0, 7.0], [0.0, 2.0, -5.0, 1.0]]), np.array([2.0, 4.0])
    wanted = [
        sum(abs(a - t) for a in row) / 4 - sum(abs(a - b) for a in row for b in row) / 32
        for row, t in zip(x.tolist(), y.tolist(), strict=True)
    ]
    assert scores.crps_samples(x, y) == pytest.approx(wanted)


def test_interval_scores_below_within_and_above() -> None:
    """Interval 2 to 9 at alpha 0.5: four a unit outside."""
    assert scores.interval_score([2.0] * 3, [9.0] * 3, [1.0, 2.5, 9.5], 0.5).tolist() == [11.0, 7.0, 9.0]
    assert scores.coverage([1.0, 1.0, 1.0, 1.0], [3.0] * 4, [1.0, 3.0, 0.9, 3.1]) == 0.5
    assert scores.skill(0.5, 0.25) == -1.0
    assert scores.skill(1.0, 0.0) == 0.0


def test_weighted_interval_score_is_twice_the_mean_pinball_loss() -> None:
    """Bracher et al. 2021, eq. 3: over the 23 quantiles of their default levels, 2 (1{y <= q} - t)(q - y)."""
    x, y = np.array([0.0, 1.0, 4.0, 9.0, 16.0, 25.0]), 7.0
    alphas = [0.02, 0.05, *(k / 10 for k in range(1, 10))]
    levels = [a / 2 for a in alphas] + [0.5] + [1 - a / 2 for a in alphas]
    loss = [2.0 * ((y <= q) - t) * (q - y) for t, q in zip(levels, np.quantile(x, levels).tolist(), strict=True)]
    assert float(scores.weighted_interval_score(x, np.array(y))) == pytest.approx(sum(loss) / 23)


def test_coverage_of_counts_by_fine_steps_of_the_transform() -> None:
    """The transform of each case on an even grid of V, counted between its ends: 60 % and, unless asked, 80 %."""
    x = np.array([[0, 1, 1, 2], [5, 5, 5, 5], [0, 0, 3, 4], [1, 2, 3, 4]], dtype=float)
    y = np.array([1.0, 5.0, 0.0, 9.0])
    v = (np.arange(20000) + 0.5) / 20000
    for share in (0.6, 0.8):
        inside = [
            np.mean(np.abs((row < t).mean() + v * (row == t).mean() - 0.5) < share / 2)
            for row, t in zip(x, y, strict=True)
        ]
        assert scores.coverage_counts(x, y, share) == pytest.approx(np.mean(inside), abs=1e-4)
    assert scores.coverage_counts(x, y) == scores.coverage_counts(x, y, 0.8)
    for between, held in ((0.5, 0.0), (1.5, 1.0), (2.5, 0.0)):  # a point at the ends of 0.25 to 0.75, and within
        assert scores.coverage_counts([[0.0, 1.0, 2.0, 3.0]], [between], 0.5) == held


def test_the_transforms_histogram_spreads_each_case_over_its_step() -> None:
    """(0, 1, 1, 2): at 1 even on 0.25 to 0.75, at 0 on 0 to 0.25; never told are at 0.5 and at 1, in the bin below."""
    four = np.array([0.0, 1.0, 1.0, 2.0])
    assert scores.pit([four], [1], 4).tolist() == [0.0, 0.5, 0.5, 0.0]
    assert scores.pit([four, four], [0, 1], 2).tolist() == [0.75, 0.25]
    assert scores.pit([[0.0, 9.0]], [4], 4).tolist() == [0.0, 1.0, 0.0, 0.0]
    assert scores.pit([[0.0, 9.0]], [12], 4).tolist() == [0.0, 0.0, 0.0, 1.0]
    assert scores.pit([[1.0, 9.0]], [0], 4).tolist() == [1.0, 0.0, 0.0, 0.0]
    assert scores.pit([four], [1]).size == 10


def test_the_band_of_chance_widens_as_asked() -> None:
    """Of 10 at a half: P(X <= 1) = 11 / 1024 = 0.0107, P(X <= 2) = 0.0547, so 0.95 is 2 to 8 and 0.8 is 3 to 7."""
    assert scores.chance_band(10, 0.5) == (0.2, 0.8)
    assert scores.chance_band(10, 0.5, 0.8) == (0.3, 0.7)


# ---- money -------------------------------------------------------------------------------------------------------


def test_a_jobs_law_by_hand() -> None:
    """Two regions told 2 and 4, a third nothing. Few claims: the stated spread of 50 %, so shape 4."""
    region = np.array([0, 0, 1], dtype=np.int32)
    few = money.job_law(np.array([1.0, 3.0, 5.0]), region, np.array([1.0, 3.0, 4.0]), 2.0, 50.0)
    assert few.told.tolist() == [2, 1, 0]
    assert few.told_mean[:2].tolist() == [2.0, 4.0]
    assert np.isnan(few.told_mean[2])
    assert (few.shape, few.worth) == (4.0, 2.0)
    assert few.mean == pytest.approx([(2 * 1 + 2 * 2) / 4, (2 * 3 + 4) / 3, 5.0])
    assert few.draw(MIDDLE) == pytest.approx(few.mean * (4 * few.weight) / (4 * few.weight + 1))
    rate = 4.0 * few.weight * few.mean / few.quantile(0.9)  # P(gamma of shape n + 1 <= rate) by its Poisson sum
    for size, x in zip((16, 12, 8), rate.tolist(), strict=True):
        assert sum(exp(-x) * x**k / factorial(k) for k in range(size + 1)) == pytest.approx(0.9)
    jobs, each = np.array([[[3.0, 0.0], [1.0, 2.0], [0.0, 0.0]]]), np.array([10.0, 20.0, 30.0])
    assert few.of_jobs(jobs, each, MIDDLE).tolist() == [[[30.0, 0.0], [20.0, 40.0], [0.0, 0.0]]]


def test_thirty_claims_tell_the_spread() -> None:
    """Fifteen claims at 1 and 3 times 1 in one region, and as many of 10: about the means all apart by 50 % in the one
    and not at all in the other, of 30 - 2 free; one claim fewer and the stated 40 % stands. Where all say the same,
    one in a hundred."""
    region, told = np.repeat([0, 1], [16, 14]).astype(np.int32), np.repeat([1.0, 3.0, 10.0], [8, 8, 14])
    stated = np.array([2.0, 10.0])
    law = money.job_law(stated, region, told, 20.0, 40.0)
    assert money.job_law(stated / 100.0, region, told / 100.0, 20.0, 40.0).shape == pytest.approx(law.shape)
    assert law.shape == pytest.approx(28 / (16 * 0.25))
    assert law.worth == pytest.approx(20.0 / (0.16 * law.shape))
    assert money.job_law(stated, region[1:], told[1:], 20.0, 40.0).shape == pytest.approx(1 / 0.16)
    same = money.job_law(stated, region, np.full(30, 3.0), 20.0, 40.0)
    assert (same.shape, same.worth) == (pytest.approx(1e4), pytest.approx(20.0 * (0.01 / 0.4) ** 2))
    zeros = money.job_law(stated, region, np.where(region == 0, 0.0, told), 20.0, 40.0)  # no mean to be apart from
    assert (zeros.shape, zeros.mean[0]) == (pytest.approx(1e4), pytest.approx(2.0 * zeros.worth / (zeros.worth + 16)))
    alone = money.job_law(np.ones(31), np.arange(31, dtype=np.int32), np.full(31, 3.0), 20.0, 40.0)
    assert alone.shape == pytest.approx(1 / 0.16)  # as many means as claims tell no spread
    pair, told = np.append(0, np.arange(30)).astype(np.int32), np.append([1.0, 3.0], np.full(29, 3.0))
    assert money.job_law(np.ones(30), pair, told, 20.0, 40.0).shape == pytest.approx(1 / 0.5)  # one more does


def fleet_of(**changed: Any) -> Any:
    """Two regions, two designs, cut-off in month 100; eight claims of which one tells of a regrade."""
    rates = Rates(*(np.array(each) for each in ([1.0, 2.0], [0.5, 0.25], [60.0, 40.0], [8.0, 6.0], [25.0, 5.0])))
    at = SimpleNamespace(rates_worth=1.0, job_spread_pct=50.0, job_lag_months=2)
    columns = {
        #            told  future  long ago  closes later  open  visit  no cost  at the first month and the last
        "region": [0, 0, 0, 0, 1, 1, 0, 0],
        "design": [0, 0, 1, 0, 1, 1, 1, 1],
        "report": [95, 101, 79, 98, 100, 99, 96, 80],
        "close": [100, 101, 90, 101, NONE, 99, 97, 81],
        "disposition": [REGRADE] * 5 + [SEASONAL] + [REGRADE] * 2,
        "cover_end": [NONE, NONE, NONE, 99, 100, NONE, NONE, NONE],
    }
    told = {name: np.array(each, dtype=np.int32) for name, each in columns.items()}
    told["hours"] = np.array([3.0, 9.0, 9.0, 9.0, 5.0, 0.75, np.nan, 4.0])
    told["cost"] = np.array([300.0, 900.0, 900.0, 900.0, 500.0, 30.0, np.nan, np.nan])
    regions = {"a": [12000.0] * 6 + [1.0] * 6, "b": [float(m) for m in range(12)]}
    kinds = {name: SimpleNamespace(seasonal_complaints_per_thousand=each) for name, each in regions.items()}
    settings = SimpleNamespace(habits=at, seed=7, discount_pct=10.0, regions=kinds)
    fleet = SimpleNamespace(claims=SimpleNamespace(**told), rates=rates, settings=settings, claims_since=80,
                            regions=("a", "b"), designs=("x", "y"))  # fmt: skip
    return SimpleNamespace(fleet=fleet, cutoff=100, **changed)


def test_which_claims_teach_the_rates() -> None:
    """Region a is told by the first claim and the last (hours alone), b by the open one; each counts as one job more
    than the stated one: 60 + 8 + 25 and 80 + 6 + 5 a regrade, 30 and 10 a visit."""
    laws = money.job_laws(fleet_of())
    assert laws.hours.told.tolist() == [2, 1]
    assert laws.hours.mean == pytest.approx([(1 + 3 + 4) / 3, (2 + 5) / 2])
    assert laws.cost.mean == pytest.approx([(93 + 300) / 2, (91 + 500) / 2])
    assert laws.visit_hours.mean == pytest.approx([0.5, (0.25 + 0.75) / 2])
    assert laws.visit_cost.mean == pytest.approx([30.0, (10 + 30) / 2])


def test_open_jobs_by_hand() -> None:
    """Lag of two months: told in 98 was due in 100, so at once; in 100 due in 102, a month late. In cover only: the
    first was out of it since 99 - 1 = not at its report in 98; the second's ended with 100."""
    demand = fleet_of()
    both = np.zeros((2, 2, 2))
    both[0, 0, 0], both[1, 1, 1] = 1.0, 1.0
    assert money.open_jobs(demand).tolist() == both.tolist()
    both[1, 1, 1] = 0.0
    assert money.open_jobs(demand, in_cover_only=True).tolist() == both.tolist()
    demand.fleet.settings.habits.job_lag_months = 0
    assert money.open_jobs(demand).tolist() == [[[1.0, 0.0], [0.0, 1.0]]]
    values = np.arange(1.0, 5.0)[:, None]
    assert money.in_job_months(values, np.array([[10.0], [20.0]]), 1).ravel().tolist() == [10, 21, 2, 3]
    assert money.in_job_months(values[:1], np.array([[10.0], [20.0]]), 2).ravel().tolist() == [10]


def test_shares_by_month_of_sale_by_hand() -> None:
    """Two months of sales, a reach of four. Region a, design x: jobs 0.1 and 0.3; y: no jobs expected, so by units,
    2 and 6. Complaints: units times the rates of the months in cover and reach (month 101 is a June, 12 and then 1)."""
    sale, cover = np.array([100, 101, 102, 102, 101, 103, 102]), np.array([9, 2, 9, 1, 3, 9, 2])
    region, design = np.array([0, 0, 0, 0, 0, 0, 1]), np.array([0, 0, 0, 1, 1, 0, 0])
    count = np.array([50, 1, 1, 6, 2, 70, 5])
    issued = np.zeros((2, 2, 2))
    issued[0, 0] = [0.1, 0.3]
    demand = fleet_of(
        expected=SimpleNamespace(issued=issued), sold=SimpleNamespace(visits=np.zeros((1, 4, 2, 2))),
        cohorts=SimpleNamespace(sale=sale, cover=cover, region=region, design=design, count=count),
    )  # fmt: skip
    jobs, calls = money.by_month_of_sale(demand)
    assert jobs[0] == pytest.approx(np.array([[0.25, 0.75], [0.25, 0.75]]))
    assert jobs[1].tolist() == [[0.0, 1.0], [0.0, 0.0]]
    rate = dict(zip(range(101, 105), (12000.0, 1.0, 1.0, 1.0), strict=True))
    early, late = rate[101] + rate[102], rate[102] + rate[103] + rate[104]
    assert calls[0, 0] == pytest.approx([early / (early + late), late / (early + late)])
    assert calls[0, 1] == pytest.approx(np.array([2 * (early + 1), 6]) / (2 * (early + 1) + 6))
    assert calls[1].tolist() == [[0.0, 1.0], [0.0, 0.0]]


def test_money_of_two_futures_by_hand(monkeypatch: pytest.MonkeyPatch) -> None:
    """One region and design, two months shown of three ahead, jobs a month late, one open job in cover, 21 % a year:
    a month at a means worth 1.21^-(t + 1/2)/12. With every draw its mean, a job costs its posterior mean times n / (n +
    1) with n its weight and shape."""
    keys: list[list[int]] = []
    monkeypatch.setattr(np.random, "default_rng", lambda key: keys.append(key) or MIDDLE)
    regrades, visits = np.zeros((2, 3, 1, 1, 2)), np.zeros((2, 3, 1, 1))
    regrades[0, :, 0, 0, 1], regrades[:, :, 0, 0, 0], regrades[1, :, 0, 0, 1] = [1, 2, 4], 99, [0, 1, 0]
    visits[0, :, 0, 0] = [10, 0, 20]
    later, more = np.zeros_like(regrades), np.zeros_like(visits)
    later[0, :, 0, 0, 1], more[1, :, 0, 0] = [8, 0, 16], [0, 6, 4]
    demand = fleet_of(
        sold=SimpleNamespace(regrades=regrades, visits=visits), planned=SimpleNamespace(regrades=later, visits=more),
        cube={"seasonal": np.zeros((2, 2, 1, 1))}, expected=SimpleNamespace(issued=np.array([[[1.0, 3.0]]])),
        cohorts=SimpleNamespace(sale=np.array([102]), cover=np.array([9]), region=np.array([0]), design=np.array([0]),
                                count=np.array([5])),
    )  # fmt: skip
    fleet = demand.fleet
    fleet.regions, fleet.designs, fleet.settings.discount_pct, fleet.settings.habits.job_lag_months = "a", "x", 21.0, 1
    fleet.rates = Rates(*(getattr(fleet.rates, name)[:1] for name in Rates.__dataclass_fields__))
    for name in ("region", "design"):
        getattr(fleet.claims, name)[:] = 0
    fleet.claims.cover_end[4] = 101  # the open job of month 100, due at once
    fleet.claims.close[3], fleet.claims.hours[:], fleet.claims.cost[:] = 99, np.nan, np.nan
    found = money.sampled_money(demand)
    assert [key[:2] for key in keys] == [[7, 0], [7, 1]]
    hour, cost, visit_hour, visit = (4 / 5 * mean for mean in (1.0, 93.0, 0.5, 30.0))
    assert found.hours[:, :, 0, 0] == pytest.approx(
        np.array([[1 * hour + 10 * visit_hour, (1 + 8) * hour], [1 * hour, 6 * visit_hour]])
    )
    assert found.cost[:, :, 0, 0] == pytest.approx(
        np.array([[1 * cost + 10 * visit, (1 + 8) * cost], [1 * cost, 6 * visit]])
    )
    month = 1.21 ** (-(np.arange(4) + 0.5) / 12)
    one = month @ np.array([cost + 10 * visit, cost, 2 * cost + 20 * visit, 4 * cost])
    other = month @ np.array([cost, 0, cost, 0])
    assert found.reserve[:, 0, 0] == pytest.approx([one, other])
    assert found.remaining == pytest.approx([one, other])
    assert found.face[0, 0] == pytest.approx((10 * cost + 30 * visit) / 2)
    calls = (6 + 4) * visit / 2  # all of the one month with sales
    assert found.issued == pytest.approx([24 * cost / 2 * 0.25, 24 * cost / 2 * 0.75 + calls])
