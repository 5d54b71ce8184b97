"""Parts on the shelf: how many spacers of each grade, for a share of jobs served at once, in each service centre."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import ArrayLike

from driftmodel.base.arrays import ratio
from driftmodel.base.schema import Array
from driftmodel.fleet.money import open_jobs

if TYPE_CHECKING:
    from driftmodel.fleet.demand import Demand

LEAD_MONTHS = 3  # from order to shelf where the fleet file names no centre; own choice, no source


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


def shares_of_grades(pieces: Array) -> Array:
    """Share of each grade over the whole forecast, (regions, designs, grades)."""
    whole = pieces.sum(axis=0)
    return ratio(whole, whole.sum(axis=-1, keepdims=True))


@dataclass(frozen=True)
class Centre:
    """Spacers of a service centre. rows: a grade with pieces to have (for jobs open now, and on the shelf for those to
    come until an order arrives), had, on their way and to order now; job_fill: share of jobs to come that those pieces
    serve at once; filled_now: that pieces on hand and on order do; no_spacer: mean jobs until then that none mends."""

    name: str
    regions: tuple[str, ...]
    lead_months: int
    open_jobs: int
    jobs: float
    no_spacer: float
    job_fill: float
    filled_now: float
    rows: tuple[dict[str, Any], ...]


def spares(demand: Demand) -> list[Centre]:
    """What each service centre needs; all regions are one centre with nothing on hand where the file names none."""
    from driftmodel.fleet.fleet_file import CentreFile

    settings, fleet, cube = demand.fleet.settings, demand.fleet, demand.cube["regrades"].values
    known = bool(settings.centres)
    centres = settings.centres or {"all": CentreFile(regions=list(fleet.regions), lead_months=LEAD_MONTHS)}
    shares = shares_of_grades(cube.mean(axis=0).sum(axis=-1))  # region, design, grade
    waiting = np.einsum("rd,rdg->rg", open_jobs(demand).sum(axis=0), shares)
    found = []
    for name, centre in centres.items():
        at = [fleet.regions.index(region) for region in centre.regions]
        lead = min(centre.lead_months, cube.shape[1])
        counts = cube[:, :lead, at].sum(axis=(1, 2, 3, 5))
        chances = [sample_chances(counts[:, g]) for g in range(len(settings.grades))]
        shelf = stock_for_jobs(chances, settings.service)
        still = np.round(waiting[at].sum(axis=0)[:-1]).astype(int)
        rows, free = [], []
        for g, grade in enumerate(settings.grades):
            hand, coming = centre.on_hand.get(grade, 0), centre.on_order.get(grade, 0)
            free.append(max(hand + coming - int(still[g]), 0))
            need = shelf.pieces[g] + int(still[g])
            rows.append(
                {
                    "centre": name, "grade": grade, "for_open_jobs": int(still[g]), "on_the_shelf": shelf.pieces[g],
                    "on_hand": hand if known else None, "on_order": coming if known else None,
                    "order_now": max(need - hand - coming, 0), "expected_use": float(counts[:, g].mean()),
                }
            )  # fmt: skip
        found.append(
            Centre(
                name, tuple(centre.regions), lead, round(float(waiting[at].sum())), float(counts.sum(axis=1).mean()),
                float(counts[:, -1].mean()), shelf.job_fill, job_fill(free, chances), tuple(rows),
            )
        )  # fmt: skip
    return found
