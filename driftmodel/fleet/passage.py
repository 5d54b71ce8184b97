"""First and repeat passages per cell of a fleet, and what they say of units that have come so far without one.

A cell is one region's climate x exposure x design x calendar month of build: physics is run per cell, never per unit,
and the spread of woods, set-up and tolerance lies inside the cell's draws. Draws come in blocks of weather members; a
member is one run of weather years, the same for all cells of a region.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Whole = NDArray[np.int64]
KERNEL_MONTHS = 12.0  # regrades within a year of a unit's own stand for it; own choice, no source


@dataclass(frozen=True)
class Cell:
    """One kind of life. build_month: 1 to 12. design, region, climate and exposure are names."""

    region: str
    climate: str
    exposure: str
    design: str
    build_month: int

    @property
    def key(self) -> str:
        """A text that names the cell in seeds, checkpoints and messages."""
        return "|".join((self.region, self.climate, self.exposure, self.design, f"{self.build_month:02d}"))


@dataclass(frozen=True)
class Passages:
    """months: (draws, occasions) age in months at which each regrade becomes due, inf if never, rising along a row.
    grade: (draws, occasions) index into the fleet's grades, -1 where none mends it. Draw i lives in weather member
    i x members // draws."""

    months: Array
    grade: NDArray[np.intp]


#: (cell, members, draws, seed) -> Passages; weather from `seed` alone, unknowns from the seed and the cell's key
CellPassages = Callable[[Cell, int, int, int], Passages]


def cell_seed(cell: Cell, seed: int) -> int:
    """Seed of a cell: from its key alone, so no order, chunk or worker changes a bit."""
    return int.from_bytes(hashlib.sha256(f"{seed}|{cell.key}".encode()).digest()[:6], "big")


@dataclass(frozen=True)
class Lives:
    """Ensemble lives of one kind of unit: next and later crossings, (draws, occasions) month indices since build and
    grades; member and weight (draws,). A month index j stands for age in (j, j + 1]; FAR is never."""

    crossing: Whole
    grade: Whole
    member: Whole
    weight: Array


FAR = 1 << 40


def lives_of(passages: Passages, members: int, no_grade: int) -> Lives:
    """The draws as whole lives from build on. no_grade: grade index that stands for 'none mends it'."""
    draws = passages.months.shape[0]
    finite = np.isfinite(passages.months)
    index = np.where(finite, np.ceil(np.where(finite, passages.months, 0.0)) - 1.0, FAR).astype(np.int64)
    grade = np.where(passages.grade < 0, no_grade, passages.grade).astype(np.int64)
    return Lives(np.maximum(index, 0), grade, np.arange(draws) * members // draws, np.ones(draws))


def lives_after_regrade(lives: Lives, age: int) -> Lives:
    """Lives of a unit regraded at month index `age`: what draws that were regraded about then went on to need.

    A regrade resets the angle and not the wood, so the later crossings of the same path are used, shifted by at most
    the kernel's width. A kernel without draws takes the regrades nearest in age.
    """
    occasions = lives.crossing.shape[1]
    row, occasion = np.nonzero(lives.crossing[:, : max(occasions - 1, 1)] < FAR)  # what follows the last is not known
    if row.size == 0:
        return Lives(np.full((1, 1), FAR), np.zeros((1, 1), dtype=np.int64), np.zeros(1, dtype=np.int64), np.ones(1))
    apart = np.abs(lives.crossing[row, occasion] - age).astype(float)
    weight = np.maximum(1.0 - apart / (KERNEL_MONTHS + 1.0), 0.0)
    if not weight.any():
        weight = (apart == apart.min()).astype(float)
    kept = weight > 0.0
    row, occasion, weight = row[kept], occasion[kept], weight[kept]
    column = occasion[:, None] + 1 + np.arange(max(occasions - 1, 1))[None, :]
    there = column < occasions
    inside = np.minimum(column, occasions - 1)
    later = np.where(there, lives.crossing[row[:, None], inside], FAR)
    shift = age - lives.crossing[row, occasion]
    moved = np.where(later < FAR, np.maximum(later + shift[:, None], age), FAR)
    return Lives(moved, lives.grade[row[:, None], inside], lives.member[row], weight)


@dataclass(frozen=True)
class Ahead:
    """Expected per unit, given what is known at the cut-off, over the lives of all members that agree with it.

    first, repeat: (months, grades) reports of the next regrade and of those after it; waiting: (months,) share still
    without a report at the start of each month; pending: share past the threshold and not yet reported; history:
    reports expected between the age at sale and the cut-off from a unit of which nothing is known, 0 for one known as
    regraded. possible: False when no draw agrees with what is known (all of the ensemble has been regraded by this
    age). parts: (lives, years + 1) what each life brings to its member's reports of each year ahead and, last, to the
    history. crossed: (2, lags - 1 + months) crossings, of first and repeat in turn, by month from lags - 1 before the
    forecast on; recent: (lags - 1,) crossings in the months before it, of a unit of which nothing is known, 0 likewise.
    """

    first: Array
    repeat: Array
    waiting: Array
    pending: float
    history: float
    possible: bool
    parts: Array
    crossed: Array
    recent: Array


def ahead(
    lives: Lives,
    *,
    members: int,
    grades: int,
    months: int,
    age: int,
    sold_at: int,
    lag_shares: Array,
    history_from: int = -FAR,
    fresh: bool = True,
) -> Ahead:
    """What units of these lives report in the `months` after the cut-off.

    age: month index of the last month before the forecast (it may be before sold_at for units still to be sold).
    sold_at: month index of sale; a crossing before it was put right before delivery, so lives with one are left out
    (only where `fresh`, that is, for units never regraded). lag_shares: (lags,) share reported 0, 1, ... months after
    the crossing. Conditional on no report by `age`: p = [F(a + h) - F(a)] / [1 - F(a)], F of the reported age.
    history_from: month index; reports before it are not in the history.
    """
    first = lives.crossing[:, 0]
    tail = 1.0 - np.cumsum(lag_shares)  # chance of a lag longer than 0, 1, ...
    tail[-1] = 0.0
    agrees = lives.weight * (first >= sold_at) if fresh else lives.weight.copy()
    late = np.minimum(np.maximum(age - first, -1), tail.size - 1)
    unreported = np.where(first > age, 1.0, tail[late])
    known = agrees * unreported
    each_whole: Array = np.bincount(lives.member, agrees, members).astype(float)
    each_alive: Array = np.bincount(lives.member, known, members).astype(float)
    whole, alive = float(each_whole.sum()), float(each_alive.sum())
    shape = (months, grades)
    years = -(-months // 12)
    if alive <= 1e-9 * max(whole, 1e-300):
        none, before = np.zeros((first.size, years + 1)), tail.size - 1
        crossed, recent = np.zeros((2, before + months)), np.zeros(before)
        return Ahead(np.zeros(shape), np.zeros(shape), np.ones(months), 0.0, 0.0, False, none, crossed, recent)
    begin, span = age + 1 - (tail.size - 1), months + tail.size - 1
    next_one, next_crossed = _reported(lives, agrees, 0, 1, begin, span, shape, lag_shares)
    later, later_crossed = _reported(lives, known, 1, lives.crossing.shape[1], begin, span, shape, lag_shares)
    crossed = np.stack([next_crossed, later_crossed]) / alive
    pending = float((known * (first <= age)).sum()) / alive
    start = age + 1 - round(float(tail.sum()))
    parts = _parts(lives, agrees, known, start, months) / np.maximum(each_alive, 1e-9)[lives.member, None]
    history, recent = 0.0, np.zeros(tail.size - 1)
    if fresh:
        gone = agrees * _reported_between(lives, max(history_from, 0), age, np.append(np.cumsum(lag_shares), 0.0))
        parts[:, -1] = gone / np.maximum(each_whole, 1e-9)[lives.member]
        history = float(gone.sum()) / max(whole, 1e-300)
        recent = _recent(lives, agrees, begin, tail.size - 1) / max(whole, 1e-300)
    waiting = 1.0 - np.concatenate([[0.0], np.cumsum(next_one.sum(axis=1))[:-1]]) / alive
    return Ahead(
        next_one / alive, later / alive, np.maximum(waiting, 0.0), pending, history, True, parts, crossed, recent
    )


def _reported_between(lives: Lives, start: int, end: int, by_lag: Array) -> Array:
    """Reports of each life, (lives,), from month index `start` to `end`. by_lag: (lags + 1,) share by then, last 0."""
    reported = np.zeros(lives.crossing.shape)
    for limit, sign in ((end, 1.0), (start - 1, -1.0)):
        since = np.minimum(np.maximum(limit - lives.crossing, -1), by_lag.size - 2)
        reported = reported + sign * by_lag[since]
    return np.asarray(np.maximum(reported, 0.0).sum(axis=1))


def _recent(lives: Lives, weight: Array, begin: int, span: int) -> Array:
    """Crossings of all occasions in the `span` months from month index `begin` on, (span,)."""
    crossing = lives.crossing - begin
    row, occasion = np.nonzero((crossing >= 0) & (crossing < span))
    return np.bincount(crossing[row, occasion], weight[row], span).astype(float)


def _parts(lives: Lives, first: Array, later: Array, begin: int, months: int) -> Array:
    """What each life brings to each year from month index `begin`, (lives, years + 1), the last column left empty."""
    years = -(-months // 12)
    crossing = lives.crossing - begin
    row, occasion = np.nonzero((crossing >= 0) & (crossing < months))
    at = row * (years + 1) + crossing[row, occasion] // 12
    weight = np.where(occasion == 0, first[row], later[row])
    return np.bincount(at, weight, crossing.shape[0] * (years + 1)).reshape(-1, years + 1).astype(float)


def _reported(
    lives: Lives, weight: Array, start: int, stop: int, begin: int, span: int, shape: tuple[int, int], lag: Array
) -> tuple[Array, Array]:
    """Reports (months, grades): crossings of occasions start..stop from month index `begin` on, lagged; and the
    crossings (span,) themselves."""
    months, grades = shape
    crossing = lives.crossing[:, start:stop] - begin
    row, occasion = np.nonzero((crossing >= 0) & (crossing < span))
    if row.size == 0:
        return np.zeros(shape), np.zeros(span)
    at = crossing[row, occasion] * grades + lives.grade[row, start + occasion]
    table = np.bincount(at, weight[row], span * grades).reshape(span, grades)
    out = np.zeros(shape)
    longest = lag.size - 1
    for step, share in enumerate(lag):
        if share:
            out += share * table[longest - step : longest - step + months]
    return out, table.sum(axis=1)
