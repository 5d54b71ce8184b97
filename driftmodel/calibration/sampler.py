"""Draws from a posterior: tempered sequential Monte Carlo over standard normal unknowns.

Why this method. Eight to thirty unknowns, of which a few readings pin down a handful of combinations; the answer is a
product of unknowns, so posteriors are curved and, with readings that may be slips, can have two humps. A least-squares
fit with a Gaussian about it is wrong in both cases, a single random walk may sit in one hump. Here a cloud of prior
draws is led to the posterior in steps of the power of the likelihood, each so long that half of the cloud still counts
(Del Moral, Doucet and Jasra 2006; adaptive steps as in Jasra et al. 2011). Between steps every particle moves by a
preconditioned Crank-Nicolson proposal about the cloud's own mean and covariance (Rudolf and Sprungk 2018): directions
the readings say nothing about stay exactly at the prior, whatever their number. It needs no gradient, runs as arrays,
and gives the probability of the readings under the model (the evidence) on the way."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from driftmodel.base.schema import Array, Flags

#: share of the cloud that must still count after a tempering step
KEPT_SHARE = 0.5
#: moves after each step, twice as many after the last
MOVES = 6
#: the reference of the moves is made this much wider than the cloud, so that its tails are reached; a normal about a
#: cloud that is near the posterior this much
WIDER, ABOUT = 1.15, 1.4
#: the logarithm of what lies past the bound, nearly
IMPOSSIBLE = 1e9


@dataclass(frozen=True)
class Sampled:
    """normals (particles, unknowns), equally weighted; log_evidence; effective_sample_size of the last reweighting;
    tempering stages; mean acceptance of the moves."""

    normals: Array
    log_evidence: float
    effective_sample_size: float
    stages: int
    acceptance: float


def sample(
    log_likelihood: Callable[[Array], Array], start: Array, seed: int, bound: float = np.inf, moves: int = MOVES
) -> Sampled:
    """Lead prior draws `start` (particles, unknowns), standard normal, to the posterior of `log_likelihood`,
    (particles, unknowns) -> (particles,). Particles stay inside +-bound, where the prior is cut off."""
    random = np.random.default_rng([seed, 5])
    cloud = start.copy()
    known = log_likelihood(cloud)
    power, evidence, stages, kept = 0.0, 0.0, 0, float(len(cloud))
    step, accepted = 0.6, []
    while power < 1.0:
        rise = _next_rise(known, 1.0 - power)
        weights = np.exp(rise * (known - known.max()))
        evidence += float(rise * known.max() + np.log(weights.mean()))
        kept = float(weights.sum() ** 2 / np.sum(weights**2))
        power += rise
        stages += 1
        chosen = _systematic(weights / weights.sum(), random)
        cloud, known = cloud[chosen], known[chosen]
        reference = _reference(cloud)
        for _ in range(moves if power < 1.0 else 2 * moves):
            cloud, known, share = _move(cloud, known, log_likelihood, power, reference, step, bound, random)
            accepted.append(share)
            step = float(np.clip(step * np.exp(share - 0.35), 0.05, 1.0))
    return Sampled(cloud, evidence, kept, stages, float(np.mean(accepted)) if accepted else 1.0)


def sample_about(
    log_likelihood: Callable[[Array], Array], cloud: Array, start: Array, seed: int, bound: float, moves: int = MOVES
) -> Sampled:
    """The same posterior, led to from a normal about a cloud that is near it in place of from the prior: few steps
    where many readings would take many. `start` (particles, unknowns), standard normal, is put about the cloud."""
    mean, factor = _reference(cloud, ABOUT)
    log_det = float(np.sum(np.log(np.diag(factor))))

    def surplus(own: Array) -> Array:
        there = mean + own @ factor.T
        inside = (np.abs(there) <= bound).all(axis=1)
        found = log_likelihood(np.clip(there, -bound, bound)) + log_det
        return np.where(inside, found - 0.5 * np.sum(there**2 - own**2, axis=1), -IMPOSSIBLE)

    found = sample(surplus, start, seed, moves=moves)
    return replace(found, normals=mean + found.normals @ factor.T)


def _next_rise(known: Array, left: float) -> float:
    """The rise in the likelihood's power that leaves KEPT_SHARE of the cloud counting, at most `left`."""

    def share(rise: float) -> float:
        weights = np.exp(rise * (known - known.max()))
        return float(weights.sum() ** 2 / np.sum(weights**2) / known.size)

    if share(left) >= KEPT_SHARE:
        return left
    low, high = 0.0, left
    for _ in range(40):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if share(middle) >= KEPT_SHARE else (low, middle)
    return max(low, 1e-9)


def _systematic(weights: Array, random: np.random.Generator) -> NDArray[np.intp]:
    """Indices drawn with the weights, evenly spread (systematic resampling)."""
    count = weights.size
    marks = (np.arange(count) + random.random()) / count
    return np.minimum(np.searchsorted(np.cumsum(weights), marks), count - 1)


def _reference(cloud: Array, wider: float = WIDER) -> tuple[Array, Array]:
    """Mean of the cloud and a Cholesky factor of its covariance, made wider."""
    mean = cloud.mean(axis=0)
    covariance = np.atleast_2d(np.cov(cloud.T)) * wider + 1e-9 * np.eye(cloud.shape[1])
    return mean, np.asarray(np.linalg.cholesky(covariance), dtype=float)


def _move(
    cloud: Array,
    known: Array,
    log_likelihood: Callable[[Array], Array],
    power: float,
    reference: tuple[Array, Array],
    step: float,
    bound: float,
    random: np.random.Generator,
) -> tuple[Array, Array, float]:
    mean, factor = reference
    noise = random.standard_normal(cloud.shape) @ factor.T
    # a random share of the step: bold and timid proposals in one sweep
    steps = np.minimum(step * random.uniform(0.3, 1.5, size=(len(cloud), 1)), 1.0)
    proposed = mean + np.sqrt(1.0 - steps**2) * (cloud - mean) + steps * noise
    inside: Flags = np.asarray((np.abs(proposed) <= bound).all(axis=1))
    proposed = np.where(inside[:, None], proposed, cloud)
    found = log_likelihood(proposed)
    gain = power * (found - known) + _surplus(proposed, reference) - _surplus(cloud, reference)
    taken = inside & (np.log(random.random(len(cloud))) < gain)
    return (np.where(taken[:, None], proposed, cloud), np.where(taken, found, known), float(taken.mean()))


def _surplus(cloud: Array, reference: tuple[Array, Array]) -> Array:
    """Logarithm of the standard normal density over the reference's, up to a constant."""
    from scipy.linalg import solve_triangular

    mean, factor = reference
    scaled = solve_triangular(factor, (cloud - mean).T, lower=True)
    return np.asarray(0.5 * np.sum(scaled**2, axis=0) - 0.5 * np.sum(cloud**2, axis=1))
