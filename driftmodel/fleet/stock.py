"""Parts on the shelf: how many spacers of each grade, for a share of jobs served at once."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from driftmodel.base.schema import Array


@dataclass(frozen=True)
class Stock:
    """Pieces by grade, and the share of jobs that find their grade on the shelf."""

    pieces: tuple[int, ...]
    job_fill: float


def sample_chances(samples: ArrayLike) -> Array:
    """Chances of 0, 1, 2, ... from sampled counts (samples,)."""
    counts = np.bincount(np.asarray(samples, dtype=np.int64))
    return np.asarray(counts / counts.sum())


def job_fill(pieces: Sequence[int], demand: Sequence[Array]) -> float:
    """Share of jobs that find their grade, each using exactly one; demand: chances of a count over the lead time.

    A job of a grade is served when it is among the first S of its lead time; so, over all jobs, sum of E[X; X <= S] /
    E[X]. With Poisson demand of rate pi_g x rate this is the sum of pi_g P(X_g <= S_g - 1)."""
    served = total = 0.0
    for level, chances in zip(pieces, demand, strict=True):
        weight = np.arange(chances.size) * chances
        served += float(weight[: level + 1].sum())
        total += float(weight.sum())
    return served / total if total > 0.0 else 1.0


def stock_for_jobs(demand: Sequence[Array], service: float) -> Stock:
    """The fewest pieces that serve a share `service` of jobs at once, and of those the ones that serve most.

    Grade by grade, the most jobs that 0, 1, 2, ... pieces of the grades so far can serve (dynamic programming). Adding
    piece by piece to the grade that gains most would fail: the first piece of a common grade serves hardly any job.
    Raises ValueError unless 0 < service < 1."""
    if not 0.0 < service < 1.0:
        raise ValueError("a service level between 0 and 1")
    most, chosen = np.array([0.0]), []
    for chances in demand:
        served = np.cumsum(np.arange(chances.size) * chances)
        best = np.full(most.size + chances.size - 1, -np.inf)
        own = np.zeros(best.size, dtype=np.int64)
        for level, jobs in enumerate(served.tolist()):
            here = slice(level, level + most.size)
            better = most + jobs > best[here]
            best[here][better], own[here][better] = (most + jobs)[better], level
        most = best
        chosen.append(own)
    left = int(np.argmax(most >= service * most[-1]))
    levels = []
    for own in reversed(chosen):
        levels.append(int(own[left]))
        left -= levels[-1]
    pieces = tuple(reversed(levels))
    return Stock(pieces, job_fill(pieces, demand))
