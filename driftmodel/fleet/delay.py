"""How late owners report, as stated and as claims have it: the lag in months, and owners who wait for the end of their
cover; and what another habit makes of the same crossings."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import betaln

from driftmodel.base.arrays import ratio
from driftmodel.base.schema import Array
from driftmodel.fleet.roster import REGRADE, Claims
from driftmodel.fleet.tables import NONE

if TYPE_CHECKING:
    from driftmodel.fleet.fleet_file import HabitsFile
    from driftmodel.fleet.run import FleetDemand

KEEPS = (1.0, 0.9, 0.75, 0.5)  # how much a month's reports still say of the lag a month later: one of these
STEADY = 2.0  # in logs, by how much a change must foretell better than none; own choices, no source
LEAST_REPORTS = 30  # below this many claims the stated habit of reporting stands; own choice, no source
LAG_MONTHS = 24  # how far back the lag is read from claims; own choice, no source


def reverse_counts(
    event_month: ArrayLike, report_month: ArrayLike, cutoff_month: int, periods: int, lags: int | None = None
) -> tuple[Array, Array]:
    """Reports at each lag and at any smaller one, (periods, lags) each, of those events of the last `periods` months
    whose lag could be seen that far, by how many months before the cut-off that was: the counts of the reverse-time
    hazards (Kalbfleisch and Lawless 1989). None are smaller than lag 0. lags: `periods` unless fewer are asked for;
    reports later than that are left out."""
    event, report = np.asarray(event_month, dtype=int), np.asarray(report_month, dtype=int)
    chosen = (event > cutoff_month - periods) & (report >= event) & (report <= cutoff_month)
    since, lag = cutoff_month - event[chosen], (report - event)[chosen]
    here, sooner = np.zeros((2, periods, periods if lags is None else lags))
    for step in range(here.shape[1]):
        for table, own in ((here, lag == step), (sooner, lag < step)):
            table[:, step] = np.bincount(since[own & (since >= step)] - step, minlength=periods)
    return here, sooner


def shares_of(hazards: ArrayLike) -> Array:
    """Shares (..., lags) from reverse-time hazards (..., lags): at this lag, given at it or sooner; lag 0 has 1."""
    hazard = np.array(hazards, dtype=float)
    hazard[..., 0] = 1.0
    sooner = np.cumprod((1.0 - hazard)[..., ::-1], axis=-1)[..., ::-1]  # and not at a longer lag, this one included
    return np.asarray(hazard * np.concatenate([sooner[..., 1:], np.ones((*hazard.shape[:-1], 1))], axis=-1))


@dataclass(frozen=True)
class ReportingLag:
    """What is known of the lag of reports. shares (lags,): the estimate; here, sooner (lags,): reports at each lag and
    at smaller ones that speak for it; keep: how much a report of one month earlier says, for habits change."""

    shares: Array
    here: Array
    sooner: Array
    keep: float = 1.0

    def draw(self, random: np.random.Generator) -> Array:
        """Shares (lags,) that the same reports could as well have come from.

        Each reverse-time hazard is beta about its counts: without truncation this is the Dirichlet law of the Bayesian
        bootstrap (Rubin 1981). A lag that no report speaks for stays at 0."""
        open_ones = (self.here > 0.0) & (self.sooner > 0.0)
        hazard = (self.here > 0.0).astype(float)
        hazard[open_ones] = random.beta(self.here[open_ones], self.sooner[open_ones])
        return shares_of(hazard)


def fell_due(told: Array, lag: Array) -> Array:
    """Regrades that fell due month by month, (..., months), of those told in each: they are told as late as the lag is
    on average, and a season's height and depth less sharply, by half the lag's variance times how fast it bends. What
    the last months' are told by lies past the end: there it goes on as it is."""
    late = np.arange(lag.size)
    mean = float(lag @ late)
    bends = np.diff(told, n=2, axis=-1, prepend=told[..., :1], append=told[..., -1:])
    sharp = np.maximum(told - 0.5 * (lag @ late**2 - mean**2) * bends, 0.0)
    at = np.minimum(np.arange(told.shape[-1]) + mean, told.shape[-1] - 1.0)
    low = np.maximum(np.minimum(at.astype(np.int64), told.shape[-1] - 2), 0)
    high = np.minimum(low + 1, told.shape[-1] - 1)
    return np.asarray(sharp[..., low] + (at - low) * (sharp[..., high] - sharp[..., low]))


def lag_from_claims(
    event: ArrayLike, report: ArrayLike, cutoff: int, periods: int, lags: int | None = None
) -> ReportingLag:
    """The lag as claims have it, up to the longest one seen within `periods` months (or shorter than `lags`): as it is
    at the cut-off, where a change within them (a backlog, another way to report) is foretold better by the last ones.
    """
    here, sooner = reverse_counts(event, report, cutoff, periods, lags)
    seen = int(np.flatnonzero(here.sum(axis=0) > 0.0).max(initial=0)) + 1
    here, sooner = here[::-1, :seen], sooner[::-1, :seen]
    said = [_foretold(here, sooner, keep) + (STEADY if keep == 1.0 else 0.0) for keep in KEEPS]
    keep = KEEPS[int(np.argmax(said))]
    weight = keep ** np.arange(periods - 1.0, -1.0, -1.0)
    here, sooner = weight @ here, weight @ sooner
    return ReportingLag(shares_of(ratio(here, here + sooner)), here, sooner, keep)


def _foretold(here: Array, sooner: Array, keep: float) -> float:
    """How well reverse-time hazards foretell each month's reports (months, lags) from those before, in logs: each has
    a beta law of counts worth `keep` of what they were a month ago (power steady model: Smith 1979, from memory)."""
    total, counts = 0.0, np.full((2, here.shape[1]), 0.5)
    for month in zip(here, sooner, strict=True):
        total += float(np.sum((betaln(*(counts + month)) - betaln(*counts))[1:]))
        counts = 0.5 + keep * (counts + month - 0.5)
    return total


@dataclass(frozen=True)
class WaitingShare:
    """Share of owners who wait with a report until their cover ends: beta law of `waited` against `told`, which hold
    the stated share as well; sure to be 0 where nobody waits."""

    waited: float
    told: float

    @property
    def mean(self) -> float:
        return self.waited / (self.waited + self.told)

    def draw(self, random: np.random.Generator) -> float:
        if not self.waited or not self.told:
            return self.mean
        return float(random.beta(self.waited, self.told))


def waiting_from_claims(
    event: ArrayLike, report: ArrayLike, cover_end: ArrayLike, cutoff: int, last_months: int, ordinary_lags: int
) -> tuple[int, int]:
    """(waited, told): of claims whose ordinary report would have come before the last months of cover, how many came in
    those months all the same, and how many came before.

    Only cover that was over by the cut-off counts, so that both kinds had the same time to come."""
    due, came, end = (np.asarray(each, dtype=int) for each in (event, report, cover_end))
    rush = end - last_months
    judged = (end - 1 <= cutoff) & (due + ordinary_lags <= rush)
    return int((judged & (came >= rush) & (came < end)).sum()), int((judged & (came < rush)).sum())


def stated_lag(shares: ArrayLike, worth: float) -> ReportingLag:
    """The lag as stated, held as firmly as `worth` reports would make it: a Dirichlet law of that many counts."""
    stated = np.asarray(shares, dtype=float)
    by = np.cumsum(stated)
    return ReportingLag(stated, worth * stated, worth * np.maximum(by - stated, 0.0))


def delayed(monthly: ArrayLike, shares: ArrayLike) -> Array:
    """Numbers by report month from numbers by event month along the last axis, same length; later ones fall off."""
    events, lag = np.asarray(monthly, dtype=float), np.asarray(shares, dtype=float)
    out = np.zeros_like(events)
    months = events.shape[-1]
    for step, share in enumerate(lag[:months]):
        if share:
            out[..., step:] += share * events[..., : months - step]
    return out


def waiting_share(claims: Claims, cutoff: int, since: int, habits: HabitsFile) -> WaitingShare:
    """Share of owners who wait until their cover ends: as stated, and as regrade claims have it whose unit is named."""
    chosen = (claims.disposition == REGRADE) & (claims.cover_end != NONE) & (claims.event >= since)
    waited, told = waiting_from_claims(
        claims.event[chosen],
        claims.report[chosen],
        claims.cover_end[chosen],
        cutoff,
        habits.end_of_cover_months,
        len(habits.report_lag_shares),
    )
    stated, worth = habits.end_of_cover_share, habits.end_of_cover_worth
    return WaitingShare(worth * stated + waited, worth * (1.0 - stated) + told)


def reporting_lag(claims: Claims, cutoff: int, habits: HabitsFile, waits: WaitingShare) -> ReportingLag:
    """Share reported 0, 1, ... months after the event: from regrade claims when there are enough, else as stated.

    Where owners wait for the end of their cover, only claims that its end cannot have moved say what the ordinary lag
    is, and none is taken as longer than the stated shares reach."""
    stated = habits.report_lag_shares
    chosen, lags = claims.disposition == REGRADE, None
    if waits.mean > 0.0:
        lags, rush = len(stated), claims.cover_end - habits.end_of_cover_months
        apart = (claims.event + lags <= rush) & (claims.report < rush) | (claims.event >= claims.cover_end)
        chosen &= (apart | (claims.cover_end == NONE)) & (claims.report - claims.event < lags)
    if chosen.sum() < LEAST_REPORTS:
        return stated_lag(stated, habits.report_lag_worth)
    return lag_from_claims(claims.event[chosen], claims.report[chosen], cutoff, max(len(stated), LAG_MONTHS), lags)


@dataclass(frozen=True)
class Monthly:
    """What a habit of reporting moves, as in run.FleetDemand: first (regions, designs, months), of all grades, in cover
    and out of it; pending, history, and at_risk of the first month (regions, designs)."""

    first: Array
    pending: Array
    history: Array
    at_risk: Array


def monthly(expected: FleetDemand) -> Monthly:
    """The expected numbers under the habit they were made with."""
    first = expected.first.sum(axis=(-1, -2))
    return Monthly(first, expected.pending, expected.history, expected.at_risk[..., 0])


def with_habits(plain: Monthly, expected: FleetDemand, change: Array, more_wait: float = 0.0) -> Monthly:
    """The same under shares of reporting that differ by `change` (lags,) from those the cells were run with, and a
    share of owners who wait for the end of their cover that differs by `more_wait`, along its slope.

    Crossings do not depend on the lag, so a change of it moves reports of their months. A unit without a report is the
    likelier to be past its threshold the longer the lag, which also weighs all units anew: exact for units of one kind,
    and for several as if each had their mean share of pending ones. Shares over grades and cover are left as they are.
    """
    if more_wait:
        moved = (more_wait * expected.slope, *np.moveaxis(more_wait * expected.slope_once, -1, 0))
        now = (plain.first, plain.pending, plain.history, plain.at_risk)
        plain = Monthly(*(np.maximum(one + by, 0.0) for one, by in zip(now, moved, strict=True)))
    if not change.any():
        return plain
    windows = np.lib.stride_tricks.sliding_window_view(expected.crossed, change.size, axis=-1)
    later = -np.cumsum(change)[-2::-1]  # more of those that crossed so many months ago are not yet reported
    more = ratio(expected.crossed[..., : later.size] @ later, plain.at_risk)
    weight = 1.0 / np.maximum(1.0 + more, 1e-9)
    first = np.maximum(plain.first + windows @ change[::-1], 0.0) * weight[..., None]
    pending = np.maximum(plain.pending + expected.past[:, :, 0] @ later, 0.0) * weight
    history = np.maximum(plain.history - expected.past[:, :, 1] @ later, 0.0)
    return Monthly(first, pending, history, plain.at_risk)
