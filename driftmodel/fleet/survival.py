"""Ages at failure with censoring: Weibull and lognormal laws, their fit, and what is still to come.

Both laws are of the log-location-scale family (Meeker and Escobar 1998, ch. 4): z = (log t - location) / scale. For
the Weibull, characteristic life = exp(location) and shape = 1 / scale. A law is functions of z, passed as an argument.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.optimize import minimize
from scipy.special import log_ndtr, ndtri
from scipy.stats import binom

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Law:
    """A log-location-scale law by its standard functions of z: log survival, log density, inverse of the cdf."""

    name: str
    log_survival: Callable[[Array], Array]
    log_density: Callable[[Array], Array]
    standard_quantile: Callable[[Array], Array]


WEIBULL = Law(
    "Weibull",
    lambda z: -np.exp(np.minimum(z, 700.0)),
    lambda z: z - np.exp(np.minimum(z, 700.0)),
    lambda p: np.log(-np.log1p(-p)),
)
LOGNORMAL = Law(
    "lognormal",
    lambda z: np.asarray(log_ndtr(-z)),
    lambda z: -0.5 * z**2 - 0.5 * np.log(2.0 * np.pi),
    lambda p: np.asarray(ndtri(p)),
)


@dataclass(frozen=True)
class Lifetimes:
    """Grouped ages, all (n,): the event lies in (lower, upper]; lower == upper is an exact age, upper inf is a unit
    still running at `lower`. weight: units so described. entry: age from which they were watched (left truncation)."""

    lower: Array
    upper: Array
    weight: Array
    entry: Array


@dataclass(frozen=True)
class Fit:
    """A fitted law. covariance: of (location, log scale), (2, 2), from the observed information."""

    law: Law
    location: float
    scale: float
    log_likelihood: float
    covariance: Array

    @property
    def characteristic_life(self) -> float:
        """Age that a share 1 - 1/e does not outlive under a Weibull law; the median under a lognormal one."""
        return float(np.exp(self.location))

    @property
    def shape(self) -> float:
        """Weibull shape."""
        return 1.0 / self.scale


def lifetimes(lower: ArrayLike, upper: ArrayLike, weight: ArrayLike = 1.0, entry: ArrayLike = 0.0) -> Lifetimes:
    """Grouped ages from anything array-like; see Lifetimes. Raises ValueError where upper < lower or entry > lower."""
    low, high, count, start = np.broadcast_arrays(
        *(np.asarray(part, dtype=float) for part in (lower, upper, weight, entry))
    )
    if np.any(high < low) or np.any(start > low) or np.any(low < 0.0) or np.any(count < 0.0):
        raise ValueError("ages must satisfy 0 <= entry <= lower <= upper, weights at least 0")
    return Lifetimes(low.ravel().copy(), high.ravel().copy(), count.ravel().copy(), start.ravel().copy())


def cohort_lifetimes(shipped: ArrayLike, returns: Sequence[ArrayLike]) -> Lifetimes:
    """Monthly shipments and returns as interval-censored ages.

    shipped (cohorts,): units; returns[i]: returns of cohort i in its months of age 1, 2, ..., up to the data cut-off.
    A return in month j of age happened somewhere in (j - 1, j].
    """
    low: list[float] = []
    high: list[float] = []
    weight: list[float] = []
    for units, months in zip(np.asarray(shipped, dtype=float), returns, strict=True):
        counts = np.asarray(months, dtype=float)
        low += [*range(counts.size), counts.size]
        high += [*range(1, counts.size + 1), np.inf]
        weight += [*counts, units - counts.sum()]
    kept = np.asarray(weight) > 0.0
    return lifetimes(np.asarray(low, dtype=float)[kept], np.asarray(high, dtype=float)[kept], np.asarray(weight)[kept])


def _standardised(age: Array, location: float, scale: float) -> Array:
    with np.errstate(divide="ignore"):
        return np.asarray((np.log(age) - location) / scale)


def log_likelihood(law: Law, location: float, scale: float, data: Lifetimes) -> float:
    """Sum over units of log density (exact), log probability of the interval, or log survival (still running)."""
    z_low = _standardised(data.lower, location, scale)
    z_high = _standardised(data.upper, location, scale)
    exact, running = data.lower == data.upper, np.isinf(data.upper)
    between = ~exact & ~running
    terms = np.zeros(data.lower.size)
    terms[running] = law.log_survival(z_low[running])
    terms[exact] = law.log_density(z_low[exact]) - np.log(scale) - np.log(data.lower[exact])
    start, end = law.log_survival(z_low[between]), law.log_survival(z_high[between])
    inside = -np.expm1(np.minimum(end - start, -1e-300))
    terms[between] = start + np.log(np.maximum(inside, 1e-300))
    late = data.entry > 0.0
    terms[late] -= law.log_survival(_standardised(data.entry[late], location, scale))
    return float(np.dot(data.weight, terms))


def fit_law(law: Law, data: Lifetimes, near: Fit | None = None) -> Fit:
    """Maximum likelihood; `near` is a fit to like data to start from.

    Raises ValueError when no unit has failed: the data then say nothing of the scale.
    """
    failed = np.isfinite(data.upper) & (data.weight > 0.0)
    if not failed.any():
        raise ValueError("at least one failure is needed to fit a law")
    total = float(data.weight.sum())

    def loss(point: Array) -> float:
        return -log_likelihood(law, float(point[0]), float(np.exp(point[1])), data) / total

    start = np.array([near.location, np.log(near.scale)]) if near else _rough_start(law, data, failed)
    point = _polished(loss, start) if near else start
    if np.abs(_slope(loss, point)).max() > 1e-7:
        rough: Any = minimize(loss, start, method="Nelder-Mead", options={"xatol": 1e-4, "fatol": 1e-9})
        point = _polished(loss, np.asarray(rough.x, dtype=float))
    covariance = np.asarray(np.linalg.pinv(_curvature(loss, point) * total), dtype=float)
    return Fit(law, float(point[0]), float(np.exp(point[1])), -loss(point) * total, covariance)


def _rough_start(law: Law, data: Lifetimes, failed: NDArray[np.bool_]) -> Array:
    """Location from the share failed at the middle of the ages, scale a usual one."""
    middle = np.where(failed, 0.5 * (data.lower + np.where(failed, data.upper, 0.0)), data.lower)
    middle = np.maximum(middle, 1e-9 * np.maximum(middle.max(), 1e-30))
    share = float(np.dot(data.weight, failed) / data.weight.sum())
    typical = float(np.average(np.log(middle), weights=data.weight + 1e-300))
    first_scale = 0.6
    return np.array(
        [
            typical - first_scale * float(law.standard_quantile(np.array(np.clip(share, 1e-6, 0.9)))),
            np.log(first_scale),
        ]
    )


def _slope(loss: Callable[[Array], float], point: Array, step: float = 1e-5) -> Array:
    shifts = np.eye(point.size) * step
    return np.array([(loss(point + shift) - loss(point - shift)) / (2.0 * step) for shift in shifts])


def _curvature(loss: Callable[[Array], float], point: Array, step: float = 1e-4) -> Array:
    shifts = np.eye(point.size) * step
    rows = [(_slope(loss, point + shift) - _slope(loss, point - shift)) / (2.0 * step) for shift in shifts]
    return np.asarray(0.5 * (np.array(rows) + np.array(rows).T))


def _polished(loss: Callable[[Array], float], point: Array) -> Array:
    """Newton steps from a nearby point, kept only while they help."""
    for _ in range(6):
        try:
            ahead = point - np.linalg.solve(_curvature(loss, point), _slope(loss, point))
        except np.linalg.LinAlgError:
            break
        if not np.isfinite(ahead).all() or loss(ahead) > loss(point):
            break
        if np.abs(ahead - point).max() < 1e-11:
            return ahead
        point = ahead
    return point


def probability_by(fit: Fit, age: ArrayLike) -> Array:
    """Probability of failure by an age (same unit as the fit's data)."""
    z = _standardised(np.asarray(age, dtype=float), fit.location, fit.scale)
    return np.asarray(-np.expm1(fit.law.log_survival(z)))


def quantile_age(fit: Fit, probability: ArrayLike) -> Array:
    """Age by which this share has failed; 0.1 gives the B10 life."""
    p = np.asarray(probability, dtype=float)
    return np.asarray(np.exp(fit.location + fit.scale * fit.law.standard_quantile(p)))


def conditional_probability(fit: Fit, age: ArrayLike, ahead: ArrayLike, cover: ArrayLike = np.inf) -> Array:
    """Probability that a unit running at `age` fails within `ahead`, no later than the age `cover`.

    [F(a + h) - F(a)] / [1 - F(a)]; a unit past its cover has probability 0.
    """
    now = np.asarray(age, dtype=float)
    until = np.maximum(np.minimum(now + np.asarray(ahead, dtype=float), np.asarray(cover, dtype=float)), now)
    start = fit.law.log_survival(_standardised(now, fit.location, fit.scale))
    end = fit.law.log_survival(_standardised(until, fit.location, fit.scale))
    return np.asarray(-np.expm1(np.minimum(end - start, 0.0)))


def count_distribution(probability: ArrayLike, units: ArrayLike = 1) -> Array:
    """Exact distribution of a number of failures, (units + 1,): groups of `units` with one `probability` each.

    Poisson-binomial, by convolution of the groups' binomials.
    """
    chance, size = np.broadcast_arrays(np.atleast_1d(np.asarray(probability, float)), np.asarray(units, dtype=int))
    whole = np.ones(1)
    for p, n in sorted(zip(chance.ravel().tolist(), size.ravel().tolist(), strict=True)):
        most = int(binom.isf(1e-17, n, p)) + 1 if 0.0 < p < 1.0 else n
        group = binom.pmf(np.arange(min(most, n) + 1), n, p)
        whole = np.convolve(whole, group)
    padded = np.zeros(int(size.sum()) + 1)
    padded[: whole.size] = whole[: padded.size]
    return padded


def simulate_cohorts(fit: Fit, shipped: Sequence[int], ages: Sequence[int], random: np.random.Generator) -> Lifetimes:
    """Monthly interval-censored returns of cohorts `shipped` watched for `ages` whole months each, drawn from a fit."""
    returns = []
    for units, months in zip(shipped, ages, strict=True):
        by = probability_by(fit, np.arange(months + 1, dtype=float))
        share = np.append(np.diff(by), 1.0 - by[-1])
        returns.append(random.multinomial(int(units), share / share.sum())[:-1])
    return cohort_lifetimes(np.asarray(shipped), returns)


def bootstrap_cohorts(
    fit: Fit, shipped: Sequence[int], ages: Sequence[int], *, count: int, seed: int
) -> tuple[Fit, ...]:
    """Parametric bootstrap: fits of `count` fleets drawn from `fit`, the spread of its parameters.

    Draws without a single failure are drawn again, so a fleet that has hardly failed keeps its uncertainty.
    """
    fits: list[Fit] = []
    for draw in range(count):
        random = np.random.default_rng([seed, draw])
        for _ in range(100):
            data = simulate_cohorts(fit, shipped, ages, random)
            if np.isfinite(data.upper).sum() >= 2:
                break
        else:
            raise ValueError("the fitted law gives no failures over the ages watched; nothing can be bootstrapped")
        fits.append(fit_law(fit.law, data, fit))
    return tuple(fits)


def predicted_counts(
    fits: Sequence[Fit], running: ArrayLike, ages: ArrayLike, ahead: float, *, seed: int, cover: float = np.inf
) -> NDArray[np.int64]:
    """One total of failures within `ahead` for each fit, (fits,): units `running` at `ages`, binomial draws.

    With the fits of a bootstrap the totals hold parameter uncertainty; with the one fit repeated they do not.
    """
    random = np.random.default_rng([seed, len(fits)])
    units, age = np.asarray(running, dtype=np.int64), np.asarray(ages, dtype=float)
    return np.array([random.binomial(units, conditional_probability(f, age, ahead, cover)).sum() for f in fits])
