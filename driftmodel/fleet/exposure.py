"""Units at risk in the past, what the physics expected of them and what they told, by age and month.

The physics' hazard of a report, given none before, times the units that had told none: so a comparison by age is fair
also where many have been regraded, and claims can move the hazard itself."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from driftmodel.base.arrays import distinct_rows, group_sums, only, ratio
from driftmodel.base.schema import Array, Flags, Integers
from driftmodel.fleet.delay import delayed
from driftmodel.fleet.passage import FAR, Lives, lives_after_regrade, of_each_kind
from driftmodel.fleet.reporting import Asked, Waiting, waiting_until
from driftmodel.fleet.tables import NONE

#: first months of the bins of age since sale, or since the last regrade
AGE_BINS = np.array(
    [0, 1, 2, 3, 4, 6, 8, 10, 12, 15, 18, 21, 24, 28, 32, 36, 42, 48, 54, 60, 66, 72, 84, 96, 120, 144, 180, 240, 300,
     400, 600]
)  # fmt: skip
BIN_AGES = np.append((AGE_BINS[:-1] + AGE_BINS[1:] - 1) // 2, AGE_BINS[-1])  # a whole age in the middle of each
FRESH, AGAIN = 0, 1  # before the first regrade, after one
#: kinds of hazard: before the first regrade, and after one at an age from so many months since build on
REGRADED_FROM = np.array([0, 18, 36, 60, 96])
KINDS = 1 + REGRADED_FROM.size
UNITS, EXPECTED, TOLD = 0, 1, 2
MOST_HAZARD = 0.9  # of a month
MOST_AT_ONCE = 20_000  # lives


def regraded_kind(age: Integers) -> Integers:
    """Which kind of regraded unit it is, from 0, by age at the regrade in months since build."""
    return np.asarray(np.maximum(np.searchsorted(REGRADED_FROM, age, side="right") - 1, 0))


def bin_of(age: Integers) -> Integers:
    """Bin of each age in months."""
    return np.asarray(np.searchsorted(AGE_BINS, age, side="right") - 1)


@dataclass(frozen=True)
class Spells:
    """Times at risk in one cell, (spells,): month of build, from month `start` on, until a report in `stop` (NONE: not
    yet), end: first month out of cover; of `count` units each."""

    build: Integers
    start: Integers
    stop: Integers
    end: Integers
    count: Array


def past_of_cell(
    lives: Lives, fresh: Spells, again: Spells, asked: Asked, since: int, cutoff: int, waiting: tuple[float, int] | None
) -> Array:
    """(KINDS, 3, bins, months): unit months at risk, regrades the physics expects of them, and regrades told,
    by bin of age and month from `since` to `cutoff`. waiting: share of owners who wait, and for how many months."""
    out = np.zeros((KINDS, 3, AGE_BINS.size, cutoff - since + 1))
    if fresh.count.size:
        out[0] = _table(lives, fresh, FRESH, asked, since, cutoff, waiting)
    of = regraded_kind(again.start - again.build)
    for kind in np.unique(of).tolist():
        own = only(again, of == kind)
        out[1 + kind] = _table(lives, own, AGAIN, asked, since, cutoff, waiting)
    return out


def _table(
    lives: Lives, spells: Spells, kind: int, asked: Asked, since: int, cutoff: int, waiting: tuple[float, int] | None
) -> Array:
    months = cutoff - since + 1
    end = spells.end - spells.build if waiting else np.zeros_like(spells.build)
    # kinds alike to the physics, and within them by month of the start
    first, of = distinct_rows(spells.start - spells.build, end)
    alike = np.stack([spells.start - spells.build, end], axis=1)[first]
    first, of_row = distinct_rows(of, spells.start)
    rows = np.stack([of, spells.start], axis=1)[first]
    longest = int(cutoff - rows[:, 1].min()) + 1
    hazard = report_hazard(lives, alike[:, 0], alike[:, 1], kind, asked, longest, waiting)
    before = (spells.stop != NONE) & (spells.stop < since)
    entered = group_sums(of_row, np.where(before, 0.0, spells.count), len(rows))
    told = (spells.stop != NONE) & ~before
    place = of_row[told] * months + spells.stop[told] - since
    events = group_sums(place, spells.count[told], len(rows) * months).reshape(len(rows), months)
    when = since + np.arange(months)
    age = when[None, :] - rows[:, 1:2]
    there = age >= 0
    units = np.where(there, entered[:, None] - np.cumsum(events, axis=1) + events, 0.0)
    rate = hazard[rows[:, 0][:, None], np.maximum(age, 0)]
    out = np.empty((3, AGE_BINS.size, months))
    at = (bin_of(np.maximum(age, 0)) * months + np.arange(months)).ravel()
    for place_of, values in ((UNITS, units), (EXPECTED, units * rate), (TOLD, events)):
        out[place_of] = group_sums(at, values.ravel(), AGE_BINS.size * months).reshape(AGE_BINS.size, months)
    return out


def report_hazard(
    lives: Lives,
    start: Integers,
    end: Integers,
    kind: int,
    asked: Asked,
    months: int,
    waiting: tuple[float, int] | None,
) -> Array:
    """Chance (kinds, months) of the next report in month 0, 1, ... since `start` (age in months since build, of the
    sale or of the last regrade), given none before. end: age at the end of cover."""
    out = np.zeros((start.size, months))
    most = max(1, MOST_AT_ONCE // lives.member.size)
    for first in range(0, start.size, most):
        at = slice(first, first + most)
        if kind == FRESH:
            own = of_each_kind(lives, start[at].size)
            weight = own.weight * (own.crossing[:, 0] >= start[at][own.kind])
        else:
            own = lives_after_regrade(lives, start[at], asked.mean_lag)
            weight = own.weight
        found = _told_in(own, weight, start[at], asked, months)
        if waiting is not None:
            share, last = waiting
            late = waiting_until(own, Waiting(share, last, end[at]))
            found = (1.0 - share) * found + share * _told_in(late, weight, start[at], asked, months)
        whole = group_sums(own.kind, weight, start[at].size)[:, None]
        left = whole - np.cumsum(found, axis=1) + found
        out[at] = np.minimum(ratio(found, left * (left > 1e-9 * whole)), MOST_HAZARD)
    return out


def _told_in(lives: Lives, weight: Array, start: Integers, asked: Asked, months: int) -> Array:
    """Weight of first reports by month since the start, (kinds, months)."""
    kinds = start.size
    since = lives.crossing[:, 0] - start[lives.kind]
    sure = np.zeros(since.size, dtype=bool) if lives.told is None else lives.told[:, 0] < FAR

    def counted(chosen: Flags, at: Integers) -> Array:
        inside = chosen & (at >= 0) & (at < months)
        place = lives.kind[inside] * months + at[inside]
        return group_sums(place, weight[inside], kinds * months).reshape(kinds, months)

    found = delayed(counted(~sure, since), asked.lag_shares)
    if lives.told is not None:
        found = found + counted(sure, lives.told[:, 0] - start[lives.kind])
    return found


def gaps_ahead(lives: Lives, age: Integers, count: Array, months: int) -> Array:
    """Gaps between a regrade within the months ahead and the next, (KINDS - 1, months + 1) by kind of the first of the
    two, weighed by the units (their ages, and how many) whose months ahead hold it; longer gaps, and none at all, are
    last."""
    kinds = KINDS - 1
    order = np.argsort(age)
    by = np.append(0.0, np.cumsum(count[order]))

    def younger(than: Integers) -> Array:
        return np.asarray(by[np.searchsorted(age[order], than, side="left")])

    row, occasion = np.nonzero(lives.crossing[:, :-1] < FAR)
    here = lives.crossing[row, occasion]
    weight = (younger(here) - younger(here - months)) / lives.member.size
    gap = np.minimum(lives.crossing[row, occasion + 1] - here, months)
    place = regraded_kind(here) * (months + 1) + gap
    return group_sums(place, weight, kinds * (months + 1)).reshape(kinds, months + 1)
