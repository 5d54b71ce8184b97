"""What one cell's cohorts are expected to report: the whole of a cell's work, apart from every other cell."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from driftmodel.base.arrays import distinct_rows, group_sums
from driftmodel.base.schema import Array, Integers
from driftmodel.fleet.cohorts import Cohorts
from driftmodel.fleet.exposure import AGE_BINS, KINDS, Spells, gaps_ahead, past_of_cell, regraded_kind
from driftmodel.fleet.passage import FAR, Lives, Passages, late_by, lives_after_regrade, lives_of, of_each_kind
from driftmodel.fleet.reporting import Ahead, Asked, Known, Waiting, ahead
from driftmodel.fleet.tables import NONE

Totals = dict[str, Array]
OUT, IN = 0, 1  # last axis of first and repeat: out of cover, in cover
MOST_LIVES, MOST_NUMBERS = 20_000, 200_000  # worked on at a time, so that memory stays small


@dataclass(frozen=True)
class Window:
    """What is asked of every cell. cutoff and claims_since: month numbers (claims_since NONE: from the beginning);
    grades: number of grades, one more of them meaning that none mends it; soon: months within which who is due;
    waiting_share of owners report in the last waiting_months of their cover; first_sale_year, sale_years: years of sale
    that are told apart; since: first month with claims; sales, regrades: first month of each group of units by month of
    sale, or of the last regrade, that is told apart."""

    cutoff: int
    months: int
    members: int
    grades: int
    lag_shares: tuple[float, ...]
    claims_since: int
    soon: int
    waiting_share: float
    waiting_months: int
    first_sale_year: int
    sale_years: int
    since: int
    sales: tuple[int, ...]
    regrades: tuple[int, ...]


@dataclass(frozen=True)
class CellDemand:
    """Expected numbers of a cell. first, repeat: (months, grades, 2) reports, out of and in cover; at_risk: (months,)
    units never regraded, at the start of each month, sold by then; regraded: (months,) units known as regraded;
    pending, history: () numbers; issued: (months,) in-cover reports, within the window, of the units planned to be sold
    in each month; due: (cohorts,) chance of a report within `soon` months; level: (members, years + 1) each weather
    member's reports by year and, last, its history, and noise: the variance that the finite number of draws gives
    them; beyond: units that no draw of the ensemble agrees with; cohort: (sale_years, months) reports by year of sale.
    By month of the crossing, so that another lag of reports can be put in later: crossed: (lags - 1 + months,) of
    first, from lags - 1 months before the forecast on; past: (2, lags - 1) the months before it, of all next regrades
    not known as reported, and of the history. slope: (months,) of first, and slope_once: (3,) of pending, history and
    the first month's at_risk, by the share of owners who wait for the end of their cover. behind: what came and was
    expected so far, see exposure.past_of_cell. sold: (3, sale groups, months) units never regraded at risk, their first
    regrades, those at risk in cover; back: (3, (KINDS - 1) x regrade groups, months) the same of regraded units until
    their next; gaps: (KINDS - 1, months + 1), see exposure.gaps_ahead."""

    first: Array
    repeat: Array
    at_risk: Array
    regraded: Array
    pending: Array
    history: Array
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
    behind: Array
    sold: Array
    back: Array
    gaps: Array


def expected_of_cell(
    passages: Passages, cohorts: Cohorts, chosen: NDArray[np.intp], window: Window, between: Spells | None = None
) -> CellDemand:
    """Expected reports of the cohorts `chosen` (all of one cell), summed, by month after the cut-off. between: times
    between two regrades of its units, the last ones left out."""
    lag = np.asarray(window.lag_shares)
    fresh = lives_of(passages, window.members, window.grades - 1)
    used, of = np.unique(fresh.grade, return_inverse=True)  # most cells know few grades of a set
    fresh = replace(fresh, grade=of.reshape(fresh.grade.shape))
    asked = Asked(window.members, used.size, window.months, lag)
    fresh = late_by(fresh, asked.mean_lag)
    most = max(1, min(MOST_LIVES // fresh.member.size, MOST_NUMBERS // (window.months * used.size)))
    build, sale, last = cohorts.build[chosen], cohorts.sale[chosen], cohorts.regraded[chosen]
    end = sale + cohorts.cover[chosen] if window.waiting_share else np.full(chosen.size, NONE, dtype=np.int32)
    total = _nothing(window, used.size, lag.size - 1)
    due, brought = np.zeros(chosen.size), np.zeros((fresh.member.size, total["level"].shape[1]))
    for kinds, rows, of_row in _alike(most, build, sale, end):
        since = window.claims_since - kinds[:, 0] if window.claims_since != NONE else np.full(len(kinds), -FAR)
        known = Known(window.cutoff - kinds[:, 0], kinds[:, 1] - kinds[:, 0], since)
        now = ahead(of_each_kind(fresh, len(kinds)), known, asked, _waiting(window, kinds))
        all_units = group_sums(of_row, cohorts.count[chosen[rows]], len(kinds))  # none has a past before its sale
        never = last[rows] == NONE
        rows, of_row = rows[never], of_row[never]
        units = group_sums(of_row, cohorts.count[chosen[rows]], len(kinds))
        parts = now.parts.reshape(len(kinds), fresh.member.size, -1)
        brought[:, :-1] += np.einsum("k,kly->ly", units, parts[..., :-1])
        brought[:, -1] += all_units @ parts[..., -1]
        total["history"] += all_units @ now.history
        total["slope_once"][1] += all_units @ now.slope_once[:, 1]
        total["past"][1] += all_units @ now.recent
        here = window.cutoff + np.arange(1, window.months + 1) >= kinds[:, 1:2]
        total["at_risk"] += units @ (now.waiting * here)
        total["slope"] += units @ now.slope[:, 0]
        total["slope_once"][2] += units @ (now.slope[:, 2] * here)[:, 0]
        total["crossed"] += units @ now.crossed[:, 0]
        split = _add(total, now, units, cohorts, chosen[rows], of_row, window)
        at = np.searchsorted(window.sales, kinds[:, 1], side="right") - 1
        for place, values in enumerate((units[:, None] * here, units[:, None] * now.by_month[0], split[..., IN])):
            np.add.at(total["sold"][place], at, values if place == 1 else values * now.waiting)
        total["first"] += np.einsum("kmg,kmc->mgc", now.first, split)
        total["repeat"] += np.einsum("kmg,kmc->mgc", now.repeat, split)
        both = (sum(now.by_month) * split[..., IN]).sum(axis=1)
        step = kinds[:, 1] - window.cutoff - 1
        planned = (step >= 0) & (step < window.months)
        np.add.at(total["issued"], step[planned], both[planned])
        due[rows] = now.by_month[0][:, : window.soon].sum(axis=1)[of_row]
    again = np.flatnonzero(last != NONE)
    for kinds, rows, of_row in _alike(most, build[again], last[again], end[again]):
        rows = again[rows]
        after = lives_after_regrade(fresh, kinds[:, 1] - kinds[:, 0], asked.mean_lag)
        zero = np.zeros(len(kinds), dtype=np.int64)
        known = Known(window.cutoff - kinds[:, 0], zero, zero, fresh=False)
        now = ahead(after, known, asked, _waiting(window, kinds))
        units = group_sums(of_row, cohorts.count[chosen[rows]], len(kinds))
        own = units[after.kind, None] * now.parts
        own[:, -1] = 0.0
        kind_and_member = after.kind * window.members + after.member
        noise = _scatter(own, kind_and_member, len(kinds) * window.members)
        total["noise"] += noise.reshape(len(kinds), window.members, -1).sum(axis=0)
        total["level"] += _by(after.member, window.members, own)
        total["regraded"] += units.sum()
        split = _add(total, now, units, cohorts, chosen[rows], of_row, window)
        at = np.searchsorted(window.regrades, kinds[:, 1], side="right") - 1
        at = regraded_kind(kinds[:, 1] - kinds[:, 0]) * len(window.regrades) + at
        np.add.at(total["back"][0], at, units[:, None] * now.waiting)
        np.add.at(total["back"][1], at, units[:, None] * now.by_month[0])
        np.add.at(total["back"][2], at, split[..., IN] * now.waiting)
        total["repeat"] += np.einsum("kmg,kmc->mgc", now.first + now.repeat, split)
        due[rows] = now.by_month[0][:, : window.soon].sum(axis=1)[of_row]
    never = last == NONE
    total["gaps"] += gaps_ahead(fresh, (window.cutoff - build[never]).astype(np.int64), cohorts.count[chosen[never]],
                                window.months)  # fmt: skip
    total["behind"] += _behind(fresh, cohorts, chosen, between, window, asked)
    total["noise"] += _scatter(brought, fresh.member, window.members)
    total["level"] += _by(fresh.member, window.members, brought)
    for name in ("first", "repeat"):
        total[name] = _in_set(total[name], used, window.grades)
    beyond = round(float(total.pop("beyond")))
    return CellDemand(due=due, beyond=beyond, **total)


def _behind(
    lives: Lives, cohorts: Cohorts, chosen: NDArray[np.intp], between: Spells | None, window: Window, asked: Asked
) -> Array:
    """What came so far and was expected, of units sold by the cut-off."""
    chosen = chosen[cohorts.sale[chosen] <= window.cutoff]
    build, sale, last = (getattr(cohorts, name)[chosen].astype(np.int64) for name in ("build", "sale", "regraded"))
    end, count = sale + cohorts.cover[chosen], cohorts.count[chosen].astype(float)
    fresh = Spells(build, sale, cohorts.first[chosen].astype(np.int64), end, count)
    again = last != NONE
    spells = Spells(build[again], last[again], np.full(int(again.sum()), NONE), end[again], count[again])
    if between is not None:
        spells = Spells(*(np.append(getattr(spells, n), getattr(between, n)) for n in Spells.__dataclass_fields__))
    waiting = (window.waiting_share, window.waiting_months) if window.waiting_share else None
    return past_of_cell(lives, fresh, spells, asked, window.since, window.cutoff, waiting)


def _nothing(window: Window, grades: int, before: int) -> Totals:
    """Zeros to add to, by the names of CellDemand."""
    months, years = window.months, -(-window.months // 12)
    return {
        "first": np.zeros((months, grades, 2)),
        "repeat": np.zeros((months, grades, 2)),
        "at_risk": np.zeros(months),
        "regraded": np.zeros(months),
        "pending": np.zeros(()),
        "history": np.zeros(()),
        "beyond": np.zeros(()),
        "issued": np.zeros(months),
        "level": np.zeros((window.members, years + 1)),
        "noise": np.zeros((window.members, years + 1)),
        "crossed": np.zeros(before + months),
        "past": np.zeros((2, before)),
        "cohort": np.zeros((window.sale_years, months)),
        "slope": np.zeros(months),
        "slope_once": np.zeros(3),
        "behind": np.zeros((KINDS, 3, AGE_BINS.size, window.cutoff - window.since + 1)),
        "sold": np.zeros((3, len(window.sales), months)),
        "back": np.zeros((3, (KINDS - 1) * len(window.regrades), months)),
        "gaps": np.zeros((KINDS - 1, months + 1)),
    }


def _add(
    total: Totals, now: Ahead, units: Array, cohorts: Cohorts, rows: NDArray[np.intp], of_row: Integers, window: Window
) -> Array:
    """Adds what fresh and regraded units have in common; returns the units out of and in cover (kinds, months, 2)."""
    kinds, before = now.pending.size, now.crossed.shape[2] - window.months
    total["pending"] += units @ now.pending
    total["slope_once"][0] += units @ now.slope_once[:, 0]
    total["beyond"] += units[~now.possible].sum()
    total["past"][0] += units @ now.crossed[:, 0, :before]
    if window.sale_years:
        place = of_row * window.sale_years + cohorts.sale[rows] // 12 - window.first_sale_year
        by_year = group_sums(place, cohorts.count[rows], kinds * window.sale_years).reshape(kinds, -1)
        total["cohort"] += by_year.T @ sum(now.by_month)
    return _split(cohorts, rows, of_row, kinds, window)


def _waiting(window: Window, kinds: Integers) -> Waiting | None:
    """Owners who wait, of kinds (build, ..., end of cover)."""
    if not window.waiting_share:
        return None
    return Waiting(window.waiting_share, window.waiting_months, kinds[:, -1] - kinds[:, 0])


def _in_set(table: Array, used: Integers, grades: int) -> Array:
    """(months, used grades, 2) -> (months, grades, 2)."""
    out = np.zeros((table.shape[0], grades, table.shape[2]))
    out[:, used] = table
    return out


def _alike(most: int, *columns: NDArray[np.int32]) -> Iterator[tuple[Integers, NDArray[np.intp], Integers]]:
    """Distinct combinations of the columns, (kinds, columns), at most so many at a time; the rows that have one of
    them, and the place of each row's among them."""
    if columns[0].size == 0:
        return
    first, of = distinct_rows(*columns)
    kinds = np.stack(columns, axis=1)[first].astype(np.int64)
    order = np.argsort(of, kind="stable")
    bounds = np.searchsorted(of[order], np.arange(len(kinds) + 1))
    for start in range(0, len(kinds), most):
        stop = min(start + most, len(kinds))
        rows = order[bounds[start] : bounds[stop]]
        yield kinds[start:stop], rows, of[rows] - start


def _split(cohorts: Cohorts, rows: NDArray[np.intp], of_row: Integers, kinds: int, window: Window) -> Array:
    """Units out of and in cover in each month of the window, (kinds, months, 2)."""
    months, count = window.months, cohorts.count[rows]
    sold = cohorts.sale[rows] - window.cutoff - 1
    begin = np.minimum(np.maximum(sold, 0), months)
    end = np.maximum(np.minimum(sold + cohorts.cover[rows], months), begin)
    place, size = of_row * (months + 1), kinds * (months + 1)
    change = group_sums(place + begin, count, size) - group_sums(place + end, count, size)
    covered = np.cumsum(change.reshape(kinds, -1), axis=1)[:, :months]
    whole = group_sums(of_row, count, kinds)[:, None]
    return np.stack([whole - covered, covered], axis=-1)


def _scatter(parts: Array, of: Integers, size: int) -> Array:
    """Variance of the sum over the lives of each of `size` groups, (size, columns), from their scatter about its
    mean."""
    lives = np.maximum(np.bincount(of, minlength=size), 1)[:, None]
    total, square = _by(of, size, parts), _by(of, size, parts**2)
    return np.asarray(np.maximum(square - total**2 / lives, 0.0))


def _by(of: Integers, size: int, parts: Array) -> Array:
    """Sums of parts (lives, columns) over the lives of each group, (size, columns)."""
    columns = parts.shape[1]
    place = (of[:, None] * columns + np.arange(columns)).ravel()
    return group_sums(place, parts.ravel(), size * columns).reshape(size, columns)
