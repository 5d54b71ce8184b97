"""How late owners report, from what is stated and from claims, and what another habit makes of the same crossings."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from driftmodel.base.arrays import ratio
from driftmodel.base.schema import Array
from driftmodel.fleet.delay import ReportingLag, WaitingShare, lag_from_claims, stated_lag, waiting_from_claims
from driftmodel.fleet.roster import REGRADE, Claims
from driftmodel.fleet.run import FleetDemand
from driftmodel.fleet.tables import NONE

if TYPE_CHECKING:
    from driftmodel.fleet.fleet_file import HabitsFile

LEAST_REPORTS = 30  # below this many claims the stated habit of reporting stands; own choice, no source
LAG_MONTHS = 24  # how far back the lag is read from claims; own choice, no source


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


def reporting_lag(claims: Claims, cutoff: int, habits: HabitsFile, waits: WaitingShare | None = None) -> ReportingLag:
    """Share reported 0, 1, ... months after the event: from regrade claims when there are enough, else as stated.

    Where owners wait for the end of their cover, only claims that its end cannot have moved say what the ordinary lag
    is, and none is taken as longer than the stated shares reach."""
    stated = habits.report_lag_shares
    chosen, lags = claims.disposition == REGRADE, None
    if waits is not None and waits.mean > 0.0:
        lags, rush = len(stated), claims.cover_end - habits.end_of_cover_months
        apart = (claims.event + lags <= rush) & (claims.report < rush) | (claims.event >= claims.cover_end)
        chosen &= (apart | (claims.cover_end == NONE)) & (claims.report - claims.event < lags)
    if chosen.sum() < LEAST_REPORTS:
        return stated_lag(stated, habits.report_lag_worth)
    return lag_from_claims(claims.event[chosen], claims.report[chosen], cutoff, max(len(stated), LAG_MONTHS), lags)


@dataclass(frozen=True)
class Monthly:
    """Expected numbers under one lag of reports: first, repeat, at_risk, regraded (regions, designs, months); pending,
    history (regions, designs), as in run.FleetDemand."""

    first: Array
    repeat: Array
    at_risk: Array
    regraded: Array
    pending: Array
    history: Array


def monthly(expected: FleetDemand) -> Monthly:
    """The expected numbers under the lag they were made with."""
    first, repeat = expected.first.sum(axis=(-1, -2)), expected.repeat.sum(axis=(-1, -2))
    return Monthly(first, repeat, expected.at_risk, expected.regraded, expected.pending, expected.history)


def with_habits(plain: Monthly, expected: FleetDemand, change: Array, more_wait: float = 0.0) -> Monthly:
    """The same under shares of reporting that differ by `change` (lags,) from those the cells were run with, and a
    share of owners who wait for the end of their cover that differs by `more_wait`, along its slope.

    Crossings do not depend on the lag, so a change of it moves reports of their months. A unit without a report is the
    likelier to be past its threshold the longer the lag, which also weighs all units anew: exact for units of one kind,
    and for several as if each had their mean share of pending ones. Shares over grades and cover are left as they are.
    """
    if more_wait:
        plain = _moved(plain, expected, more_wait)
    if not change.any():
        return plain
    windows = np.lib.stride_tricks.sliding_window_view(expected.crossed, change.size, axis=-1)
    moved = windows @ change[::-1]
    later = -np.cumsum(change)[-2::-1]  # more of those that crossed so many months ago are not yet reported
    before, start = later.size, plain.at_risk[..., 0]
    more = ratio(expected.crossed[:, :, 0, :before] @ later, start)
    weight = 1.0 / np.maximum(1.0 + more, 1e-9)
    first = np.maximum(plain.first + moved[:, :, 0], 0.0) * weight[..., None]
    repeat = np.maximum(plain.repeat + moved[:, :, 1], 0.0)
    gone = np.cumsum(plain.first - first, axis=-1)[..., :-1]
    at_risk = np.concatenate([start[..., None], np.maximum(plain.at_risk[..., 1:] + gone, 0.0)], axis=-1)
    pending = np.maximum(plain.pending + expected.past[:, :, 0] @ later, 0.0) * weight
    history = np.maximum(plain.history - expected.past[:, :, 1] @ later, 0.0)
    return Monthly(first, repeat, at_risk, plain.regraded, pending, history)


def _moved(plain: Monthly, expected: FleetDemand, more_wait: float) -> Monthly:
    """Along the slope by the share of owners who wait."""
    now = {
        name: np.maximum(getattr(plain, name) + more_wait * expected.slope[:, :, at], 0.0)
        for at, name in enumerate(("first", "repeat", "at_risk"))
    }
    once = {
        name: np.maximum(getattr(plain, name) + more_wait * expected.slope_once[:, :, at], 0.0)
        for at, name in enumerate(("pending", "history"))
    }
    return replace(plain, **now, **once)
