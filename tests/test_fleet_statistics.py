"""Delay, claims, stock and scores against published numbers; "own" marks values computed separately.

Chain ladder: the RAA triangle (Reinsurance Association of America), factors as in Mack (1993) and the ChainLadder
manual. Pump counts: Gaver and O'Muircheartaigh (1987), Technometrics 29. Scores of counts: scoringRules (Jordan,
Krueger and Lerch 2019).
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import nbinom, poisson

from driftmodel.fleet import claims, delay, scores, stock

RAA = [
    [5012, 8269, 10907, 11805, 13539, 16181, 18009, 18608, 18662, 18834],
    [106, 4285, 5396, 10666, 13782, 15599, 15496, 16169, 16704],
    [3410, 8992, 13873, 16141, 18735, 22214, 22863, 23466],
    [5655, 11555, 15766, 21266, 23425, 26083, 27067],
    [1092, 9565, 15836, 22169, 25955, 26180],
    [1513, 6445, 11702, 12935, 15852],
    [557, 4020, 10946, 12314],
    [1351, 6947, 13112],
    [3133, 5395],
    [2063],
]
PUMP_COUNTS = [5, 1, 5, 14, 3, 19, 1, 1, 4, 22]
PUMP_TIME = [94.3, 15.7, 62.9, 126, 5.24, 31.4, 1.05, 1.05, 2.1, 10.5]
SHARES = [0.05, 0.20, 0.45, 0.22, 0.08]


def test_reverse_time_hazards_are_the_chain_ladder_of_the_raa_triangle() -> None:
    """Growth from a lag to the next is 1 / (1 - reverse-time hazard): factors and the number not yet reported."""
    table = np.full((10, 10), np.nan)
    for row, values in enumerate(RAA):
        table[row, : len(values)] = values
    here = np.diff(table, prepend=0.0)
    known = ~np.isnan(table[:, 1:])
    hazard = np.append(1.0, np.nansum(here[:, 1:], axis=0) / np.where(known, table[:, 1:], 0.0).sum(axis=0))
    assert 1.0 / (1.0 - hazard[1:]) == pytest.approx(
        [2.9994, 1.6235, 1.2709, 1.1717, 1.1134, 1.0419, 1.0333, 1.0169, 1.0092], abs=5e-5
    )
    reported = delay.shares_of(hazard).cumsum()
    latest = np.array([values[-1] for values in RAA])
    assert (latest / reported[::-1] - latest).sum() == pytest.approx(52135.23, abs=0.01)


def test_lag_shares_undo_right_truncation() -> None:
    """Reports with a known law of lags, cut off: the plain histogram leans to short lags, the shares do not."""
    random = np.random.default_rng(8)
    law = np.array([0.2, 0.2, 0.2, 0.2, 0.2])
    event = np.repeat(np.arange(1, 13), 4000)
    report = event + random.choice(5, event.size, p=law)
    known = report <= 12
    shares = delay.lag_from_claims(event[known], report[known], 12, 12).shares
    assert shares == pytest.approx(law, abs=0.012)
    assert shares.sum() == pytest.approx(1.0)
    recent = known & (event >= 9)
    plain = np.bincount(report[recent] - event[recent], minlength=5) / recent.sum()
    assert plain[0] > 0.3


def test_pump_data() -> None:
    """Posterior means from the prior of the maximum of the marginal likelihood, shape 0.823 and rate 1.262: own."""
    before = claims.Multiplier(np.asarray(0.823), np.asarray(1.262))
    means = claims.posterior(before, PUMP_COUNTS, PUMP_TIME).mean
    expected = [0.0609, 0.1075, 0.0908, 0.1165, 0.5880, 0.6069, 0.7886, 0.7886, 1.4347, 1.9405]
    assert means == pytest.approx(expected, abs=2e-4)


def test_prior_and_what_no_claims_do() -> None:
    before = claims.prior(0.5)
    assert float(before.shape) == pytest.approx(1.0 / (np.exp(0.25) - 1.0))
    assert float(before.mean) == 1.0
    assert float(claims.posterior(before, 0, 3.0).mean) < 1.0
    with pytest.raises(ValueError, match="above 0"):
        claims.prior(0.0)


def poisson_chances(mean: float) -> np.ndarray:
    return np.asarray(poisson.pmf(np.arange(int(poisson.isf(1e-14, mean)) + 2), mean))


def test_a_job_uses_one_grade() -> None:
    """Own values: levels each safe at 95 % fill only 91.4 % of jobs; 28 pieces is the least for 95 %."""
    demand = [poisson_chances(12.0 * share) for share in SHARES]
    each = [2, 5, 9, 6, 3]
    assert [int(poisson.ppf(0.95, 12.0 * share)) for share in SHARES] == each
    assert stock.job_fill(each, demand) == pytest.approx(0.9136, abs=1e-4)
    by_hand = sum(share * poisson.cdf(level - 1, 12.0 * share) for share, level in zip(SHARES, each, strict=True))
    assert stock.job_fill(each, demand) == pytest.approx(by_hand, abs=1e-12)
    found = stock.stock_for_jobs(demand, 0.95)
    assert found.pieces == (2, 6, 11, 6, 3)
    assert found.job_fill == pytest.approx(0.9593, abs=1e-4)


def test_crps_of_counts() -> None:
    """scoringRules crps_pois and crps_nbinom, by the 20,000 even quantiles of each law."""
    even = (np.arange(20000) + 0.5) / 20000
    for law, came, wanted in (
        (poisson(5.058), 5, 0.509292),
        (poisson(5.058), 9, 2.805280),
        (nbinom(100, 0.95), 5, 0.532153),
        (nbinom(2000.1, 0.9), 222, 3.669267),
    ):
        assert float(scores.crps_samples(law.ppf(even), came)) == pytest.approx(wanted, abs=2e-4)


def test_drawn_lags_are_dirichlet_where_nothing_is_cut_off() -> None:
    """Dirichlet law of counts n_k: mean n_k / n, variance m (1 - m) / (n + 1) (Gelman et al. 2013, table A.1)."""
    shares = np.array([0.3, 0.25, 0.0, 0.35, 0.1])
    law = delay.stated_lag(shares, 20.0)
    random = np.random.default_rng(2)
    drawn = np.array([law.draw(random) for _ in range(20000)])
    assert drawn.sum(axis=1) == pytest.approx(np.ones(20000))
    assert drawn.mean(axis=0) == pytest.approx(shares, abs=0.003)
    assert drawn.var(axis=0) == pytest.approx(shares * (1.0 - shares) / 21.0, rel=0.05)


def test_lags_from_claims_are_drawn_about_the_chain_ladder_and_wider_from_fewer() -> None:
    """Reports cut off at month 12: the draws' mean is the estimate, and the spread falls as one over the root of n."""
    random = np.random.default_rng(4)
    spread = []
    for count in (60, 6000):
        event = random.integers(0, 13, count)
        report = event + random.choice(3, count, p=[0.5, 0.3, 0.2])
        known = report <= 12
        law = delay.lag_from_claims(event[known], report[known], 12, 12)
        assert law.shares == pytest.approx(np.array([0.5, 0.3, 0.2]), abs=0.25 if count < 100 else 0.03)
        drawn = np.array([law.draw(random) for _ in range(4000)])
        assert drawn.mean(axis=0) == pytest.approx(law.shares, abs=0.01)
        spread.append(float(drawn[:, 0].std()))
    assert spread[0] / spread[1] == pytest.approx(10.0, rel=0.25)


def test_pit_is_flat_when_right_and_bent_when_too_narrow() -> None:
    random = np.random.default_rng(6)
    mean = random.uniform(3, 30, 3000)
    observed = random.poisson(mean)
    flat = scores.pit(random.poisson(mean[:, None], (3000, 200)), observed)
    assert np.abs(flat - 0.1).max() < 0.02
    narrow = scores.pit(np.round(mean[:, None] + random.normal(0.0, 0.5, (3000, 200))), observed)
    assert narrow[[0, -1]].min() > 0.15
