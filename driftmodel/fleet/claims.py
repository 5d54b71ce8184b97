"""What claims teach: a gamma multiplier on the expected number, its posterior, and what it predicts.

Counts are Poisson about multiplier x expected; the multiplier is gamma, so the posterior is gamma and the next count
negative binomial (Gelman et al. 2013, sec. 2.6).
"""

from __future__ import annotations

from dataclasses import dataclass
from math import exp

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.optimize import minimize
from scipy.special import gammaln
from scipy.stats import gamma, nbinom

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Multiplier:
    """Gamma law of a multiplier: mean shape / rate. Elements are scalars or arrays of one shape (region x design)."""

    shape: Array
    rate: Array

    @property
    def mean(self) -> Array:
        return self.shape / self.rate

    def quantile(self, probability: float) -> Array:
        return np.asarray(gamma.ppf(probability, self.shape, scale=1.0 / self.rate))


def prior(log_sd: float) -> Multiplier:
    """Mean 1 with the coefficient of variation of a lognormal of this log standard deviation: 1 / (exp(s^2) - 1)."""
    if not log_sd > 0.0:
        raise ValueError("a standard deviation above 0")
    size = np.asarray(1.0 / (exp(log_sd**2) - 1.0))
    return Multiplier(size, size)


def posterior(before: Multiplier, claims: ArrayLike, expected: ArrayLike) -> Multiplier:
    """After `claims` where the model expected `expected`, reporting delay already taken out of `expected`."""
    count, mean = np.asarray(claims, dtype=float), np.asarray(expected, dtype=float)
    if np.any(count < 0.0) or np.any(mean < 0.0):
        raise ValueError("claims and expected numbers of at least 0")
    return Multiplier(before.shape + count, before.rate + mean)


def next_count(law: Multiplier, expected: ArrayLike) -> tuple[Array, Array]:
    """Negative binomial (n, p) of scipy.stats.nbinom for the next count where the model expects `expected`."""
    mean = np.asarray(expected, dtype=float)
    return law.shape, np.asarray(law.rate / (law.rate + mean))


def next_count_quantile(law: Multiplier, expected: ArrayLike, probability: ArrayLike) -> Array:
    """Quantile of the next count."""
    return np.asarray(nbinom.ppf(np.asarray(probability, dtype=float), *next_count(law, expected)))


def fit_prior(counts: ArrayLike, exposure: ArrayLike) -> Multiplier:
    """Gamma shape and rate that make the counts most likely, each Poisson about its own rate x exposure.

    Raises ValueError for counts that are less scattered than one common rate allows.
    """
    count, time = np.asarray(counts, dtype=float), np.asarray(exposure, dtype=float)

    def loss(point: Array) -> float:
        shape, rate = np.exp(point)
        terms = gammaln(shape + count) - gammaln(shape) + shape * np.log(rate) - (shape + count) * np.log(rate + time)
        return -float(terms.sum())

    rate = float(count.sum() / time.sum())
    found = minimize(loss, np.log([1.0, 1.0 / rate]), method="Nelder-Mead", options={"xatol": 1e-9, "fatol": 1e-12})
    shape, scale = np.exp(found.x)
    if shape > 1e6:
        raise ValueError("the counts scatter no more than one common rate allows; the multiplier needs no spread")
    return Multiplier(np.asarray(shape), np.asarray(scale))
