"""How good a forecast was: proper scores, coverage, and the probability integral transform of counts."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import ArrayLike
from scipy.stats import binom

from driftmodel.base.arrays import ratio
from driftmodel.base.schema import Array


def crps_samples(samples: ArrayLike, observed: ArrayLike) -> Array:
    """Continuous ranked probability score of samples (..., samples) against what came (...): E|X - y| - E|X - X'| / 2
    of the empirical law (Gneiting and Raftery 2007, eq. 21)."""
    x = np.sort(np.asarray(samples, dtype=float), axis=-1)
    y = np.asarray(observed, dtype=float)
    n = x.shape[-1]
    apart = np.abs(x - y[..., None]).mean(axis=-1)
    spread = (x * (2.0 * np.arange(1, n + 1) - n - 1.0)).sum(axis=-1) / n**2
    return np.asarray(apart - spread)


def interval_score(low: ArrayLike, high: ArrayLike, observed: ArrayLike, alpha: float) -> Array:
    """Width, and 2 / alpha times what lies outside, of a central 1 - alpha interval
    (Gneiting and Raftery 2007, eq. 43)."""
    bottom, top, y = (np.asarray(part, dtype=float) for part in (low, high, observed))
    outside = np.maximum(bottom - y, 0.0) + np.maximum(y - top, 0.0)
    return np.asarray(top - bottom + 2.0 / alpha * outside)


def weighted_interval_score(
    samples: ArrayLike, observed: ArrayLike, alphas: Sequence[float] = (0.02, 0.05, *np.arange(0.1, 1.0, 0.1))
) -> Array:
    """Weighted interval score of samples (..., samples), weights alpha / 2, median 1 / 2
    (Bracher et al. 2021, eq. 1)."""
    x, y = np.asarray(samples, dtype=float), np.asarray(observed, dtype=float)
    total = 0.5 * np.abs(y - np.median(x, axis=-1))
    for alpha in alphas:
        low, high = np.quantile(x, [alpha / 2.0, 1.0 - alpha / 2.0], axis=-1)
        total = total + alpha / 2.0 * interval_score(low, high, y, alpha)
    return np.asarray(total / (len(alphas) + 0.5))


def coverage(low: ArrayLike, high: ArrayLike, observed: ArrayLike) -> float:
    """Share of what came that lies within, both ends included."""
    y = np.asarray(observed, dtype=float)
    return float(np.mean((y >= np.asarray(low)) & (y <= np.asarray(high))))


def coverage_counts(samples: ArrayLike, observed: ArrayLike, share: float = 0.8) -> float:
    """Share of the randomised transform of counts that lies in its middle `share`; equal to it when calibrated, also
    where counts are small and a closed interval of whole numbers holds more.

    samples (cases, samples) against observed (cases,). The transform is P(X < y) + V P(X = y) with V uniform (Czado,
    Gneiting and Held 2009, eq. 1); what is given is its mean over V, so no draw decides it."""
    x, y = np.asarray(samples, dtype=float), np.asarray(observed, dtype=float)[:, None]
    below, here = (x < y).mean(axis=1), (x == y).mean(axis=1)
    low, high = 0.5 - share / 2.0, 0.5 + share / 2.0
    part = np.clip(high, below, below + here) - np.clip(low, below, below + here)
    sure = (below > low) & (below < high)
    return float(np.mean(np.where(here > 0.0, ratio(part, here), sure)))


def chance_band(cases: int, share: float, chance: float = 0.95) -> tuple[float, float]:
    """Between which shares of `cases` independent forecasts a true interval of `share` holds with this chance."""
    low, high = binom.interval(chance, cases, share)
    return float(low) / cases, float(high) / cases


def pit(samples: ArrayLike, observed: ArrayLike, bins: int = 10) -> Array:
    """Histogram (bins,) of the probability integral transform of counts, not randomised; flat is calibrated.

    samples (cases, samples) against observed (cases,). Mean of the conditional laws of Czado, Gneiting and Held (2009,
    eq. 2): each case spreads evenly from P(X < y) to P(X <= y)."""
    x, y = np.asarray(samples, dtype=float), np.asarray(observed, dtype=float)[:, None]
    below, upto = (x < y).mean(axis=1)[:, None], (x <= y).mean(axis=1)[:, None]
    edge = np.linspace(0.0, 1.0, bins + 1)[None, :]
    width = upto - below
    part = np.where(width > 0.0, ratio(edge - below, width), (edge >= below) & (edge > 0.0))
    return np.asarray(np.diff(np.clip(part, 0.0, 1.0).mean(axis=0)))


def skill(score: float, reference: float) -> float:
    """1 - score / reference: above 0 is better than the reference, 0 where both are perfect."""
    return 1.0 - score / reference if reference > 0.0 else 0.0
