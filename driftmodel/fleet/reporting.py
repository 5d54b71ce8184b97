"""What units of each kind report, given what is known of them: the next regrade, later ones, and who says so when.

A regrade is a soft failure: the threshold is crossed, and the owner reports it later. Most come with the ordinary lag.
Some wait until their cover is about to end (the rush near the end of cover: Rai and Singh 2006, citation from memory).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from driftmodel.base.arrays import group_sums, ratio
from driftmodel.base.schema import Array, Flags, Integers
from driftmodel.fleet.delay import delayed
from driftmodel.fleet.passage import FAR, Lives


@dataclass(frozen=True)
class Waiting:
    """Owners who wait: share of all; months: they report in the last so many months of cover, each in a month of their
    own, or at once if it falls due after that; cover_end: (kinds,) month index of the first month out of cover."""

    share: float
    months: int
    cover_end: Integers


@dataclass(frozen=True)
class Known:
    """What is known of the kinds of units, (kinds,) each. age: month index of the last month before the forecast, which
    may be before sold_at for units still to be sold; sold_at: month index of sale; history_from: month index, reports
    before it are not in the history; fresh: never regraded, all of them or none."""

    age: Integers
    sold_at: Integers
    history_from: Integers
    fresh: bool = True


@dataclass(frozen=True)
class Asked:
    """How the answer is to be laid out, and the ordinary lag. lag_shares: (lags,) share reported 0, 1, ... months after
    the crossing."""

    members: int
    grades: int
    months: int
    lag_shares: Array

    @property
    def mean_lag(self) -> int:
        """Whole months."""
        return round(float(self.lag_shares @ np.arange(self.lag_shares.size)))


@dataclass(frozen=True)
class Ahead:
    """Expected per unit of each kind, given what is known at the cut-off, over the lives of all members that agree with
    it; the first dim is kinds but for `parts`.

    first, repeat: (kinds, months, grades) reports of the next regrade and of those after it; waiting: (kinds, months)
    share still without a report at the start of each month; pending: (kinds,) share past the threshold and not yet
    reported; history: (kinds,) reports expected between the age at sale and the cut-off from a unit of which nothing is
    known, 0 for one known as regraded. possible: (kinds,) False when no draw agrees with what is known (all of the
    ensemble has been regraded by this age). parts: (lives, years + 1) what each life brings to its member's reports of
    each year ahead and, last, to the history. crossed: (kinds, 2, lags - 1 + months) crossings with the ordinary lag,
    of first and repeat in turn, by month from lags - 1 before the forecast on; recent: (kinds, lags - 1) such crossings
    in the months before it, of a unit of which nothing is known, 0 likewise. slope: first, repeat (summed over grades)
    and waiting, (kinds, 3, months), and slope_once: pending and history, (kinds, 2), how much each grows with the share
    of owners who wait."""

    first: Array
    repeat: Array
    waiting: Array
    pending: Array
    history: Array
    possible: Flags
    parts: Array
    crossed: Array
    recent: Array
    slope: Array
    slope_once: Array

    @cached_property
    def by_month(self) -> tuple[Array, Array]:
        """first and repeat of all grades, (kinds, months) each."""
        return _of_all(self.first), _of_all(self.repeat)


@dataclass(frozen=True)
class _Sums:
    """The same, summed over lives by weight and not yet divided by the weight that agrees: whole (alive by sale) and
    alive (and without a report so far), (kinds,), each_whole and each_alive by member, (kinds, members)."""

    whole: Array
    alive: Array
    each_whole: Array
    each_alive: Array
    first: Array
    repeat: Array
    pending: Array
    history: Array
    parts: Array
    crossed: Array
    recent: Array

    def mixed(self, other: _Sums, share: float) -> _Sums:
        """1 - share of these and share of the other."""
        names = self.__dataclass_fields__
        return _Sums(*((1.0 - share) * getattr(self, name) + share * getattr(other, name) for name in names))


def ahead(lives: Lives, known: Known, asked: Asked, wait: Waiting | None = None) -> Ahead:
    """What units of these lives report after the cut-off. wait: owners who wait, None if there are none.

    Conditional on no report by `age`: p = [F(a + h) - F(a)] / [1 - F(a)], F of the reported age. A crossing before the
    sale was put right before delivery, so lives with one are left out (of units never regraded)."""
    prompt = _sums(lives, known, asked)
    if wait is None:
        return _divided(prompt, lives)
    late = _sums(waiting_until(lives, wait), known, asked)
    return _sloped(_divided(prompt.mixed(late, wait.share), lives), prompt, late, wait.share)


def waiting_until(lives: Lives, wait: Waiting) -> Lives:
    """The same lives with owners who all wait: what falls due in cover is told in a month of the last ones of cover,
    another for each life in turn. What falls due again before that is one job with it, of the grade needed last; the
    angle is reset then, so what follows comes as much later."""
    crossing = lives.crossing
    occasions = crossing.shape[1]
    end = wait.cover_end[lives.kind]
    place = np.arange(end.size) - np.searchsorted(lives.kind, lives.kind)  # among the lives of its kind
    turn = end - wait.months + place % wait.months
    together = (crossing <= turn[:, None]).sum(axis=1)
    rows = np.arange(crossing.shape[0])
    column = np.arange(occasions)[None, :] + np.maximum(together - 1, 0)[:, None]
    inside, there = np.minimum(column, occasions - 1), column < occasions
    kept = np.where(there, crossing[rows[:, None], inside], FAR)
    late = np.where(together > 0, turn - crossing[rows, np.maximum(together - 1, 0)], 0)
    kept[:, 1:] = np.where(kept[:, 1:] < FAR, kept[:, 1:] + late[:, None], FAR)
    kept[:, 0] = crossing[:, 0]  # since when the job is due
    told = np.where(kept < end[:, None], np.maximum(kept, turn[:, None]), FAR)
    return replace(lives, crossing=kept, grade=lives.grade[rows[:, None], inside], told=told)


def _sums(lives: Lives, known: Known, asked: Asked) -> _Sums:
    lag, months, kind, kinds = asked.lag_shares, asked.months, lives.kind, known.age.size
    age, first = known.age[kind], lives.crossing[:, 0]
    tail = 1.0 - np.cumsum(lag)  # chance of a lag longer than 0, 1, ...
    tail[-1] = 0.0
    before = tail.size - 1
    agrees = lives.weight * (first >= known.sold_at[kind]) if known.fresh else lives.weight.copy()
    late = np.minimum(np.maximum(age - first, -1), before)
    unreported = np.where(first > age, 1.0, tail[late])
    lagged = heard = lives.crossing
    if lives.told is not None:
        sure = lives.told < FAR
        lagged = np.where(sure, FAR, lives.crossing)
        unreported = np.where(sure[:, 0], lives.told[:, 0] > age, unreported)
        heard = np.where(sure, lives.told - asked.mean_lag, lives.crossing)
    left = agrees * unreported
    weight = np.broadcast_to(left[:, None], lives.crossing.shape).copy()
    weight[:, 0] = agrees
    begin = age + 1 - before
    size = (kinds, before + months, asked.grades)
    reports, crossed = [], []
    for part in (slice(0, 1), slice(1, None)):  # the next regrade, those after it
        table = _counted(lagged[:, part] - begin[:, None], lives.grade[:, part], weight[:, part], kind, size)
        told = np.moveaxis(delayed(np.moveaxis(table, 1, 2), lag)[..., before:], 2, 1)
        if lives.told is not None:
            since = lives.told[:, part] - age[:, None] - 1
            told += _counted(since, lives.grade[:, part], weight[:, part], kind, (kinds, months, asked.grades))
        reports.append(told)
        crossed.append(_of_all(table))
    parts = _parts(heard - (age + 1 - asked.mean_lag)[:, None], weight, months)
    history, recent = np.zeros(kinds), np.zeros((kinds, before))
    if known.fresh:
        by_lag = np.append(np.cumsum(lag), 0.0)
        since = np.maximum(known.history_from[kind], 0)[:, None]
        parts[:, -1] = agrees * _reported_between(lagged, lives.told, since, age[:, None], by_lag)
        history = group_sums(kind, parts[:, -1], kinds)
        alike = np.broadcast_to(agrees[:, None], lagged.shape)
        recent = _counted(lagged - begin[:, None], None, alike, kind, (kinds, before, 1))[..., 0]
    place, size_of = kind * asked.members + lives.member, (kinds, asked.members)
    return _Sums(
        group_sums(kind, agrees, kinds),
        group_sums(kind, left, kinds),
        group_sums(place, agrees, kinds * asked.members).reshape(size_of),
        group_sums(place, left, kinds * asked.members).reshape(size_of),
        reports[0],
        reports[1],
        group_sums(kind, left * (first <= age), kinds),
        history,
        parts,
        np.stack(crossed, axis=1),
        recent,
    )


def _divided(found: _Sums, lives: Lives) -> Ahead:
    kinds, months = found.first.shape[:2]
    possible = found.alive > 1e-9 * found.whole
    by_alive = ratio(possible, found.alive)
    by_whole = ratio(1.0, found.whole)
    of = (lives.kind, lives.member)
    parts = found.parts / np.maximum(found.each_alive[of], 1e-9)[:, None]
    parts[:, -1] = found.parts[:, -1] / np.maximum(found.each_whole[of], 1e-9)
    parts[~possible[lives.kind], :-1] = 0.0
    first = found.first * by_alive[:, None, None]
    waiting = np.maximum(1.0 - _so_far(_of_all(first)), 0.0)
    return Ahead(
        first,
        found.repeat * by_alive[:, None, None],
        waiting,
        found.pending * by_alive,
        found.history * by_whole,
        possible,
        parts,
        found.crossed * by_alive[:, None, None],
        found.recent * by_whole[:, None],
        np.zeros((kinds, 3, months)),
        np.zeros((kinds, 2)),
    )


def _of_all(table: Array) -> Array:
    """Sums over the last dim, the grades."""
    return np.asarray(table @ np.ones(table.shape[-1]))


def _so_far(monthly: Array) -> Array:
    """Sum of the months before each, (kinds, months)."""
    return np.cumsum(monthly, axis=1) - monthly


def _sloped(mix: Ahead, prompt: _Sums, late: _Sums, share: float) -> Ahead:
    """With the slopes by the share who wait: of N / A with N and A linear in it, (N' - (N / A) A') / A."""
    alive = (1.0 - share) * prompt.alive + share * late.alive
    alive = np.where(mix.possible, alive, np.inf)
    fewer = late.alive - prompt.alive

    def slope(mean: Array, one: Array, other: Array) -> Array:
        return np.asarray((other - one - mean * fewer[:, None]) / alive[:, None])

    first = slope(mix.by_month[0], _of_all(prompt.first), _of_all(late.first))
    repeat = slope(mix.by_month[1], _of_all(prompt.repeat), _of_all(late.repeat))
    pending = (late.pending - prompt.pending - mix.pending * fewer) / alive
    history = ratio(late.history - prompt.history, prompt.whole)
    return replace(
        mix, slope=np.stack([first, repeat, -_so_far(first)], axis=1), slope_once=np.stack([pending, history], axis=1)
    )


def _reported_between(lagged: Integers, told: Integers | None, start: Integers, end: Integers, by_lag: Array) -> Array:
    """Reports of each life, (lives,), from month index `start` to `end`, (lives, 1) each. by_lag: (lags + 1,) share by
    then, last 0."""
    longest = by_lag.size - 2
    by_end = by_lag[np.minimum(np.maximum(end - lagged, -1), longest)]
    by_start = by_lag[np.minimum(np.maximum(start - 1 - lagged, -1), longest)]
    reported = np.maximum(by_end - by_start, 0.0)
    if told is not None:
        reported = reported + ((told >= start) & (told <= end))
    return np.asarray(reported.sum(axis=1))


def _parts(since: Integers, weight: Array, months: int) -> Array:
    """What each life brings to each year, (lives, years + 1), the last column left empty."""
    years = -(-months // 12)
    row, occasion = np.nonzero((since >= 0) & (since < months))
    at = row * (years + 1) + since[row, occasion] // 12
    return group_sums(at, weight[row, occasion], since.shape[0] * (years + 1)).reshape(-1, years + 1)


def _counted(
    since: Integers, grade: Integers | None, weight: Array, kind: Integers, size: tuple[int, int, int]
) -> Array:
    """Weights by kind, month and grade (all one if None), `size`, of occasions 0, 1, ... months after the start."""
    kinds, months, grades = size
    row, occasion = np.nonzero((since >= 0) & (since < months))
    at = (kind[row] * months + since[row, occasion]) * grades
    if grade is not None:
        at = at + grade[row, occasion]
    return group_sums(at, weight[row, occasion], kinds * months * grades).reshape(size)
