"""Parts on the shelf: how many spacers of each grade, for a share of jobs served at once."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

Array = NDArray[np.float64]


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
    E[X]. With Poisson demand of rate pi_g x rate this is the sum of pi_g P(X_g <= S_g - 1).
    """
    served = total = 0.0
    for level, chances in zip(pieces, demand, strict=True):
        weight = np.arange(chances.size) * chances
        served += float(weight[: level + 1].sum())
        total += float(weight.sum())
    return served / total if total > 0.0 else 1.0


def stock_for_jobs(demand: Sequence[Array], service: float) -> Stock:
    """Fewest pieces found that serve a share `service` of jobs at once.

    Pieces are placed one by one where they take away the most expected backorders (each takes away P(X > S)), which is
    concave and so cannot stall; then any piece that can go without missing the target is taken away, the one whose
    loss of fill is least first, and single pieces are exchanged between grades while that serves more jobs. Adding by
    fill alone fails: the first piece of a common grade serves hardly any job.
    Raises ValueError unless 0 < service < 1.
    """
    if not 0.0 < service < 1.0:
        raise ValueError("a service level between 0 and 1")
    tails = [1.0 - np.cumsum(chances) for chances in demand]
    levels = [0] * len(demand)
    while job_fill(levels, demand) < service:
        gains = [tail[level] if level < tail.size else 0.0 for tail, level in zip(tails, levels, strict=True)]
        best = int(np.argmax(gains))
        if gains[best] <= 0.0:
            break
        levels[best] += 1
    levels = _trimmed(_exchanged(_trimmed(levels, demand, service), demand), demand, service)
    return Stock(tuple(levels), job_fill(levels, demand))


def _trimmed(levels: list[int], demand: Sequence[Array], service: float) -> list[int]:
    while True:
        fewer = [levels[:g] + [levels[g] - 1] + levels[g + 1 :] for g in range(len(levels)) if levels[g] > 0]
        fills = [job_fill(option, demand) for option in fewer]
        if not fills or max(fills) < service:
            return levels
        levels = fewer[int(np.argmax(fills))]


def _exchanged(levels: list[int], demand: Sequence[Array]) -> list[int]:
    grades = range(len(levels))
    while True:
        fill = job_fill(levels, demand)
        options = [
            [level - (g == less) + (g == more) for g, level in enumerate(levels)]
            for less in grades
            for more in grades
            if less != more and levels[less] > 0
        ]
        best = max(options, key=lambda option: job_fill(option, demand), default=levels)
        if job_fill(best, demand) <= fill + 1e-12:
            return levels
        levels = best
