"""What one cell's cohorts are expected to report: the whole of a cell's work, apart from every other cell."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from driftmodel.fleet.cohorts import Cohorts
from driftmodel.fleet.passage import Ahead, Passages, ahead, lives_after_regrade, lives_of
from driftmodel.fleet.tables import NONE

Array = NDArray[np.float64]
OUT, IN = 0, 1  # last axis of first and repeat: out of cover, in cover


@dataclass(frozen=True)
class Window:
    """What is asked of every cell. cutoff and claims_since: month numbers (claims_since NONE: from the beginning);
    grades: number of grades, one more of them meaning that none mends it; soon: months within which who is due."""

    cutoff: int
    months: int
    members: int
    grades: int
    lag_shares: tuple[float, ...]
    claims_since: int
    soon: int


@dataclass(frozen=True)
class CellDemand:
    """Expected numbers of a cell. first, repeat: (months, grades, 2) reports, out of and in cover; at_risk: (months,)
    units never regraded, at the start of each month, sold by then; regraded: (months,) units known as regraded;
    pending, history: numbers; issued: (months,) in-cover reports, within the window, of the units planned to be sold
    in each month; due: (cohorts,) chance of a report within `soon` months; level: (members, years + 1) each weather
    member's reports by year and, last, its history, and noise: the variance that the finite number of draws gives
    them; beyond: units that no draw of the ensemble agrees with."""

    first: Array
    repeat: Array
    at_risk: Array
    regraded: Array
    pending: float
    history: float
    issued: Array
    due: Array
    level: Array
    noise: Array
    beyond: int


def expect(passages: Passages, cohorts: Cohorts, chosen: NDArray[np.intp], window: Window) -> CellDemand:
    """Expected reports of the cohorts `chosen` (all of one cell), summed, by month after the cut-off."""
    members, months, grades = window.members, window.months, window.grades
    fresh = lives_of(passages, members, grades - 1)
    first, repeat = np.zeros((months, grades, 2)), np.zeros((months, grades, 2))
    at_risk, regraded = np.zeros(months), np.zeros(months)
    pending = history = 0.0
    issued, due, beyond = np.zeros(months), np.zeros(chosen.size), 0
    lag = np.asarray(window.lag_shares)
    years = -(-months // 12)
    brought, noise = np.zeros((fresh.member.size, years + 1)), np.zeros((members, years + 1))
    level = np.zeros((members, years + 1))
    known: dict[tuple[int, int], Ahead] = {}
    step = np.arange(1, months + 1)
    kinds = np.stack([cohorts.build[chosen], cohorts.sale[chosen], cohorts.regraded[chosen]], axis=1)
    different, of = np.unique(kinds, axis=0, return_inverse=True)
    for index, (build, sale, last) in enumerate(different.tolist()):
        age, sold_at = window.cutoff - build, sale - build
        since = -(1 << 40) if window.claims_since == NONE else window.claims_since - build
        shared = {"members": members, "grades": grades, "months": months, "age": age, "lag_shares": lag}
        if (build, sale) not in known:
            known[build, sale] = ahead(fresh, **shared, sold_at=sold_at, history_from=since)
        ever = known[build, sale]
        mine = np.flatnonzero(of.ravel() == index)
        count = cohorts.count[chosen[mine]].astype(float)
        whole = float(count.sum())
        if sale <= window.cutoff:
            history += whole * ever.history
            brought[:, -1] += whole * ever.parts[:, -1]
        if last == NONE:
            now = ever
            brought[:, :-1] += whole * ever.parts[:, :-1]
            at_risk += whole * now.waiting * (window.cutoff + step >= sale)
        else:
            after = lives_after_regrade(fresh, last - build)
            now = ahead(after, **shared, sold_at=sold_at, fresh=False)
            noise[:, :-1] += _scatter(whole * now.parts, after.member, members)[:, :-1]
            level[:, :-1] += _by_member(whole * now.parts, after.member, members)[:, :-1]
            regraded += whole
        pending += whole * now.pending
        beyond += 0 if now.possible else int(whole)
        due[mine] = now.first[: window.soon].sum()
        cover = cohorts.cover[chosen[mine]]
        covered = (count[:, None] * (window.cutoff + step[None, :] - sale < cover[:, None])).sum(axis=0)
        covered = np.where(window.cutoff + step >= sale, covered, 0.0)
        split = np.stack([whole - covered, covered], axis=-1)[:, None, :]
        if last == NONE:
            first += now.first[..., None] * split
            repeat += now.repeat[..., None] * split
        else:
            repeat += (now.first + now.repeat)[..., None] * split
        if window.cutoff < sale <= window.cutoff + months:
            both = (now.first + now.repeat).sum(axis=1)
            issued[sale - window.cutoff - 1] += float((both * covered).sum())
    noise += _scatter(brought, fresh.member, members)
    level += _by_member(brought, fresh.member, members)
    return CellDemand(first, repeat, at_risk, regraded, pending, history, issued, due, level, noise, beyond)


def _scatter(parts: Array, member: NDArray[np.int64], members: int) -> Array:
    """Variance of the sum over the lives of each member, (members, columns), from their scatter about its mean."""
    lives = np.maximum(np.bincount(member, minlength=members), 1)[:, None]
    total, square = _by_member(parts, member, members), _by_member(parts**2, member, members)
    return np.asarray(np.maximum(square - total**2 / lives, 0.0))


def _by_member(parts: Array, member: NDArray[np.int64], members: int) -> Array:
    """Sums over the lives of each member, (members, columns)."""
    own = member == np.arange(members)[:, None]
    return np.asarray(own.astype(float) @ parts)
