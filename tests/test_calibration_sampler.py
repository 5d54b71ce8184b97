"""The sampler against the closed form of the linear-Gaussian case and against a general library's least squares.

Closed form: posterior covariance (I + A' A / s^2)^-1 and mean thereof times A' y / s^2; evidence N(y; 0, A A' + s^2 I):
Bishop (2006), Pattern Recognition and Machine Learning, Eqs. 3.53-3.54 and 2.115, with a standard normal prior.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy.optimize import least_squares
from scipy.stats import multivariate_normal

from driftmodel.calibration.sampler import sample

UNKNOWNS, READINGS, NOISE = 12, 6, 0.3


@pytest.fixture(scope="module")
def linear() -> tuple[np.ndarray, np.ndarray]:
    random = np.random.default_rng(3)
    matrix = random.normal(size=(READINGS, UNKNOWNS)) / 2.0
    return matrix, matrix @ random.normal(size=UNKNOWNS) + NOISE * random.normal(size=READINGS)


def start(particles: int, unknowns: int) -> np.ndarray:
    return np.random.default_rng(8).standard_normal((particles, unknowns))


def test_linear_gaussian_equals_the_closed_form(linear: tuple[np.ndarray, np.ndarray]) -> None:
    matrix, read = linear
    found = sample(
        lambda z: multivariate_normal.logpdf(read - z @ matrix.T, np.zeros(READINGS), NOISE**2 * np.eye(READINGS)),
        start(4000, UNKNOWNS),
        1,
    )
    covariance = np.linalg.inv(np.eye(UNKNOWNS) + matrix.T @ matrix / NOISE**2)
    mean = covariance @ matrix.T @ read / NOISE**2
    # 4000 particles: a mean is known to about 1 / sqrt(4000 x 0.4) of a posterior sd; four of these
    assert np.abs((found.normals.mean(axis=0) - mean) / np.sqrt(np.diag(covariance))).max() < 0.10
    assert np.abs(np.cov(found.normals.T) - covariance).max() < 0.10
    exact = multivariate_normal.logpdf(read, np.zeros(READINGS), matrix @ matrix.T + NOISE**2 * np.eye(READINGS))
    assert found.log_evidence == pytest.approx(exact, abs=0.25)


def test_no_reading_leaves_the_prior() -> None:
    found = sample(lambda z: np.zeros(len(z)), start(2000, 5), 1)
    assert found.stages == 1
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
