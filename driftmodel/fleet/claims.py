"""What claims teach: a gamma multiplier on the expected number, and its posterior.

Counts are Poisson about multiplier x expected; the multiplier is gamma, so the posterior is gamma (Gelman et al. 2013,
sec. 2.6)."""

from __future__ import annotations

from dataclasses import dataclass
from math import exp

import numpy as np
from numpy.typing import ArrayLike
from scipy.stats import gamma

from driftmodel.base.schema import Array


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
