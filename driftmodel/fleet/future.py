"""From a corrected hazard to reports month by month: units at risk run down, and regraded ones start anew.

Every draw of the correction has its own hazard. Units not yet regraded stand in groups by month of sale, regraded ones
in groups by month of their last regrade, and those regraded within the forecast by that month: a renewal, so that no
hazard, however high, brings more first regrades than there are units.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import prod

import numpy as np

from driftmodel.base.arrays import group_sums, ratio
from driftmodel.base.schema import Array, Flags, Integers
from driftmodel.fleet.cell_demand import IN, OUT, Window
from driftmodel.fleet.correction import SORT, Correction, apart_of, expected_of, newer_sold
from driftmodel.fleet.exposure import (
    AGE_BINS,
    BIN_AGES,
    FRESH,
    KINDS,
    MOST_HAZARD,
    REGRADED_FROM,
    UNITS,
    bin_of,
    regraded_kind,
)
from driftmodel.fleet.run import FleetDemand

MOST_NEW_GROUPS, FEW_NEW_GROUPS = 60, 24  # months of regrades ahead told apart; as few groups where there are more
MIDDLE_AGE = np.append(0.5 * (REGRADED_FROM[:-1] + REGRADED_FROM[1:]), REGRADED_FROM[-1] + 24.0)  # of each kind


@dataclass(frozen=True)
class Groups:
    """Units at risk. units, first, cover: (regions, designs, groups, months) at risk at the start of each month by the
    physics, its reports, and those at risk that are in cover; start: (groups,) month they are counted from, the middle
    one; kind: (groups,) of hazard, see exposure; sold: (groups,) sold by the cut-off."""

    units: Array
    first: Array
    cover: Array
    start: Array
    kind: Integers
    sold: Flags

    def bins(self, cutoff: int) -> Integers:
        """Bin of age of each group in each month, (groups, months)."""
        now = cutoff + 1 + np.arange(self.units.shape[3])
        return bin_of(np.maximum(np.round(now[None, :] - self.start[:, None]), 0).astype(np.int64))

    def by_month(self, cutoff: int) -> tuple[Array, Array, Integers]:
        """Units and reports by month, kind and bin, (regions, designs, months, KINDS, bins) each, and where in the last
        three of these, as one, each group and month (groups, months) stands."""
        regions, designs, _, months = self.units.shape
        cells = (months, KINDS, AGE_BINS.size)
        place = (np.arange(months) * KINDS + self.kind[:, None]) * AGE_BINS.size + self.bins(cutoff)
        units, reports = (
            np.reshape(
                [group_sums(place.ravel(), each, prod(cells)) for each in values.reshape(regions * designs, -1)],
                (regions, designs, *cells),
            )
            for values in (self.units, self.first)
        )
        return units, reports, place

    def units_and_reports(self, cutoff: int) -> Array:
        """Both by kind and bin, (regions, designs, KINDS, 2, bins)."""
        return np.stack([each.sum(axis=2) for each in self.by_month(cutoff)[:2]], axis=3)

    def hazard(self, correction: Correction, cutoff: int) -> tuple[Array, Array]:
        """(regions, designs, groups, months): -log of the chance of no report by the physics, no less than the least,
        and how far the physics has it from the mean, each month's by itself: a season is one, and over the months ahead
        the physics runs its own units down, which are not those there are."""
        there, came, place = self.by_month(cutoff)
        more = correction.at_least(there, came)
        apart = correction.apart(ratio(came, there) + more)

        def of_groups(values: Array) -> Array:
            return np.asarray(values.reshape(*values.shape[:2], -1)[:, :, place])

        chance = np.minimum(ratio(self.first, self.units) + of_groups(more), MOST_HAZARD)
        return -np.log1p(-chance), of_groups(apart)


def reports(
    fresh: Groups,
    again: Groups,
    gaps: Array,
    correction: Correction,
    cutoff: int,
    effects: Array,
    monthly: Array,
    *,
    sold_only: bool = False,
) -> tuple[Array, Array]:
    """First and repeat reports (draws, months, regions, designs, 2), out of and in cover.

    gaps: (regions, designs, KINDS - 1, months + 1) between regrades, see exposure.gaps_ahead. effects: (draws, effects)
    of the correction; monthly: (draws, regions, designs, months) log factor of season, year and habit.
    """
    regions, designs, _, months = fresh.units.shape
    draws, kinds = effects.shape[0], KINDS - 1
    ages = int(cutoff + months + 1 - min(fresh.start[0], again.start.min()))
    by_age, by_gap = (np.ascontiguousarray(np.moveaxis(each, -1, 0)) for each in correction.by_age(effects, ages))
    early, trust = (part[:, None, None] for part in correction.trust(effects).T)
    newer, older = correction.newer(effects), int((~newer_sold(cutoff - fresh.start)).sum())  # groups rise by sale
    some = again.units[..., 0].any(axis=(0, 1))  # a group that is empty stays so
    h_fresh, z_fresh = (_by_month(each) for each in fresh.hazard(correction, cutoff))
    h_again, z_again = (_by_month(each)[:, some] for each in again.hazard(correction, cutoff))
    h_new, z_new = (_by_month(each) for each in gap_hazard(gaps, correction))
    wide = 1 if months <= MOST_NEW_GROUPS else -(-months // FEW_NEW_GROUPS)
    units, pool = _by_month(fresh.units), _by_month(again.units)[0, some]
    joining = np.diff(units, axis=0) + _by_month(fresh.first)[:-1]
    sold = (fresh.sold if sold_only else np.ones_like(fresh.sold))[:, None, None, None]
    joining, left = joining * sold, np.repeat(units[0] * sold, draws, axis=1)
    pool = np.repeat(pool, draws, axis=1)
    covered, covered_again = (_by_month(ratio(part.cover, part.units)) for part in (fresh, again))
    covered_again = covered_again[:, some]
    new = np.zeros((-(-months // wide), kinds, draws, regions, designs))
    done, done_again = np.zeros_like(left), np.zeros_like(pool)
    first, repeat = (np.empty((draws, months, regions, designs, 2)) for _ in range(2))
    when_regraded, started = (MIDDLE_AGE[again.kind - 1] - again.start)[some], again.start[some]
    for month in range(months):
        now, of_month = cutoff + 1 + month, monthly[..., month]
        age = _ages(now - fresh.start, ages)
        log = by_age[age] + early * z_fresh[month] + of_month
        log[older:] += newer
        told = left * _chance(log, h_fresh[month])
        inside, whole = (told * covered[month]).sum(axis=0), told.sum(axis=0)
        first[:, month, ..., IN], first[:, month, ..., OUT] = inside, whole - inside
        left -= told
        if month + 1 < months:
            left += joining[month]
            np.maximum(left, 0.0, out=left)
        done += told
        log = by_gap[_ages(now - started, ages)] + trust * z_again[month] + of_month
        back = pool * _chance(log, h_again[month])
        pool -= back
        done_again += back
        group = month // wide
        behind = np.minimum(_ages(month - (np.arange(group + 1) * wide + 0.5 * (wide - 1)), ages), months - 1)
        log = by_gap[behind][:, None] + trust * z_new[behind] + of_month
        leave = new[: group + 1] * _chance(log, h_new[behind])
        new[: group + 1] -= leave
        came = leave.sum(axis=0)
        of_fresh, of_again = regraded_kind(age), regraded_kind(np.round(now + when_regraded))
        later = came.sum(axis=0)
        for kind in range(kinds):
            came[kind] += told[of_fresh == kind].sum(axis=0) + back[of_again == kind].sum(axis=0)
        later += (came * _chance(by_gap[0] + trust * z_new[0] + of_month, h_new[0])).sum(axis=0)  # at once
        new[group] += came
        share = ratio(
            (done * covered[month]).sum(axis=0) + (done_again * covered_again[month]).sum(axis=0),
            done.sum(axis=0) + done_again.sum(axis=0),
        )
        inside = (back * covered_again[month]).sum(axis=0) + later * share
        repeat[:, month, ..., IN], repeat[:, month, ..., OUT] = inside, back.sum(axis=0) + later - inside
    return np.maximum(first, 0.0), np.maximum(repeat, 0.0)  # no less than nothing, to the last bit


def _by_month(table: Array) -> Array:
    """(regions, designs, groups, months) -> (months, groups, 1, regions, designs), for all draws."""
    return np.ascontiguousarray(np.transpose(table, (3, 2, 0, 1)))[:, :, None]


def _chance(log: Array, hazard: Array) -> Array:
    """1 - exp(-hazard x exp(log)), in the place of log."""
    np.exp(log, out=log)
    log *= -hazard
    np.expm1(log, out=log)
    return np.negative(log, out=log)


def gap_hazard(gaps: Array, correction: Correction) -> tuple[Array, Array]:
    """-log chance of no report (regions, designs, KINDS - 1, months), 0, 1, ... months after a regrade, and how far the
    physics has it from the mean."""
    bins = bin_of(np.arange(gaps.shape[-1] - 1))
    left = np.cumsum(gaps[..., ::-1], axis=-1)[..., ::-1]
    number = np.zeros((2, *gaps.shape[:2], KINDS, AGE_BINS.size))
    for at, values in enumerate((left[..., :-1], gaps[..., :-1])):
        np.add.at(np.moveaxis(number[at, :, :, 1:], -1, 0), bins, np.moveaxis(values, -1, 0))
    more = correction.at_least(number[0], number[1])
    hazard = ratio(number[1], number[0]) + more
    chance = np.minimum(ratio(gaps, left)[..., :-1] + more[:, :, 1:, bins], MOST_HAZARD)
    return -np.log1p(-chance), correction.apart(hazard)[:, :, 1:, bins]


def _ages(age: Array, ages: int) -> Integers:
    return np.asarray(np.clip(np.round(age), 0, ages - 1).astype(np.int64))


def one_future(
    correction: Correction, calendar: Integers, widening: float, random: np.random.Generator
) -> tuple[Correction, Array, Array]:
    """One of the correction's rivals, a draw of its effects, and their log factor by month, see `of_the_months`."""
    rival = correction.one(random)
    drawn = rival.draw(random.standard_normal(correction.mean.size))
    return rival, drawn, of_the_months(rival, drawn, calendar, widening, random)


def of_the_months(
    correction: Correction, effects: Array, calendar: Integers, widening: float, random: np.random.Generator
) -> Array:
    """Log factor of one draw of the effects by its years, wider by `widening`, by season and by chance of a month,
    (regions, 1, months)."""
    regions, months = correction.regions, calendar.size
    year = correction.pace(effects, calendar, random)[:, None, :]
    wider = widening * random.standard_normal((regions, 1, -(-months // 12)))
    year = year + np.repeat(wider, 12, axis=2)[..., :months]
    season = correction.season(effects)[:, calendar % 12][:, None, :]
    return np.asarray(year + season + np.log(gamma_noise(correction.scatter, year.shape, random)))


def gamma_noise(variance: float, shape: tuple[int, ...], random: np.random.Generator) -> Array:
    """Factors of mean 1 and this variance."""
    if variance < 1e-6:
        return np.ones(shape)
    return np.asarray(random.standard_gamma(1.0 / variance, shape) * variance)


def past_reports(correction: Correction, behind: Array, effects: Array) -> Array:
    """What the corrected hazard makes of the past, season and pace left out, (draws, regions, designs, months)."""
    regions, designs, _, _, _, months = behind.shape
    own = expected_of(behind, correction.least)
    at = np.nonzero(own > 0.0)
    region, design, kind, bin_, month = at
    sort, own, units = SORT[kind], own[at], behind[:, :, :, UNITS][at]
    apart = apart_of(ratio(own, units), correction.middle[sort])
    newer = (kind == FRESH) & newer_sold(months - 1 - month + BIN_AGES[bin_])
    group = (region * designs + design) * months + month
    by_age, by_gap = (each[..., BIN_AGES] for each in correction.by_age(effects, int(BIN_AGES[-1]) + 1))
    both, trust, late = np.stack([by_age, by_gap], axis=1), correction.trust(effects), correction.newer(effects)
    found = [
        group_sums(
            group,
            own
            * np.exp(
                both[draw, sort, region, design, bin_] + trust[draw, sort] * apart + newer * late[draw, 0, design]
            ),
            regions * designs * months,
        )
        for draw in range(len(effects))
    ]
    return np.reshape(found, (-1, regions, designs, months))


def parts_of(expected: FleetDemand, window: Window) -> tuple[Groups, Groups]:
    """Units never regraded by the cut-off and units regraded by then, in groups."""
    return (
        _in_groups(expected.sold, window.sales, window.cutoff, np.zeros(1, dtype=np.int64)),
        _in_groups(expected.back, window.regrades, window.cutoff, np.arange(1, KINDS)),
    )


def _in_groups(table: Array, first_months: tuple[int, ...], cutoff: int, kinds: Integers) -> Groups:
    """Groups of units, of a table (regions, designs, 3, kinds x groups, months) with the groups' first months."""
    starts = np.array(first_months)
    last = np.append(starts[1:], max(cutoff, int(starts[-1])) + 1) - 1
    last = np.where((starts <= cutoff) & (last > cutoff), cutoff, last)
    middle, sold = np.tile(0.5 * (starts + last), kinds.size), np.tile(starts <= cutoff, kinds.size)
    return Groups(table[:, :, 0], table[:, :, 1], table[:, :, 2], middle, np.repeat(kinds, starts.size), sold)
