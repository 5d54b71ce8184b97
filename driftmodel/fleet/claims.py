"""What claims teach beside the hazard: known by a month, counted, how late, which grades, and a gamma multiplier on an
expected number with its posterior.

Counts are Poisson about multiplier x expected; the multiplier is gamma, so the posterior is gamma (Gelman et al. 2013,
sec. 2.6)."""

from __future__ import annotations

from dataclasses import dataclass
from math import exp

import numpy as np
from numpy.typing import ArrayLike
from scipy.stats import gamma

from driftmodel.base.arrays import only, ratio
from driftmodel.base.schema import Array, Flags, Integers
from driftmodel.fleet.cohorts import Cohorts, in_cover
from driftmodel.fleet.delay import ReportingLag
from driftmodel.fleet.roster import REGRADE, SEASONAL, Claims, Fleet
from driftmodel.fleet.tables import NONE

LATENESS_MONTHS = 12  # in which the claims' lateness tells when they fell due; own choice, no source
GRADE_WORTH = 20.0  # jobs; own choice, no source


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


def gamma_of(samples: Array) -> Multiplier:
    """The gamma law of the same mean and variance as samples (samples, ...)."""
    mean, variance = samples.mean(axis=0), np.maximum(samples.var(axis=0), 1e-12)
    return Multiplier(mean**2 / variance, mean / variance)


def known_claims(claims: Claims, cutoff: int) -> Claims:
    """The claims reported by the end of a month."""
    return only(claims, claims.report <= cutoff)


def counted(claims: Claims, chosen: Flags, shape: tuple[int, int]) -> Integers:
    table = np.zeros(shape, dtype=np.int64)
    np.add.at(table, (claims.region[chosen], claims.design[chosen]), 1)
    return table


def lateness(claims: Claims, cutoff: int, regions: int, lag: ReportingLag) -> Array:
    """Claims of the last year by region, how many months ago they were reported, and how many months late, no later
    than the lag has it: (regions, months, lags), as far as their lag is still that of the cut-off."""
    ago, late = cutoff - claims.report, claims.report - claims.event
    table = np.zeros((regions, LATENESS_MONTHS, lag.shares.size))
    own = (ago < LATENESS_MONTHS) & (late < lag.shares.size)
    np.add.at(table, (claims.region[own], ago[own], late[own]), lag.keep ** ago[own])
    return table


def grade_shares(parts: Array, known: Claims) -> Array:
    """Share of each grade, (regions, designs, months, grades, 2): of the physics in that month, in all months where it
    has none, with the grades that claims say were fitted counting as GRADE_WORTH of the physics' jobs would."""
    shape = parts.shape
    whole = parts.sum(axis=(2, 4))  # region, design, grade
    fleet = whole.sum(axis=(0, 1)) + 1e-9
    base = np.where(whole.sum(axis=2, keepdims=True) > 0.0, whole, fleet)
    base = ratio(base, base.sum(axis=2, keepdims=True))
    chosen = (known.disposition == REGRADE) & (known.grade != NONE)
    fitted = np.zeros(whole.shape)
    np.add.at(fitted, (known.region[chosen], known.design[chosen], known.grade[chosen]), 1.0)
    physics = np.where(
        parts.sum(axis=3, keepdims=True) > 0.0,
        ratio(parts, parts.sum(axis=3, keepdims=True)),
        base[:, :, None, :, None],
    )
    weight = ratio(fitted.sum(axis=2), fitted.sum(axis=2) + GRADE_WORTH)[:, :, None, None, None]
    own = ratio(fitted, fitted.sum(axis=2, keepdims=True))[:, :, None, :, None]
    mixed = (1.0 - weight) * physics + weight * np.broadcast_to(own, shape)
    return np.asarray(mixed / mixed.sum(axis=3, keepdims=True))


def seasonal_expected(fleet: Fleet, covered: Array, start: int) -> Array:
    """Complaints that come back with the season, at the stated rates: (regions, designs, months) of units in cover."""
    rate = np.array([fleet.settings.regions[name].seasonal_complaints_per_thousand for name in fleet.regions]) / 1000.0
    calendar = (start + np.arange(covered.shape[2])) % 12
    return np.asarray(covered * rate[:, calendar][:, None, :])


def complaint_law(fleet: Fleet, cohorts: Cohorts, known: Claims, cutoff: int) -> Multiplier:
    """Multiplier of the stated seasonal rates by region, from the seasonal claims so far."""
    start = int(cohorts.sale.min(initial=cutoff)) if fleet.claims_since == NONE else fleet.claims_since
    shape = (len(fleet.regions), len(fleet.designs))
    past = seasonal_expected(fleet, in_cover(cohorts, shape, start, max(cutoff - start + 1, 1)), start)
    count = counted(known, (known.disposition == SEASONAL) & (known.report >= start), shape).sum(axis=1)
    return posterior(prior(fleet.settings.multiplier_log_sd), count, past.sum(axis=(1, 2)))
