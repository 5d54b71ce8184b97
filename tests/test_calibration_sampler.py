"""The sampler against the closed form of the linear-Gaussian case and against a general library's least squares.

Closed form: posterior covariance (I + A' A / s^2)^-1 and mean thereof times A' y / s^2; evidence N(y; 0, A A' + s^2 I):
Bishop (2006), Pattern Recognition and Machine Learning, Eqs. 3.53-3.54 and 2.115, with a standard normal prior.
"""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest
from scipy.optimize import least_squares
from scipy.stats import multivariate_normal, norm, truncnorm

from driftmodel.calibration import sampler
from driftmodel.calibration.sampler import sample, sample_about

UNKNOWNS, READINGS, NOISE = 12, 6, 0.3


@pytest.fixture(scope="module")
def linear() -> tuple[np.ndarray, np.ndarray]:
    random = np.random.default_rng(3)
    matrix = random.normal(size=(READINGS, UNKNOWNS)) / 2.0
    return matrix, matrix @ random.normal(size=UNKNOWNS) + NOISE * random.normal(size=READINGS)


def start(particles: int, unknowns: int) -> np.ndarray:
    return np.random.default_rng(8).standard_normal((particles, unknowns))


@pytest.mark.parametrize("near", [False, True])
def test_linear_gaussian_equals_the_closed_form(linear: tuple[np.ndarray, np.ndarray], near: bool) -> None:
    """Led to from the prior, and in fewer steps from a normal about a cloud near by, a little off and narrower."""
    matrix, read = linear
    covariance = np.linalg.inv(np.eye(UNKNOWNS) + matrix.T @ matrix / NOISE**2)
    mean = covariance @ matrix.T @ read / NOISE**2

    def log_likelihood(z: np.ndarray) -> np.ndarray:
        law = multivariate_normal(np.zeros(READINGS), NOISE**2 * np.eye(READINGS))
        return np.asarray(law.logpdf(read - z @ matrix.T))

    if near:
        off = mean + 0.3 * np.sqrt(np.diag(covariance))
        cloud = np.random.default_rng(2).multivariate_normal(off, 0.8 * covariance, 200)
        found = sample_about(log_likelihood, cloud, start(4000, UNKNOWNS), 1, 6.0)
    else:
        found = sample(log_likelihood, start(4000, UNKNOWNS), 1)
    # 4000 particles: a mean is known to about 1 / sqrt(4000 x 0.4) of a posterior sd; four of these
    assert np.abs((found.normals.mean(axis=0) - mean) / np.sqrt(np.diag(covariance))).max() < 0.10
    assert np.abs(np.cov(found.normals.T) - covariance).max() < 0.10
    exact = multivariate_normal.logpdf(read, np.zeros(READINGS), matrix @ matrix.T + NOISE**2 * np.eye(READINGS))
    assert found.log_evidence == pytest.approx(exact, abs=0.25)
    # each step but the last keeps half of the cloud; the moves' reference is nearly the posterior: most are taken
    steps = (1, 4) if near else (5, 12)
    assert steps[0] <= found.stages <= steps[1] and 2000 <= found.effective_sample_size <= 4000
    assert 0.5 < found.acceptance < 0.97


def test_what_lies_past_the_bound_is_left_out_about_a_cloud_too() -> None:
    """A normal prior cut off at 1, nothing read: its spread, and the share of it inside as the evidence."""
    found = sample_about(lambda z: np.zeros(len(z)), start(500, 1), start(4000, 1), 1, 1.0)
    assert np.abs(found.normals).max() <= 1.0 and found.normals.std() == pytest.approx(truncnorm(-1, 1).std(), rel=0.03)
    assert np.exp(found.log_evidence) == pytest.approx(norm.cdf(1.0) - norm.cdf(-1.0), rel=0.05)


def test_no_reading_leaves_the_prior() -> None:
    found = sample(lambda z: np.full(len(z), -7.0), start(2000, 5), 1)
    assert found.stages == 1 and found.effective_sample_size == pytest.approx(2000.0)
    assert found.log_evidence == pytest.approx(-7.0)
    assert np.abs(found.normals.mean(axis=0)).max() < 0.1
    assert np.abs(found.normals.std(axis=0) - 1.0).max() < 0.08


def test_a_product_peaks_where_least_squares_does() -> None:
    """Two factors of which only the product is read: scipy's least squares finds the top of the posterior, and the
    curvature there its width along the product."""
    read = 2.0

    def log_likelihood(z: np.ndarray) -> np.ndarray:
        return np.asarray(-0.5 * ((read - np.exp(0.4 * z[:, 0] + 0.3 * z[:, 1])) / 0.05) ** 2)

    best = least_squares(lambda z: [(read - np.exp(0.4 * z[0] + 0.3 * z[1])) / 0.05, z[0], z[1]], [0.0, 0.0]).x
    found = sample(log_likelihood, start(4000, 2), 2)
    assert np.abs(found.normals.mean(axis=0) - best).max() < 0.06
    product = np.exp(found.normals @ [0.4, 0.3])
    assert product.mean() == pytest.approx(read, abs=0.01) and product.std() == pytest.approx(0.05, rel=0.08)
    # along the ridge nothing was read: the prior's own width stays
    along = found.normals @ np.array([-0.3, 0.4]) / 0.5
    assert along.std() == pytest.approx(1.0, abs=0.06) and abs(along.mean()) < 0.06


def test_two_humps_are_both_kept() -> None:
    """The square of an unknown was read: both signs are as likely."""
    found = sample(lambda z: -0.5 * ((z[:, 0] ** 2 - 2.0) / 0.1) ** 2, start(2000, 3), 4)
    assert 0.4 < np.mean(found.normals[:, 0] > 0) < 0.6


def test_particles_stay_inside_the_bound() -> None:
    cut = np.clip(start(1000, 2), -3.0, 3.0)
    found = sample(lambda z: -0.5 * ((z[:, 0] - 5.0) / 0.2) ** 2, cut, 1, bound=3.0)
    assert np.abs(found.normals).max() <= 3.0 and found.normals[:, 0].mean() > 2.8


def test_each_stage_keeps_half_the_cloud_and_draws_by_weight() -> None:
    known = -0.5 * np.random.default_rng(2).standard_normal(500) ** 2 * 40.0
    rise = sampler._next_rise(known, 1.0)
    weights = np.exp(rise * known)
    assert weights.sum() ** 2 / (weights**2).sum() == pytest.approx(250.0, rel=1e-4) and 0.0 < rise < 1.0
    assert sampler._next_rise(known, rise / 2.0) == rise / 2.0
    assert sampler._next_rise(known + 1e5, 1.0) == pytest.approx(rise)  # odds alone count, however likely all are
    assert sampler._next_rise(np.zeros(9), 0.7) == 0.7
    share = np.array([0.1, 0.05, 0.6, 0.25])
    counts = np.bincount(sampler._systematic(np.repeat(share, 100) / 100.0, np.random.default_rng(1)), minlength=400)
    parts = counts.reshape(4, 100).sum(axis=1)
    assert (np.abs(parts - 400 * share) <= 1.0).all() and counts.sum() == 400
    rounded = np.full(10, 0.1)  # they add up to a little less than the last mark may be
    assert sampler._systematic(rounded, SimpleNamespace(random=lambda: 1.0)).max() == 9  # type: ignore[arg-type]
    cloud = np.random.default_rng(4).standard_normal((50, 2)) * [1.0, 3.0] + [0.5, 0.0]
    mean, factor = sampler._reference(cloud)
    np.testing.assert_allclose(mean, cloud.mean(axis=0))
    np.testing.assert_allclose(factor @ factor.T, 1.15 * np.cov(cloud.T), atol=1e-7)
    over = norm.logpdf(cloud).sum(axis=1) - multivariate_normal.logpdf(cloud, mean, factor @ factor.T)
    surplus = sampler._surplus(cloud, (mean, factor))
    np.testing.assert_allclose(surplus - surplus[0], over - over[0])


def test_moves_leave_the_posterior_as_it_is() -> None:
    """An exact cloud, posterior of a standard normal read as 1 with sd 0.5 at half power, stays so; only of what was
    taken is a new likelihood kept."""

    def log_likelihood(cloud: np.ndarray) -> np.ndarray:
        return np.asarray(norm.logpdf(1.0, cloud[:, 0], 0.5))

    random = np.random.default_rng(5)
    variance = 1.0 / (1.0 + 0.5 / 0.25)
    cloud = random.standard_normal((20000, 2)) * [np.sqrt(variance), 1.0] + [variance * 0.5 / 0.25, 0.0]
    reference = (np.array([0.3, 0.2]), np.linalg.cholesky(np.array([[0.5, 0.1], [0.1, 1.3]])))
    known = log_likelihood(cloud)
    for _ in range(4):
        cloud, known, share = sampler._move(cloud, known, log_likelihood, 0.5, reference, 0.8, np.inf, random)
    np.testing.assert_allclose(known, log_likelihood(cloud))
    np.testing.assert_allclose(cloud.mean(axis=0), [variance * 2.0, 0.0], atol=0.03)
    np.testing.assert_allclose(np.cov(cloud.T), np.diag([variance, 1.0]), atol=0.03)
    assert 0.5 < share < 0.95


def test_steps_of_the_moves_follow_what_was_taken(monkeypatch: pytest.MonkeyPatch) -> None:
    """Six moves a stage and twelve at the end; steps from 0.6 on so much bolder as more than 0.35 was taken, within
    0.05 and 1; the acceptance told is the mean of the moves."""
    asked, shares, plain = [], [], sampler._move

    def move(cloud, known, log_likelihood, power, reference, step, bound, random):  # type: ignore[no-untyped-def]
        found = plain(cloud, known, log_likelihood, power, reference, step, bound, random)
        asked.append((power, step))
        shares.append(found[2])
        return found

    monkeypatch.setattr(sampler, "_move", move)
    found = sample(lambda z: -0.5 * ((z[:, 0] ** 2 - 2.0) / 0.02) ** 2, start(400, 2), 4)
    assert found.stages > 2 and len(asked) == 6 * (found.stages - 1) + 12
    assert [power == 1.0 for power, _ in asked].count(True) == 12
    assert found.acceptance == pytest.approx(np.mean(shares))
    step = 0.6
    for (_, own), share in zip(asked, shares, strict=True):
        assert own == pytest.approx(step)
        step = float(np.clip(step * np.exp(share - 0.35), 0.05, 1.0))
    assert np.ptp(shares) > 0.1


@pytest.mark.parametrize("step", [0.5, 1.0])
def test_proposals_are_bold_and_timid_about_the_reference(step: float) -> None:
    """Each a share of 0.3 to 1.5 of the step, at most 1: kept of the place sqrt(1 - share^2), the rest drawn anew."""
    seen = []

    def likelihood(z: np.ndarray) -> np.ndarray:
        seen.append(z)
        return np.zeros(len(z))

    random, count = np.random.default_rng(1), 40000
    cloud = np.tile([2.0, -1.0], (count, 1))
    reference = (np.array([0.5, 0.5]), np.diag([2.0, 0.5]))
    sampler._move(cloud, np.zeros(count), likelihood, 1.0, reference, step, np.inf, random)
    shares = np.minimum(step * np.linspace(0.3, 1.5, 100_001), 1.0)
    kept, anew = float(np.mean(np.sqrt(1.0 - shares**2))), float(np.mean(shares**2))
    away = np.array([1.5, -1.5])
    np.testing.assert_allclose(seen[0].mean(axis=0), 0.5 + kept * away, atol=0.03)
    spread = (1.0 - anew - kept**2) * away**2 + anew * np.array([4.0, 0.25])
    np.testing.assert_allclose(seen[0].var(axis=0), spread, rtol=0.03)
