"""The fit of a correction to a fleet's claims: what its regression is made of, and its rivals."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import cho_factor, cho_solve
from scipy.special import gammaln

from driftmodel.base import library
from driftmodel.base.arrays import group_sums, ratio, settled
from driftmodel.base.schema import Array
from driftmodel.fleet.cohorts import Histories
from driftmodel.fleet.correction import (
    BEYOND,
    KNOT_STEP,
    NEWER,
    PRIOR_WORTH,
    SORT,
    TRUST,
    Block,
    Correction,
    apart_of,
    expected_of,
    newer_sold,
    paces_of,
    spline,
)
from driftmodel.fleet.delay import fell_due
from driftmodel.fleet.exposure import AGAIN, AGE_BINS, BIN_AGES, EXPECTED, FRESH, TOLD, UNITS
from driftmodel.fleet.regression import Model, Rows, scatter_of

#: the physics' hazard is taken for no less than this share of the claims' own at that age, all regions and designs
#: together, so that claims can raise it where it expects nothing; own choice, no source
FLOOR = 0.1
EDGE = 0.003  # share of claims that must lie beyond the last knot, past which it goes on less and less far; own choice
KEEP_LOG_AGE = 2.0  # over which the correction by age falls back to the physics' level, by 1/e
KEEP_MONTHS = 2.0  # over which a season's correction is alike, by 1/e
#: prior of each spread: its size before any claim, held as firmly as PRIOR_WORTH effects; own choices, no source
LEVEL_SD, AGE_SD, AGE_OWN_SD, SEASON_SD, SEASON_OWN_SD, ALL_PACE_SD = 0.3, 0.3, 0.1, 0.1, 0.05, 0.03
AGAIN_SD = 0.7  # of repeats' level against first regrades'
LEAST_PACE_SD = 0.06  # of a region's pace, where the physics' own weather is less
PACE_MONTHS, MOST_PACES = 3, 400  # of one pace; longer where regions and years would have more of them
BEYOND_SD = 0.3  # a knot's step past the last one; own choice, no source
KEPT_MONTHS = (1.5, 4.0, 100.0)  # over which a pace is alike, by 1/e: one of these; own choice, no source
#: of the exponent by which the physics' differences in hazard count, before a first regrade and after one; own choice
TRUST_SD = (0.2, 0.5)


def knots_of(told: Array) -> Array:
    """Even knots over log age from 0 on, as far as EDGE of the regrades told (bins,) lie beyond the last."""
    beyond = 1.0 - ratio(np.cumsum(told), max(told.sum(), 1e-12))
    last = int(AGE_BINS[int((beyond >= EDGE).sum())]) if told.sum() > 0.0 else 12
    return KNOT_STEP * np.arange(max(int(np.log1p(last) / KNOT_STEP), 2) + 1, dtype=float)


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
    rows = _rows(past, known, expected_of(past, least))
    differs = apart_of(ratio(rows.expected, past[:, :, :, UNITS][rows.at]), middle[SORT[rows.at[2]]])
    came = _by_sort((past[:, :, :, TOLD] + past[:, :, :, EXPECTED]).sum(axis=(0, 1, 4)))
    knots = knots_of(came[FRESH]), knots_of(came[AGAIN])
    wide = PACE_MONTHS * -(-(regions + 1) * months // (PACE_MONTHS * MOST_PACES))
    paces = -(-months // wide)
    first = cutoff + 1 - wide * paces
    felt = paces_of(known.since + np.arange(months), first, wide, paces, lag)
    spreads = (log_sd, max(weather_sd, LEAST_PACE_SD))
    model = _model(rows, differs, knots, oldest, known.since + rows.at[4], cutoff, felt, (regions, designs), spreads)
    due = [paces_of(cutoff - np.arange(late.shape[1]) - back, first, wide, paces, (1.0,)) for back in range(len(lag))]
    usual = paces_of(cutoff - np.arange(late.shape[1]), first, wide, paces, lag)
    kept_for = {kept: alike(wide * np.arange(float(paces)), kept) for kept in KEPT_MONTHS}
    start = model.reading(kept_for[KEPT_MONTHS[0]], False).fitted()
    split = late_shares(model.steady(start[0], (regions, months)), late.shape[1], np.array(lag))
    model = model.with_lateness(late, np.stack(due, axis=1) - usual[:, None], split)
    whole, own_rows = np.zeros((regions, designs)), rows.told.size
    np.add.at(whole, rows.at[:2], rows.expected)
    fits: list[Correction] = []
    lasts, changes = (library.general(name).value for name in ("pace_lasts_chance", "newer_sold_changed_chance"))
    chances = dict(zip(KEPT_MONTHS, ((1.0 - lasts) / 2.0, (1.0 - lasts) / 2.0, lasts), strict=True))

    def ways() -> Iterator[tuple[float, bool]]:
        yield from ((kept, False) for kept in KEPT_MONTHS)
        yield max(fits, key=lambda fit: fit.evidence).kept, True  # the likeliest, newer units unlike the older ones

    for kept, changed in ways():
        chance = chances[kept] * (changes if changed else 1.0 - changes)
        own = model.reading(kept_for[kept], changed)
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
        scatter = scatter_of(told[:own_rows], mean[:own_rows], rows.at[0] * months + rows.at[4], regions * months, used)
        effects, precision = own.centred(effects, prior)
        upper = np.asarray(np.linalg.cholesky(precision).T, dtype=float)
        fits.append(Correction(
            regions, designs, own.blocks, settled(effects), settled(upper), variance, knots, least, middle, first, wide,
            paces, kept, changed, lag, float(settled(scatter)), float(settled(evidence)), claims, whole,
        ))  # fmt: skip
    return replace(max(fits, key=lambda fit: fit.evidence), rivals=tuple(fits))


def late_shares(reports: Array, ago: int, lag: Array) -> Array:
    """Share of each lag in the reports of 0, 1, ... `ago` months ago, (regions, ago, lags), where those of all months
    are these (regions, months): more of them are late where more fell due before. They go on as the year before did."""
    months, late = reports.shape[1], lag.size
    if months > 12 + late:
        again = reports[:, months - 12 : months - 12 + late]
        reports = np.concatenate([reports, again * ratio(reports[:, -1], reports[:, -13])[:, None]], axis=1)
    due = fell_due(reports, lag)
    back = months - 1 - np.arange(ago)[:, None] - np.arange(late)
    share = lag * np.where(back >= 0, due[:, np.maximum(back, 0)], 0.0)
    return np.where(share.sum(axis=2, keepdims=True) > 0.0, ratio(share, share.sum(axis=2, keepdims=True)), lag)


def _rows(past: Array, known: Histories, expected: Array) -> Rows:
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
    hidden = (SORT[at[2]] == AGAIN) | ~again_only[at[:2]]
    hidden |= group_sums(group, hidden * expected[at], unplaced.size)[group] <= 0.0
    return Rows(at, expected[at], told[at], group, unplaced.ravel(), hidden)


def _by_sort(table: Array) -> Array:
    """(KINDS, ...) summed to (2, ...): before a first regrade, after one."""
    return np.stack([table[:1].sum(axis=0), table[1:].sum(axis=0)])


def least_hazard(past: Array, known: Histories) -> Array:
    """FLOOR of the claims a unit and month at risk, (KINDS, bins), by age and kind; the mean of all ages where few
    units have been of an age (as one claim more would have it), and so of all kinds after a regrade, and of all."""
    units, told = (past[:, :, :, place].sum(axis=(0, 1, 4)) for place in (UNITS, TOLD))
    total = told.sum() if known.claimed is None else known.claimed.sum()
    if not total > 0.0 or not units.sum() > 0.0:
        return np.zeros(units.shape)
    rate = np.full(len(units), total / units.sum())
    if not told.sum() > 0.0:
        return np.asarray(FLOOR * np.repeat(rate[:, None], units.shape[1], axis=1))
    told = told * total / told.sum()
    for came, there in ((_by_sort(told)[SORT], _by_sort(units)[SORT]), (told, units)):
        rate = (came.sum(axis=1) + 1.0) / (there.sum(axis=1) + 1.0 / rate)
    return np.asarray(FLOOR * (told + 1.0) / (units + 1.0 / rate[:, None]))


def _model(
    rows: Rows,
    differs: Array,
    knots: tuple[Array, Array],
    oldest: int,
    month: NDArray[np.int64],
    cutoff: int,
    felt: Array,
    size: tuple[int, int],
    spreads: tuple[float, float],
) -> Model:
    """The regression's table, block by block. differs: (rows,) how far the physics' hazard is from its mean, in logs;
    oldest: age ahead; month, cutoff: month numbers; felt: (months, paces)
    share of each; size: regions, designs; spreads: of the level before any claim, and of a region's pace."""
    from scipy.sparse import csr_matrix, diags, hstack

    regions, designs = size
    months, paces = felt.shape
    region, design, kind, bin_, _ = rows.at
    sort, many = SORT[kind], region.size
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
        (TRUST, csr_matrix((differs, (np.arange(many), sort)), shape=(many, 2)), np.diag(1.0 / np.square(TRUST_SD)),
         1.0, False),
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
    newer = diags(((kind == FRESH) & newer_sold(cutoff - month + BIN_AGES[bin_])).astype(float))
    parts.append((NEWER, csr_matrix(newer @ one_of(design, designs)), np.eye(designs), 1.0, False))
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
    return Model(rows, table, blocks, regions * designs * months)
