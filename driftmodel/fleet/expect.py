"""What one cell's cohorts are expected to report: the whole of a cell's work, apart from every other cell."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from driftmodel.fleet.cohorts import Cohorts
from driftmodel.fleet.passage import FAR, Passages, late_by, lives_after_regrade, lives_of
from driftmodel.fleet.reporting import Ahead, Asked, Known, Waiting, ahead
from driftmodel.fleet.tables import NONE

Array = NDArray[np.float64]
OUT, IN = 0, 1  # last axis of first and repeat: out of cover, in cover


@dataclass(frozen=True)
class Window:
    """What is asked of every cell. cutoff and claims_since: month numbers (claims_since NONE: from the beginning);
    grades: number of grades, one more of them meaning that none mends it; soon: months within which who is due;
    waiting_share of owners report in the last waiting_months of their cover; first_sale_year, sale_years: years of sale
    that are told apart."""

    cutoff: int
    months: int
    members: int
    grades: int
    lag_shares: tuple[float, ...]
    claims_since: int
    soon: int
    waiting_share: float = 0.0
    waiting_months: int = 3
    first_sale_year: int = 0
    sale_years: int = 0


@dataclass(frozen=True)
class CellDemand:
    """Expected numbers of a cell. first, repeat: (months, grades, 2) reports, out of and in cover; at_risk: (months,)
    units never regraded, at the start of each month, sold by then; regraded: (months,) units known as regraded;
    pending, history: numbers; issued: (months,) in-cover reports, within the window, of the units planned to be sold
    in each month; due: (cohorts,) chance of a report within `soon` months; level: (members, years + 1) each weather
    member's reports by year and, last, its history, and noise: the variance that the finite number of draws gives
    them; beyond: units that no draw of the ensemble agrees with; cohort: (sale_years, months) reports by year of sale.
    By month of the crossing, so that another lag of reports can be put in later: crossed: (2, lags - 1 + months) of
    first and repeat, from lags - 1 months before the forecast on; past: (2, lags - 1) the months before it, of all next
    regrades not known as reported, and of the history. slope: (3, months) of first, repeat and at_risk, and slope_once:
    (2,) of pending and history, by the share of owners who wait for the end of their cover."""

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
    crossed: Array
    past: Array
    cohort: Array
    slope: Array
    slope_once: Array


def expect(passages: Passages, cohorts: Cohorts, chosen: NDArray[np.intp], window: Window) -> CellDemand:
    """Expected reports of the cohorts `chosen` (all of one cell), summed, by month after the cut-off."""
    members, months = window.members, window.months
    lag = np.asarray(window.lag_shares)
    mean_lag = round(float(lag @ np.arange(lag.size)))
    fresh = late_by(lives_of(passages, members, window.grades - 1), mean_lag)
    used, of = np.unique(fresh.grade, return_inverse=True)  # most cells know few grades of a set
    fresh, grades = replace(fresh, grade=of.reshape(fresh.grade.shape)), used.size
    first, repeat = np.zeros((months, grades, 2)), np.zeros((months, grades, 2))
    at_risk, regraded = np.zeros(months), np.zeros(months)
    pending = history = 0.0
    issued, due, beyond = np.zeros(months), np.zeros(chosen.size), 0
    years = -(-months // 12)
    brought, noise = np.zeros((fresh.member.size, years + 1)), np.zeros((members, years + 1))
    level = np.zeros((members, years + 1))
    step = np.arange(1, months + 1)
    crossed, past = np.zeros((2, lag.size - 1 + months)), np.zeros((2, lag.size - 1))
    asked = Asked(members, grades, months, lag)
    cohort, slope, slope_once = np.zeros((window.sale_years, months)), np.zeros((3, months)), np.zeros(2)
    built, sold, last = cohorts.build[chosen], cohorts.sale[chosen], cohorts.regraded[chosen]
    ends = sold + cohorts.cover[chosen] if window.waiting_share else np.full(chosen.size, NONE, dtype=np.int32)
    count = cohorts.count[chosen].astype(float)

    def by_sale_year(now: Ahead, mine: NDArray[np.intp]) -> None:
        if window.sale_years:
            units = np.bincount(sold[mine] // 12 - window.first_sale_year, count[mine], window.sale_years)
            cohort[...] += units[:, None] * (now.first + now.repeat).sum(axis=1)

    for (build, sale, end), mine in _alike(built, sold, ends):
        since = -FAR if window.claims_since == NONE else window.claims_since - build
        known = Known(window.cutoff - build, sale - build, history_from=since)
        now = ahead(fresh, known, asked, _waiting(window, end - build))
        if sale <= window.cutoff:
            whole = float(count[mine].sum())
            history += whole * now.history
            slope_once[1] += whole * now.slope_once[1]
            brought[:, -1] += whole * now.parts[:, -1]
            past[1] += whole * now.recent
        mine = mine[last[mine] == NONE]
        if mine.size == 0:
            continue
        whole = float(count[mine].sum())
        brought[:, :-1] += whole * now.parts[:, :-1]
        here = window.cutoff + step >= sale
        at_risk += whole * now.waiting * here
        split = _split(cohorts, chosen[mine], window)
        first += now.first[..., None] * split
        repeat += now.repeat[..., None] * split
        slope += whole * np.vstack([now.slope[:2], now.slope[2:] * here])
        crossed += whole * now.crossed
        past[0] += whole * now.crossed[0, : lag.size - 1]
        pending, beyond = pending + whole * now.pending, beyond + (0 if now.possible else int(whole))
        slope_once[0] += whole * now.slope_once[0]
        due[mine] = now.first[: window.soon].sum()
        by_sale_year(now, mine)
        if window.cutoff < sale <= window.cutoff + months:
            both = (now.first + now.repeat).sum(axis=1)
            issued[sale - window.cutoff - 1] += float((both * split[:, 0, IN]).sum())
    again = np.flatnonzero(last != NONE)
    for (build, when, end), kind in _alike(built[again], last[again], ends[again]):
        mine = again[kind]
        whole = float(count[mine].sum())
        after = lives_after_regrade(fresh, when - build, mean_lag)
        known = Known(window.cutoff - build, 0, fresh=False)
        now = ahead(after, known, asked, _waiting(window, end - build))
        noise[:, :-1] += _scatter(whole * now.parts, after.member, members)[:, :-1]
        level[:, :-1] += _by_member(whole * now.parts, after.member, members)[:, :-1]
        regraded += whole
        crossed[1] += whole * now.crossed.sum(axis=0)
        past[0] += whole * now.crossed[0, : lag.size - 1]
        repeat += (now.first + now.repeat)[..., None] * _split(cohorts, chosen[mine], window)
        slope[1] += whole * (now.slope[0] + now.slope[1])
        pending, beyond = pending + whole * now.pending, beyond + (0 if now.possible else int(whole))
        slope_once[0] += whole * now.slope_once[0]
        due[mine] = now.first[: window.soon].sum()
        by_sale_year(now, mine)
    noise += _scatter(brought, fresh.member, members)
    level += _by_member(brought, fresh.member, members)
    first, repeat = (_in_set(table, used, window.grades) for table in (first, repeat))
    return CellDemand(
        first, repeat, at_risk, regraded, pending, history, issued, due, level, noise, beyond, crossed, past, cohort,
        slope, slope_once,
    )  # fmt: skip


def _waiting(window: Window, cover_end: int) -> Waiting | None:
    return Waiting(window.waiting_share, window.waiting_months, cover_end) if window.waiting_share else None


def _in_set(table: Array, used: NDArray[np.int64], grades: int) -> Array:
    """(months, used grades, 2) -> (months, grades, 2)."""
    out = np.zeros((table.shape[0], grades, table.shape[2]))
    out[:, used] = table
    return out


def _alike(*columns: NDArray[np.int32]) -> Iterator[tuple[list[int], NDArray[np.intp]]]:
    """Distinct combinations of the columns, and the rows of each."""
    kinds, of = np.unique(np.stack(columns, axis=1), axis=0, return_inverse=True)
    order = np.argsort(of.ravel(), kind="stable")
    bounds = np.searchsorted(of.ravel()[order], np.arange(len(kinds) + 1))
    for index, kind in enumerate(kinds.tolist()):
        yield kind, order[bounds[index] : bounds[index + 1]]


def _split(cohorts: Cohorts, rows: NDArray[np.intp], window: Window) -> Array:
    """Units out of and in cover in each month of the window, (months, 1, 2)."""
    months = window.months
    count = cohorts.count[rows].astype(float)
    sold = cohorts.sale[rows] - window.cutoff - 1
    begin = np.minimum(np.maximum(sold, 0), months)
    end = np.maximum(np.minimum(sold + cohorts.cover[rows], months), begin)
    change = np.bincount(begin, count, months + 1) - np.bincount(end, count, months + 1)
    covered = np.cumsum(change)[:months]
    return np.stack([count.sum() - covered, covered], axis=-1)[:, None, :]


def _scatter(parts: Array, member: NDArray[np.int64], members: int) -> Array:
    """Variance of the sum over the lives of each member, (members, columns), from their scatter about its mean."""
    lives = np.maximum(np.bincount(member, minlength=members), 1)[:, None]
    total, square = _by_member(parts, member, members), _by_member(parts**2, member, members)
    return np.asarray(np.maximum(square - total**2 / lives, 0.0))


def _by_member(parts: Array, member: NDArray[np.int64], members: int) -> Array:
    """Sums over the lives of each member, (members, columns)."""
    own = member == np.arange(members)[:, None]
    return np.asarray(own.astype(float) @ parts)
