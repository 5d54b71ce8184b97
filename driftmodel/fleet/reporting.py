"""What units of one kind report, given what is known of them: the next regrade, later ones, and who says so when.

A regrade is a soft failure: the threshold is crossed, and the owner reports it later. Most come with the ordinary lag.
Some wait until their cover is about to end (the rush near the end of cover: Rai and Singh 2006, citation from memory).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from driftmodel.fleet.passage import FAR, Lives

Array = NDArray[np.float64]
Shape = tuple[int, int]


@dataclass(frozen=True)
class Waiting:
    """Owners who wait: share of all; months: they report in the last so many months of cover, each in a month of their
    own, or at once if it falls due after that; cover_end: month index of the first month out of cover."""

    share: float
    months: int
    cover_end: int


@dataclass(frozen=True)
class Known:
    """What is known of a unit. age: month index of the last month before the forecast, which may be before sold_at for
    units still to be sold; sold_at: month index of sale; fresh: never regraded; history_from: month index, reports
    before it are not in the history."""

    age: int
    sold_at: int
    fresh: bool = True
    history_from: int = -FAR


@dataclass(frozen=True)
class Asked:
    """How the answer is to be laid out, and the ordinary lag. lag_shares: (lags,) share reported 0, 1, ... months after
    the crossing."""

    members: int
    grades: int
    months: int
    lag_shares: Array


@dataclass(frozen=True)
class Ahead:
    """Expected per unit, given what is known at the cut-off, over the lives of all members that agree with it.

    first, repeat: (months, grades) reports of the next regrade and of those after it; waiting: (months,) share still
    without a report at the start of each month; pending: share past the threshold and not yet reported; history:
    reports expected between the age at sale and the cut-off from a unit of which nothing is known, 0 for one known as
    regraded. possible: False when no draw agrees with what is known (all of the ensemble has been regraded by this
    age). parts: (lives, years + 1) what each life brings to its member's reports of each year ahead and, last, to the
    history. crossed: (2, lags - 1 + months) crossings with the ordinary lag, of first and repeat in turn, by month
    from lags - 1 before the forecast on; recent: (lags - 1,) such crossings in the months before it, of a unit of which
    nothing is known, 0 likewise. slope: first, repeat (summed over grades) and waiting, (3, months), and slope_once:
    pending and history, (2,), how much each grows with the share of owners who wait.
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
    slope: Array
    slope_once: Array


@dataclass(frozen=True)
class _Sums:
    """The same, summed over lives by weight and not yet divided by the weight that agrees: whole (alive by sale) and
    alive (and without a report so far), each_whole and each_alive by member."""

    whole: float
    alive: float
    each_whole: Array
    each_alive: Array
    first: Array
    repeat: Array
    pending: float
    history: float
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
    sale was put right before delivery, so lives with one are left out (of units never regraded).
    """
    prompt = _sums(lives, known, asked)
    if wait is None:
        return _divided(prompt, lives, asked)
    late = _sums(waiting_until(lives, wait), known, asked)
    mix = _divided(prompt.mixed(late, wait.share), lives, asked)
    if not mix.possible:
        return mix
    return _sloped(mix, prompt, late, wait.share)


def waiting_until(lives: Lives, wait: Waiting) -> Lives:
    """The same lives with owners who all wait: what falls due in cover is told in a month of the last ones of cover,
    another for each life in turn. What falls due again before that is one job with it, of the grade needed last; the
    angle is reset then, so what follows comes as much later."""
    crossing = lives.crossing
    occasions = crossing.shape[1]
    turn = wait.cover_end - wait.months + np.arange(crossing.shape[0]) % wait.months
    together = ((crossing < wait.cover_end) & (crossing <= turn[:, None])).sum(axis=1)
    rows = np.arange(crossing.shape[0])
    column = np.arange(occasions)[None, :] + np.maximum(together - 1, 0)[:, None]
    inside, there = np.minimum(column, occasions - 1), column < occasions
    kept = np.where(there, crossing[rows[:, None], inside], FAR)
    late = np.where(together > 0, turn - crossing[rows, np.maximum(together - 1, 0)], 0)
    kept[:, 1:] = np.where(kept[:, 1:] < FAR, kept[:, 1:] + late[:, None], FAR)
    kept[:, 0] = crossing[:, 0]  # since when the job is due
    told = np.where(kept < wait.cover_end, np.maximum(kept, turn[:, None]), FAR)
    return replace(lives, crossing=kept, grade=lives.grade[rows[:, None], inside], told=told)


def _sums(lives: Lives, known: Known, asked: Asked) -> _Sums:
    lag, months, age = asked.lag_shares, asked.months, known.age
    first = lives.crossing[:, 0]
    tail = 1.0 - np.cumsum(lag)  # chance of a lag longer than 0, 1, ...
    tail[-1] = 0.0
    before = tail.size - 1
    agrees = lives.weight * (first >= known.sold_at) if known.fresh else lives.weight.copy()
    late = np.minimum(np.maximum(age - first, -1), before)
    unreported = np.where(first > age, 1.0, tail[late])
    lagged = lives.crossing
    if lives.told is not None:
        sure = lives.told < FAR
        lagged = np.where(sure, FAR, lives.crossing)
        unreported = np.where(sure[:, 0], lives.told[:, 0] > age, unreported)
    left = agrees * unreported
    begin, span, shape = age + 1 - before, months + before, (months, asked.grades)
    first_on, later = slice(0, 1), slice(1, lives.crossing.shape[1])
    next_one, next_crossed = _lagged(lagged[:, first_on], lives.grade[:, first_on], agrees, begin, span, shape, lag)
    repeat, repeat_crossed = _lagged(lagged[:, later], lives.grade[:, later], left, begin, span, shape, lag)
    mean_lag = round(float(tail.sum()))
    heard = lives.crossing
    if lives.told is not None:
        next_one += _counted(lives.told[:, first_on] - age - 1, lives.grade[:, first_on], agrees, shape)
        repeat += _counted(lives.told[:, later] - age - 1, lives.grade[:, later], left, shape)
        heard = np.where(sure, lives.told - mean_lag, lives.crossing)
    parts = _parts(heard, agrees, left, age + 1 - mean_lag, months)
    history, recent = 0.0, np.zeros(before)
    if known.fresh:
        by_lag = np.append(np.cumsum(lag), 0.0)
        gone = agrees * _reported_between(lagged, lives.told, max(known.history_from, 0), age, by_lag)
        parts[:, -1] = gone
        history = float(gone.sum())
        recent = _recent(lagged, agrees, begin, before)
    return _Sums(
        float(agrees.sum()),
        float(left.sum()),
        np.bincount(lives.member, agrees, asked.members).astype(float),
        np.bincount(lives.member, left, asked.members).astype(float),
        next_one,
        repeat,
        float((left * (first <= age)).sum()),
        history,
        parts,
        np.stack([next_crossed, repeat_crossed]),
        recent,
    )


def _divided(sums: _Sums, lives: Lives, asked: Asked) -> Ahead:
    months = asked.months
    flat, once = np.zeros((3, months)), np.zeros(2)
    if sums.alive <= 1e-9 * max(sums.whole, 1e-300):
        none = np.zeros_like(sums.first)
        zeros = (np.zeros_like(sums.parts), np.zeros_like(sums.crossed), np.zeros_like(sums.recent))
        return Ahead(none, none, np.ones(months), 0.0, 0.0, False, *zeros, flat, once)
    alive, whole = sums.alive, max(sums.whole, 1e-300)
    parts = sums.parts / np.maximum(sums.each_alive, 1e-9)[lives.member, None]
    parts[:, -1] = sums.parts[:, -1] / np.maximum(sums.each_whole, 1e-9)[lives.member]
    waiting = np.maximum(_still(sums.first.sum(axis=1), alive) / alive, 0.0)
    return Ahead(
        sums.first / alive, sums.repeat / alive, waiting, sums.pending / alive, sums.history / whole, True, parts,
        sums.crossed / alive, sums.recent / whole, flat, once,
    )  # fmt: skip


def _still(monthly: Array, alive: float) -> Array:
    """Weight without a report at the start of each month, (months,)."""
    return alive - np.concatenate([[0.0], np.cumsum(monthly)[:-1]])


def _sloped(mix: Ahead, prompt: _Sums, late: _Sums, share: float) -> Ahead:
    """With the slopes by the share who wait: of N / A with N and A linear in it, (N' - (N / A) A') / A."""
    alive = (1.0 - share) * prompt.alive + share * late.alive
    fewer = late.alive - prompt.alive

    def slope(mean: Array, one: Array, other: Array) -> Array:
        return np.asarray((other - one - mean * fewer) / alive)

    first = slope(mix.first.sum(axis=1), prompt.first.sum(axis=1), late.first.sum(axis=1))
    repeat = slope(mix.repeat.sum(axis=1), prompt.repeat.sum(axis=1), late.repeat.sum(axis=1))
    waiting = np.append(0.0, -np.cumsum(first)[:-1])
    pending = (late.pending - prompt.pending - mix.pending * fewer) / alive
    whole = max((1.0 - share) * prompt.whole + share * late.whole, 1e-300)
    history = (late.history - prompt.history) / whole
    return replace(mix, slope=np.stack([first, repeat, waiting]), slope_once=np.array([pending, history]))


def _reported_between(
    lagged: NDArray[np.int64], told: NDArray[np.int64] | None, start: int, end: int, by_lag: Array
) -> Array:
    """Reports of each life, (lives,), from month index `start` to `end`. by_lag: (lags + 1,) share by then, last 0."""
    reported = np.zeros(lagged.shape)
    for limit, sign in ((end, 1.0), (start - 1, -1.0)):
        since = np.minimum(np.maximum(limit - lagged, -1), by_lag.size - 2)
        reported = reported + sign * by_lag[since]
    reported = np.maximum(reported, 0.0)
    if told is not None:
        reported = reported + ((told >= start) & (told <= end))
    return np.asarray(reported.sum(axis=1))


def _recent(crossing: NDArray[np.int64], weight: Array, begin: int, span: int) -> Array:
    """Crossings of all occasions in the `span` months from month index `begin` on, (span,)."""
    since = crossing - begin
    row, occasion = np.nonzero((since >= 0) & (since < span))
    return np.bincount(since[row, occasion], weight[row], span).astype(float)


def _parts(heard: NDArray[np.int64], first: Array, later: Array, begin: int, months: int) -> Array:
    """What each life brings to each year from month index `begin`, (lives, years + 1), the last column left empty."""
    years = -(-months // 12)
    since = heard - begin
    row, occasion = np.nonzero((since >= 0) & (since < months))
    at = row * (years + 1) + since[row, occasion] // 12
    weight = np.where(occasion == 0, first[row], later[row])
    return np.bincount(at, weight, heard.shape[0] * (years + 1)).reshape(-1, years + 1).astype(float)


def _counted(since: NDArray[np.int64], grade: NDArray[np.int64], weight: Array, shape: Shape) -> Array:
    """Weights by month and grade, `shape`, of occasions that fall 0, 1, ... months after the start."""
    months, grades = shape
    row, occasion = np.nonzero((since >= 0) & (since < months))
    at = since[row, occasion] * grades + grade[row, occasion]
    return np.bincount(at, weight[row], months * grades).reshape(shape).astype(float)


def _lagged(
    crossing: NDArray[np.int64],
    grade: NDArray[np.int64],
    weight: Array,
    begin: int,
    span: int,
    shape: Shape,
    lag: Array,
) -> tuple[Array, Array]:
    """Reports (months, grades) of crossings from month index `begin` on, lagged; and the crossings (span,)."""
    months = shape[0]
    table = _counted(crossing - begin, grade, weight, (span, shape[1]))
    out, longest = np.zeros(shape), lag.size - 1
    for step, share in enumerate(lag):
        if share:
            out += share * table[longest - step : longest - step + months]
    return out, table.sum(axis=1)
