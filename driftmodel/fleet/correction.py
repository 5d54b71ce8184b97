"""How claims move the physics' hazard: by level, by age, by season, and from time to time.

Regrades told are Poisson about the physics' expected number times exp(effects). Effects are penalised: a level with
partial pooling over regions and designs, P-splines over log age (Eilers and Marx 1996, citation from memory) before and
after a first regrade with departures of regions and designs, a season, and a pace of all regions and of each that falls
back to the usual one (Ornstein and Uhlenbeck's law), how soon being told by the claims. Their spreads are learned
(empirical Bayes on the Laplace approximation, as in Breslow and Clayton 1993, by MacKay's fixed point of 1992, both
citations from memory) from weak priors, so that few claims leave the physics and many replace it.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import cho_factor, cho_solve, solve_triangular
from scipy.special import gammaln, softmax

from driftmodel.base import library
from driftmodel.base.arrays import first_order_recursion, group_sums, ratio, settled
from driftmodel.fleet.exposure import AGAIN, AGE_BINS, EXPECTED, FRESH, KINDS, TOLD, UNITS
from driftmodel.fleet.histories import Histories

Array = NDArray[np.float64]
#: the physics' hazard is taken for no less than this share of the claims' own at that age, all regions and designs
#: together, so that claims can raise it where it expects nothing; own choice, no source
FLOOR = 0.1
KNOT_STEP = 0.35  # in log age
EDGE = 0.003  # share of claims that must lie beyond the last knot, past which the correction goes on level; own choice
KEEP_LOG_AGE = 2.0  # over which the correction by age falls back to the physics' level, by 1/e
KEEP_MONTHS = 2.0  # over which a season's correction is alike, by 1/e
#: prior of each spread: its size before any claim, held as firmly as PRIOR_WORTH effects; own choices, no source
LEVEL_SD, AGE_SD, AGE_OWN_SD, SEASON_SD, SEASON_OWN_SD, ALL_PACE_SD = 0.3, 0.3, 0.1, 0.1, 0.05, 0.03
AGAIN_SD = 0.7  # of repeats' level against first regrades'
LEAST_PACE_SD = 0.06  # of a region's pace, where the physics' own weather is less
PACE_MONTHS, MOST_PACES = 3, 400  # of one pace; longer where regions and years would have more of them
BEYOND, BEYOND_SD = "age beyond claims", 0.3  # a knot's step past the last one; own choice, no source
KEPT_MONTHS = (1.5, 4.0, 100.0)  # over which a pace is alike, by 1/e: one of these; own choice, no source
PRIOR_WORTH = 0.5
#: of the exponent by which the physics' differences in hazard count, before a first regrade and after one; own choice
TRUST_SD = (0.2, 0.5)
MOST_APART = 3.0  # in log hazard
ROUNDS, MORE_ROUNDS, STEP_MOST, CENTRE_ROUNDS = 20, 8, 2.0, 3  # from nothing; from the fit before
MOST_DENSE = 1_000_000  # cells of a table that is worked whole, zeros and all, which is quicker while it is small
SLOW = 0.02  # variances that move by less a round are found


@dataclass(frozen=True)
class Block:
    """Effects `columns` with prior precision `shape` / variance; learned: whether the variance is. prior: its size."""

    name: str
    columns: slice
    shape: Array
    prior: float
    learned: bool

    @property
    def size(self) -> int:
        return int(self.columns.stop - self.columns.start)


@dataclass(frozen=True)
class Correction:
    """A fit. mean (effects,) with `factor`, the upper Cholesky factor of its precision; variance by block name. knots:
    of the splines over log age; least: (2, bins) hazard that the physics' is taken for no less than, `least_hazard`;
    middle: (2,) log of its mean hazard; each before a first regrade and after one. first: month with which the paces
    begin, of `wide` months each; paces: their number up to the cut-off; kept: months over which one is alike; lag:
    share of reports 0, 1, ... months late; scatter: variance of a region's month about all this; evidence: what is to
    be said for it, in logs, beside its rivals, fits that keep a pace for longer or less. claims, expected: (regions,
    designs) used."""

    regions: int
    designs: int
    blocks: tuple[Block, ...]
    mean: Array
    factor: Array
    variance: dict[str, float]
    knots: tuple[Array, Array]
    least: Array
    middle: Array
    first: int
    wide: int
    paces: int
    kept: float
    lag: tuple[float, ...]
    scatter: float
    evidence: float
    claims: Array
    expected: Array
    rivals: tuple[Correction, ...] = ()

    @property
    def chances(self) -> Array:
        """Of each of the rivals, by what is to be said for it."""
        return np.asarray(softmax([each.evidence for each in self.rivals]))

    def one(self, random: np.random.Generator) -> Correction:
        """One of the rivals, by their chances."""
        chance = np.cumsum(self.chances)
        return self.rivals[int(np.searchsorted(chance, random.random() * chance[-1]))]

    def block(self, name: str) -> Block | None:
        return next((block for block in self.blocks if block.name == name), None)

    def part(self, effects: Array, name: str, *shape: int) -> Array:
        """Effects of a block (..., *shape), zeros where the fit has no such block."""
        found = self.block(name)
        if found is None:
            return np.zeros((*effects.shape[:-1], *shape))
        return effects[..., found.columns].reshape(*effects.shape[:-1], *shape)

    def draw(self, normal: Array) -> Array:
        """Effects (..., effects) from standard normal numbers of the same shape."""
        flat = normal.reshape(-1, self.mean.size)
        return self.mean + solve_triangular(self.factor, flat.T).T.reshape(normal.shape)

    def level(self, effects: Array) -> Array:
        """Log level (..., regions, designs)."""
        shape = (self.regions, self.designs)
        return np.asarray(
            self.part(effects, "mean", 1, 1)
            + self.part(effects, "region", self.regions, 1)
            + self.part(effects, "design", 1, self.designs)
            + self.part(effects, "place", *shape)
        )

    def by_age(self, effects: Array, months: int) -> tuple[Array, Array]:
        """Log correction at each whole age from 0 on, (..., regions, designs, months): before the first regrade, and by
        months since one."""
        basis, later = (spline(np.arange(months), knots) for knots in self.knots)
        more = self.block(BEYOND)
        bases, level = basis.shape[1], self.level(effects)[..., None]
        age = self.part(effects, "age", 1, 1, bases) + self.part(effects, "age of region", self.regions, 1, bases)
        age = age + self.part(effects, "age of design", 1, self.designs, bases)
        whole = level + age @ basis.T
        if more is not None:  # past the last knot no claim says where it goes
            far = self.knots[0][-1] + KNOT_STEP * np.arange(more.size + 1)
            whole = whole + self.part(effects, BEYOND, 1, 1, more.size) @ spline(np.arange(months), far)[:, 1:].T
        again = self.part(effects, "again", 1, 1, 1) + self.part(effects, "age again", 1, 1, later.shape[1]) @ later.T
        return whole, level + again

    def trust(self, effects: Array) -> Array:
        """How much more, or less, the physics' own differences in hazard count than as they are, (..., 2), before a
        first regrade and after one; -1: they count for nothing."""
        return self.part(effects, "trust", 2)

    def apart(self, hazard: Array) -> Array:
        """How far hazards (regions, designs, KINDS, bins) are from the physics' mean, in logs, which `trust` weighs."""
        return _apart(hazard, self.middle)

    def at_least(self, units: Array, expected: Array, kind: NDArray[np.int64]) -> Array:
        """What is added to the physics' chance of a report (..., kinds, bins), so that it is no less than `least`."""
        return _raised(units, expected, self.least[_SORT[kind]])

    def season(self, effects: Array) -> Array:
        """Log correction (..., regions, 12), January first."""
        return self.part(effects, "season", 1, 12) + self.part(effects, "season of region", self.regions, 12)

    def pace(self, effects: Array, months: NDArray[np.int64], random: np.random.Generator) -> Array:
        """Log effect (regions, months) of one draw of the effects on reports; from the cut-off on each goes its way."""
        ahead = max(int((months.max(initial=0) - self.first) // self.wide) + 1 - self.paces, 1)
        total = np.zeros((self.regions, self.paces + ahead))
        stays = self.stays
        for name, rows in (("pace", 1), ("pace of region", self.regions)):
            own = self.part(effects, name, rows, self.paces)
            sd = self.spread(name, effects, random) * np.sqrt(1.0 - stays**2)
            fresh = sd * np.random.default_rng(random.integers(1 << 62)).standard_normal((ahead, rows))
            later = np.transpose(first_order_recursion(stays, fresh, own[:, -1]))
            total += np.concatenate([own, later], axis=1)
        return np.asarray(total @ paces_of(months, self.first, self.wide, total.shape[1], self.lag).T)

    def lately(self, effects: Array, cutoff: int, weight: Array) -> Array:
        """Log effect (regions,) on what fell due 0, 1, ... months before the end of the cut-off, weighed (months,)."""
        back, late = np.arange(weight.size), int(np.round(np.arange(len(self.lag)) @ np.array(self.lag)))
        own = self.part(effects, "pace of region", self.regions, self.paces)
        pace = (self.part(effects, "pace", 1, self.paces) + own) @ paces_of(
            cutoff - back, self.first, self.wide, self.paces, (1.0,)
        ).T
        return np.asarray((pace + self.season(effects)[:, (cutoff + late - back) % 12]) @ (weight / weight.sum()))

    @property
    def stays(self) -> float:
        """How much of a pace is left in the next."""
        return float(np.exp(-self.wide / self.kept))

    def last_year(self) -> tuple[Array, Array, Array]:
        """How far each region's last year with claims lies from its earlier ones, in logs, its standard deviation, and
        how much of that the coming year is expected to keep, (regions,) each."""
        last = min(12 // self.wide, self.paces - 1)
        if last < 1:
            return (np.zeros(self.regions),) * 3
        apart, kept = np.zeros((2, self.regions, self.mean.size))
        weigh = np.full(self.paces, -1.0 / (self.paces - last))
        ahead = weigh.copy()
        weigh[-last:], ahead[-last:] = 1.0 / last, 0.0
        ahead[-1] += np.mean(self.stays ** np.arange(1, last + 1))
        for name, own in (("pace", np.ones((self.regions, 1))), ("pace of region", np.eye(self.regions))):
            if (block := self.block(name)) is not None:
                apart[:, block.columns], kept[:, block.columns] = np.kron(own, weigh), np.kron(own, ahead)
        sd = np.sqrt(np.square(solve_triangular(self.factor.T, apart.T, lower=True)).sum(axis=0))
        return apart @ self.mean, sd, kept @ self.mean

    def spread(self, name: str, effects: Array, random: np.random.Generator) -> float:
        """A standard deviation of a block's effects that they could as well come from (inverse gamma)."""
        block = self.block(name)
        chance = random.standard_gamma(0.5 * (PRIOR_WORTH + (0 if block is None else block.size)))
        if block is None:
            return 0.0
        own = effects[block.columns]
        square = float(own @ block.shape @ own) + PRIOR_WORTH * block.prior**2
        return float(np.sqrt(0.5 * square / chance))


def spline(age: NDArray[np.int64] | Array, knots: Array) -> Array:
    """Linear B-splines of log(1 + age), (ages, knots); ages past the last knot count as there. Linear, so that beyond
    the oldest units the correction goes on level and does not follow its last slope."""
    at = np.minimum(np.log1p(np.asarray(age, dtype=float)), knots[-1])
    return np.asarray(np.maximum(1.0 - np.abs(at[:, None] - knots) / KNOT_STEP, 0.0))


def knots_of(told: Array) -> Array:
    """Even knots over log age from 0 on, as far as EDGE of the regrades told (bins,) lie beyond the last."""
    beyond = 1.0 - ratio(np.cumsum(told), max(told.sum(), 1e-12))
    last = int(AGE_BINS[int((beyond >= EDGE).sum())]) if told.sum() > 0.0 else 12
    return KNOT_STEP * np.arange(max(int(np.log1p(last) / KNOT_STEP), 2) + 1, dtype=float)


def paces_of(months: NDArray[np.int64], first: int, wide: int, paces: int, lag: tuple[float, ...]) -> Array:
    """How much of each pace is in the reports of each month, (months, paces): of what fell due then or `lag` later."""
    out = np.zeros((months.size, paces))
    for late, share in enumerate(lag):
        np.add.at(out, (np.arange(months.size), np.clip((months - late - first) // wide, 0, paces - 1)), share)
    return out


def _beyond(knots: Array, oldest: int) -> int:
    """How many knots more lie between the last and this age."""
    return max(int(np.ceil((np.log1p(oldest) - knots[-1]) / KNOT_STEP)), 0)


def alike(places: Array, keep: float, around: float | None = None) -> Array:
    """Precision of effects at these places whose correlation falls as exp(-distance / keep); on a ring if `around`."""
    apart = np.abs(places[:, None] - places[None, :])
    if around is not None:
        apart = np.minimum(apart, around - apart)
    return np.asarray(np.linalg.inv(np.exp(-apart / keep) + 1e-9 * np.eye(places.size)))


def correct(
    past: Array,
    ahead: Array,
    known: Histories,
    cutoff: int,
    lag: tuple[float, ...],
    late: Array,
    *,
    log_sd: float,
    weather_sd: float,
) -> Correction:
    """The fit to past (regions, designs, KINDS, 3, bins, months), see exposure. ahead: (regions, designs, KINDS, 2,
    bins) units at risk and regrades of the months to come, as the physics has them. log_sd: how far claims may be from
    the physics before any is seen; weather_sd: of a region's year, by the physics."""
    units = _by_sort((past[:, :, :, UNITS].sum(axis=4) + ahead[:, :, :, 0]).sum(axis=(0, 1)))
    expected = _by_sort((past[:, :, :, EXPECTED].sum(axis=4) + ahead[:, :, :, 1]).sum(axis=(0, 1)))
    middle = np.log(np.maximum(ratio(expected.sum(axis=1), units.sum(axis=1)), 1e-9))
    oldest = int(AGE_BINS[np.flatnonzero(ahead[:, :, :, 0].sum(axis=(0, 1, 2)))].max(initial=12))
    regions, designs, _, _, _, months = past.shape
    least = least_hazard(past, known)
    units = past[:, :, :, UNITS]
    expected = expected_of(past, least)
    differs = _apart(ratio(expected.sum(axis=4), units.sum(axis=4)), middle)
    rows = _rows(past, known, expected)
    came = _by_sort((past[:, :, :, TOLD] + past[:, :, :, EXPECTED]).sum(axis=(0, 1, 4)))
    knots = knots_of(came[FRESH]), knots_of(came[AGAIN])
    wide = PACE_MONTHS * -(-(regions + 1) * months // (PACE_MONTHS * MOST_PACES))
    paces = -(-months // wide)
    first = cutoff + 1 - wide * paces
    felt = paces_of(known.since + np.arange(months), first, wide, paces, lag)
    spreads = (log_sd, max(weather_sd, LEAST_PACE_SD))
    model = _model(rows, differs, knots, oldest, known.since + rows.at[4], felt, (regions, designs), spreads)
    due = [paces_of(cutoff - np.arange(late.shape[1]) - back, first, wide, paces, (1.0,)) for back in range(len(lag))]
    usual = paces_of(cutoff - np.arange(late.shape[1]), first, wide, paces, lag)
    model = model.with_lateness(late, np.stack(due, axis=1) - usual[:, None], np.array(lag))
    whole, own_rows = np.zeros((regions, designs)), rows.told.size
    np.add.at(whole, rows.at[:2], rows.expected)
    fits: list[Correction] = []
    start: tuple[Array, dict[str, float]] | None = None
    lasts = library.general("pace_lasts_chance").value
    for kept, chance in zip(KEPT_MONTHS, ((1.0 - lasts) / 2.0, (1.0 - lasts) / 2.0, lasts), strict=True):
        own = model.keeping(alike(wide * np.arange(float(paces)), kept))
        effects, variance = own.fitted(start)
        start = effects, variance
        mean, prior = own.mean(effects), own.prior(variance)
        told = own.told(mean)
        claims = np.zeros((regions, designs))
        np.add.at(claims, rows.at[:2], told[:own_rows])
        precision = own.precision(mean, prior)
        evidence = float(np.log(chance) + np.sum(told * np.log(np.maximum(mean, 1e-300)) - mean - gammaln(told + 1.0)))
        evidence -= 0.5 * float(effects @ prior @ effects)
        evidence += 0.5 * float(np.linalg.slogdet(prior)[1] - np.linalg.slogdet(precision)[1])
        # and how near the spreads are to what they were taken for (inverse gamma, by their logarithms)
        far = ((variance[each.name], each.prior**2) for each in own.blocks if each.learned)
        evidence -= 0.5 * PRIOR_WORTH * sum(float(np.log(found) + taken / found) for found, taken in far)
        used = float(effects.size - np.sum(prior * cho_solve(cho_factor(precision), np.eye(effects.size))))
        scatter = _scatter(told[:own_rows], mean[:own_rows], rows.at[0] * months + rows.at[4], regions * months, used)
        effects, precision = own.centred(effects, prior)
        upper = np.asarray(np.linalg.cholesky(precision).T, dtype=float)
        fits.append(Correction(
            regions, designs, own.blocks, settled(effects), settled(upper), variance, knots, least, middle, first, wide,
            paces, kept, lag, float(settled(scatter)), float(settled(evidence)), claims, whole,
        ))  # fmt: skip
    return replace(max(fits, key=lambda fit: fit.evidence), rivals=tuple(fits))


_SORT = np.array([FRESH] + [AGAIN] * (KINDS - 1))  # of each kind


@dataclass(frozen=True)
class _Rows:
    """Rows of the regression: place of each (region, design, kind, bin, month), units, expected, told, and the claims
    of its region, design and month whose age is not known, which the rows `hidden` are to take."""

    at: tuple[NDArray[np.int64], ...]
    expected: Array
    told: Array
    group: NDArray[np.int64]
    unplaced: Array
    hidden: NDArray[np.bool_]


def _rows(past: Array, known: Histories, expected: Array) -> _Rows:
    regions, designs, _, _, _, months = past.shape
    told = past[:, :, :, TOLD]
    unplaced, again_only = np.zeros((regions, designs, months)), np.zeros((regions, designs), dtype=bool)
    if known.claimed is not None:
        claimed, by_month = known.claimed.sum(axis=0), told.sum(axis=(2, 3))
        placed = by_month.sum(axis=2)
        told = told * np.minimum(ratio(claimed, placed), 1.0)[:, :, None, None, None]
        # of no known age: as many as there are more claims, in the months that have more of them
        more_claims = np.maximum(np.moveaxis(known.claimed, 0, 2) - by_month, 0.0)
        wanted = np.maximum(claimed - placed, 0.0)
        unplaced = more_claims * ratio(wanted, more_claims.sum(axis=2))[:, :, None]
        # each regrade that a unit's last one hides is followed by another: so many are repeats, in the time since the
        # last ones and in hidden times; at an even rate and q a unit those since the last are (1 - exp(-q)) / q of all
        again_only = wanted < placed
        hidden_each = np.where(again_only, ratio(wanted, placed), 0.0)
        unplaced *= np.where(hidden_each > 1e-9, ratio(-np.expm1(-hidden_each), hidden_each), 1.0)[:, :, None]
    at = np.nonzero(expected > 0.0)
    group = (at[0] * designs + at[1]) * months + at[4]
    hidden = (_SORT[at[2]] == AGAIN) | ~again_only[at[:2]]
    hidden |= group_sums(group, hidden * expected[at], unplaced.size)[group] <= 0.0
    return _Rows(at, expected[at], told[at], group, unplaced.ravel(), hidden)


def _by_sort(table: Array) -> Array:
    """(KINDS, ...) summed to (2, ...): before a first regrade, after one."""
    return np.stack([table[:1].sum(axis=0), table[1:].sum(axis=0)])


def _raised(units: Array, expected: Array, least: Array) -> Array:
    return np.asarray(np.where(units > 0.0, np.maximum(least - ratio(expected, units), 0.0), least))


def expected_of(past: Array, least: Array) -> Array:
    """What the physics expects of past units, (regions, designs, KINDS, bins, months), its hazard no less than that."""
    units, expected = past[:, :, :, UNITS], past[:, :, :, EXPECTED]
    return np.asarray(expected + units * _raised(units, expected, least[_SORT][..., None]))


def _apart(hazard: Array, middle: Array) -> Array:
    log = np.log(np.maximum(hazard, 1e-12)) - middle[_SORT][:, None]
    return np.asarray(np.where(hazard > 0.0, np.clip(log, -MOST_APART, MOST_APART), 0.0))


def least_hazard(past: Array, known: Histories) -> Array:
    """FLOOR of the claims a unit and month at risk, (kinds, bins), by age and kind; the mean of all ages where few
    units have been of an age (as one claim more would have it), and of all kinds likewise."""
    units, told = (_by_sort(past[:, :, :, place].sum(axis=(0, 1, 4))) for place in (UNITS, TOLD))
    total = told.sum() if known.claimed is None else known.claimed.sum()
    if not total > 0.0 or not units.sum() > 0.0:
        return np.zeros(units.shape)
    whole = total / units.sum()
    if not told.sum() > 0.0:
        return np.full(units.shape, FLOOR * whole)
    told = told * total / told.sum()
    kind = (told.sum(axis=1) + 1.0) / (units.sum(axis=1) + 1.0 / whole)
    return np.asarray(FLOOR * (told + 1.0) / (units + 1.0 / kind[:, None]))


@dataclass(frozen=True)
class _Model:
    """A regression's rows, its table (rows, effects) and blocks."""

    rows: _Rows
    table: Any
    blocks: tuple[Block, ...]
    groups: int

    @cached_property
    def halves(self) -> list[tuple[NDArray[np.int64], Any, NDArray[np.int64]]]:
        """The effects of a month and all others: their columns, the rows of these that are unlike each other (few: all
        months of an age and kind are alike in the others), and which of them each row of the table has."""
        monthly = np.zeros(self.table.shape[1], dtype=bool)
        for block in self.blocks:
            monthly[block.columns] = block.name.startswith(("pace", "season"))
        return [_unlike(self.table, np.flatnonzero(chosen)) for chosen in (~monthly, monthly)]

    def told(self, mean: Array) -> Array:
        """Claims by row, those of unknown age where the fit expects them."""
        rows = self.rows
        mean = mean * rows.hidden
        share = ratio(rows.unplaced, group_sums(rows.group, mean, self.groups))
        return np.asarray(rows.told + mean * share[rows.group])

    def prior(self, variance: dict[str, float]) -> Array:
        out = np.zeros((self.table.shape[1], self.table.shape[1]))
        for block in self.blocks:
            out[block.columns, block.columns] = block.shape / variance[block.name]
        return out

    def mean(self, effects: Array) -> Array:
        return np.asarray(self.rows.expected * np.exp(self.table @ effects))

    def precision(self, mean: Array, prior: Array) -> Array:
        from scipy.sparse import csr_matrix, diags

        (columns, rows, of), (others, their, of_their) = self.halves
        out, shape = prior.copy(), (rows.shape[0], their.shape[0])
        few = shape[0] * shape[1] <= MOST_DENSE
        both: Any = csr_matrix((mean, (of, of_their)), shape=shape)
        for at, each, which in self.halves:
            weight = group_sums(which, mean, each.shape[0])
            out[np.ix_(at, at)] += _filled(each.T @ (weight[:, None] * each.toarray() if few else diags(weight) @ each))
        across = _filled(their.T @ (rows.T @ (both.toarray() if few else both)).T).T
        out[np.ix_(columns, others)] += across
        out[np.ix_(others, columns)] += across.T
        return np.asarray(out)

    def with_lateness(self, late: Array, apart: Array, lag: Array) -> _Model:
        """The same with what the last months' lateness says of when regrades fell due: of a month's reports the share
        that is so late goes with the pace of the month they fell due in, against that of the others (to first order).
        late: (regions, months ago, lags) reports; apart: (months ago, lags, paces)."""
        from scipy.sparse import csr_matrix, vstack

        region, ago, step = np.nonzero((late.sum(axis=2, keepdims=True) > 0.0) & (lag > 0.0) & np.any(apart, axis=2))
        if not region.size:
            return self
        more = np.zeros((region.size, self.table.shape[1]))
        for block in self.blocks:
            if block.name in ("pace", "pace of region"):
                place = block.columns.start + (region if block.name != "pace" else 0 * region) * apart.shape[2]
                more[np.arange(region.size)[:, None], place[:, None] + np.arange(apart.shape[2])] = apart[ago, step]
        rows = replace(
            self.rows,
            expected=np.append(self.rows.expected, late.sum(axis=2)[region, ago] * lag[step]),
            told=np.append(self.rows.told, late[region, ago, step]),
            group=np.append(self.rows.group, np.zeros(region.size, dtype=np.int64)),
            hidden=np.append(self.rows.hidden, np.zeros(region.size, dtype=bool)),
        )
        return replace(self, rows=rows, table=csr_matrix(vstack([self.table, csr_matrix(more)])))

    def keeping(self, drifts: Array) -> _Model:
        """The same with this precision of the paces."""
        blocks = (
            replace(block, shape=np.asarray(np.kron(np.eye(block.size // len(drifts)), drifts), dtype=float))
            if "pace" in block.name
            else block
            for block in self.blocks
        )
        return replace(self, blocks=tuple(blocks))

    def fitted(self, start: tuple[Array, dict[str, float]] | None = None) -> tuple[Array, dict[str, float]]:
        """Effects, and the variance of each block: Newton steps, and between them each variance as its effects' squares
        have it, by as many of them as the claims tell."""
        effects, variance = start or (np.zeros(self.table.shape[1]), {each.name: each.prior**2 for each in self.blocks})
        variance, moved, rounds = dict(variance), 1.0, MORE_ROUNDS if start else ROUNDS
        for turn in range(rounds):
            mean, prior = self.mean(effects), self.prior(variance)
            factor = cho_factor(self.precision(mean, prior))
            move = cho_solve(factor, self.table.T @ (self.told(mean) - mean) - prior @ effects)
            far = float(np.abs(self.table @ move).max(initial=0.0))
            effects = effects + move * min(1.0, STEP_MOST / max(far, 1e-12))
            if turn >= rounds - 2 or moved < SLOW:
                if far < SLOW**2:
                    break
                continue
            if turn < 2 and start is None:
                continue
            before = dict(variance)
            spread = cho_solve(factor, np.eye(effects.size))
            for block in self.blocks:
                if block.learned:
                    own, at = effects[block.columns], block.columns
                    told = block.size - float(np.sum(block.shape * spread[at, at])) / variance[block.name]
                    square = float(own @ block.shape @ own) + PRIOR_WORTH * block.prior**2
                    variance[block.name] = square / (max(told, 0.0) + PRIOR_WORTH)
            moved = max(abs(float(np.log(variance[name] / was))) for name, was in before.items())
        return effects, variance

    def centred(self, effects: Array, prior: Array) -> tuple[Array, Array]:
        """Mean and precision of the normal law nearest to the posterior, from its mode on (Gaussian variational
        approximation for Poisson counts, as in Hall, Ormerod and Wand 2011, citation from memory). Rates about the mode
        would be half a claim too many for each effect that the claims tell: what is expected of the past is what came.
        """
        mean = self.mean(effects)
        for _ in range(CENTRE_ROUNDS):
            spread = cho_solve(cho_factor(self.precision(mean, prior)), np.eye(effects.size))
            more = np.exp(0.5 * self.variances(spread))
            mean = self.mean(effects) * more
            factor = cho_factor(self.precision(mean, prior))
            effects = effects + cho_solve(factor, self.table.T @ (self.told(mean) - mean) - prior @ effects)
            mean = self.mean(effects) * more
        return effects, self.precision(mean, prior)

    def variances(self, spread: Array) -> Array:
        """Of the log rate of each row, from the effects' covariance."""
        (columns, rows, of), (others, their, of_their) = self.halves
        total = np.zeros(self.table.shape[0])
        for at, each, which in self.halves:
            total += np.asarray(each.multiply(each @ spread[np.ix_(at, at)]).sum(axis=1)).ravel()[which]
        across, whole = rows @ spread[np.ix_(columns, others)], their[of_their]
        row = np.repeat(np.arange(total.size), np.diff(whole.indptr))
        return total + 2.0 * group_sums(row, across[of[row], whole.indices] * whole.data, total.size)


def _filled(table: Any) -> Array:
    return np.asarray(table.toarray() if hasattr(table, "toarray") else table)


def _unlike(table: Any, columns: NDArray[np.int64]) -> tuple[NDArray[np.int64], Any, NDArray[np.int64]]:
    """Columns of a table, their rows that are unlike each other, and which of them each row has."""
    own = table[:, columns]
    weights = np.random.default_rng(0).normal(size=(columns.size, 2))  # rows that are alike have the same sums
    _, first, of = np.unique((own @ weights).view(complex), return_index=True, return_inverse=True)
    return columns, own[first], of.ravel()


def _model(
    rows: _Rows,
    differs: Array,
    knots: tuple[Array, Array],
    oldest: int,
    month: NDArray[np.int64],
    felt: Array,
    size: tuple[int, int],
    spreads: tuple[float, float],
) -> _Model:
    """The regression's table, block by block. oldest: age ahead; felt: (months, paces) share of each; size: regions,
    designs; spreads: of the level before any claim, and of a region's pace."""
    from scipy.sparse import csr_matrix, hstack

    regions, designs = size
    months, paces = felt.shape
    region, design, kind, bin_, _ = rows.at
    sort, many = _SORT[kind], region.size
    starts = np.append(AGE_BINS, AGE_BINS[-1] + 240)
    of_bins = [
        np.stack([spline(np.arange(a, b), own).mean(axis=0) for a, b in pairwise(starts.tolist())]) for own in knots
    ]
    smooth, smooth_again = (alike(own, KEEP_LOG_AGE) for own in knots)
    ring = alike(np.arange(12.0), KEEP_MONTHS, 12.0)
    level, scale = LEVEL_SD * spreads[0] / 0.5, spreads[0] / 0.5
    nothing = np.zeros(many, dtype=np.int64)

    def one_of(index: NDArray[np.int64], count: int) -> Any:
        return csr_matrix((np.ones(many), (np.arange(many), index)), shape=(many, count))

    def by_spline(index: NDArray[np.int64], count: int, chosen: int) -> Any:
        of_bin = of_bins[chosen]
        row, base = np.nonzero(of_bin[bin_])
        kept = sort[row] == chosen
        row, base = row[kept], base[kept]
        place = index[row] * of_bin.shape[1] + base
        return csr_matrix((of_bin[bin_[row], base], (row, place)), shape=(many, count * of_bin.shape[1]))

    def many_times(count: int, shape: Array) -> Array:
        return np.asarray(np.kron(np.eye(count), shape))

    one = np.eye(1)
    parts: list[tuple[str, Any, Array, float, bool]] = [
        ("mean", one_of(nothing, 1), one, spreads[0], False),
        ("again", csr_matrix((sort == AGAIN).astype(float)[:, None]), one, AGAIN_SD * scale, False),
        ("trust", csr_matrix((differs[rows.at[:4]], (np.arange(many), sort)), shape=(many, 2)),
         np.diag(1.0 / np.square(TRUST_SD)), 1.0, False),
        ("age", by_spline(nothing, 1, FRESH), smooth, AGE_SD, True),
        ("age again", by_spline(nothing, 1, AGAIN), smooth_again, AGE_SD, True),
        ("season", one_of(month % 12, 12), ring, SEASON_SD, True),
    ]  # fmt: skip
    here = csr_matrix(felt[rows.at[4]])
    for name, index, count, sd in (("pace", nothing, 1, ALL_PACE_SD), ("pace of region", region, regions, spreads[1])):
        place = np.repeat(index * paces, np.diff(here.indptr)) + here.indices
        own = csr_matrix((here.data, place, here.indptr), shape=(many, count * paces))
        parts.append((name, own, many_times(count, np.eye(paces)), sd, True))
    if beyond := _beyond(knots[FRESH], oldest):
        walk = np.linalg.inv(np.minimum.outer(*[1.0 + np.arange(beyond)] * 2))
        parts.append((BEYOND, csr_matrix((many, beyond)), np.asarray(walk), BEYOND_SD, False))
    if regions > 1:
        parts += [
            ("region", one_of(region, regions), many_times(regions, one), level, True),
            ("age of region", by_spline(region, regions, FRESH), many_times(regions, smooth), AGE_OWN_SD, True),
            ("season of region", one_of(region * 12 + month % 12, regions * 12), many_times(regions, ring),
             SEASON_OWN_SD, True),
        ]  # fmt: skip
    if designs > 1:
        parts += [
            ("design", one_of(design, designs), many_times(designs, one), level, True),
            ("age of design", by_spline(design, designs, FRESH), many_times(designs, smooth), AGE_OWN_SD, True),
        ]
    if regions > 1 and designs > 1:
        both = regions * designs
        parts.append(("place", one_of(region * designs + design, both), many_times(both, one), level, True))
    ends = np.cumsum([matrix.shape[1] for _, matrix, _, _, _ in parts]).tolist()
    blocks = tuple(
        Block(name, slice(end - matrix.shape[1], end), shape, prior, learned)
        for (name, matrix, shape, prior, learned), end in zip(parts, ends, strict=True)
    )
    table = csr_matrix(hstack([matrix for _, matrix, _, _, _ in parts]))
    return _Model(rows, table, blocks, regions * designs * months)


def _scatter(came: Array, mean: Array, group: NDArray[np.int64], groups: int, effects: float) -> float:
    """Relative variance of a region's month beyond what chance and the effects give, by moments, drawn in to 0 where
    months are few."""
    total, expected = group_sums(group, came, groups), group_sums(group, mean, groups)
    there = expected > 0.0
    many = int(there.sum())
    if many < 12:
        return 0.0
    square = ((total - expected)[there] ** 2).sum()
    free = 1.0 + min(effects, many / 3.0) / many  # the effects have taken up some of the scatter
    more = (free * square - expected[there].sum()) / np.square(expected[there]).sum()
    return max(float(more), 0.0) * many / (many + 24.0)
