"""From event to report: the development of a triangle (chain ladder) and the lag of reports in months."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Development:
    """A developed triangle. factors (periods - 1,): growth from one lag to the next. reported_share (periods,): of the
    ultimate, known at each lag. ultimate (periods,): per row. not_yet_reported: ultimate less latest, summed."""

    factors: Array
    reported_share: Array
    ultimate: Array
    not_yet_reported: float


def chain_ladder(cumulative: ArrayLike) -> Development:
    """Chain ladder with volume-weighted factors (Mack 1993, eq. 2): cumulative (origins, lags), NaN below the diagonal.

    Raises ValueError for a triangle that is not square, or a column of zeros from which nothing can grow.
    """
    table = np.asarray(cumulative, dtype=float)
    periods = table.shape[0]
    if table.ndim != 2 or table.shape != (periods, periods):
        raise ValueError("a square triangle of cumulative numbers is needed, origin by lag")
    factors = np.ones(periods - 1)
    for lag in range(periods - 1):
        rows = slice(0, periods - 1 - lag)
        known = table[rows, lag].sum()
        if not known > 0.0:
            raise ValueError(f"nothing is reported by lag {lag}, so no growth from there can be read")
        factors[lag] = table[rows, lag + 1].sum() / known
    share = np.append(1.0 / np.cumprod(factors[::-1])[::-1], 1.0)
    latest = np.array([table[row, periods - 1 - row] for row in range(periods)])
    ultimate = latest / share[::-1]
    return Development(factors, share, ultimate, float((ultimate - latest).sum()))


def lag_triangle(event_month: ArrayLike, report_month: ArrayLike, cutoff_month: int, periods: int) -> Array:
    """Cumulative triangle of counts (periods, periods) over the last `periods` months: event month by lag in months.

    NaN for what lies after the cut-off month. Pairs outside the window are left out of the triangle.
    """
    event, report = np.asarray(event_month, dtype=int), np.asarray(report_month, dtype=int)
    first = cutoff_month - periods + 1
    table = np.zeros((periods, periods))
    inside = (event >= first) & (report <= cutoff_month) & (report >= event)
    np.add.at(table, (event[inside] - first, report[inside] - event[inside]), 1.0)
    table = np.cumsum(table, axis=1)
    beyond = np.arange(periods)[:, None] + np.arange(periods)[None, :] > periods - 1
    table[beyond] = np.nan
    return table


def lag_shares(event_month: ArrayLike, report_month: ArrayLike, cutoff_month: int, periods: int) -> Array:
    """Share of reports that come 0, 1, ... months after the event (periods,), right truncation taken out.

    Reverse-time hazards of the triangle, which is the chain ladder read from its end (Kalbfleisch and Lawless 1989).
    Lags longer than `periods` - 1 cannot be seen and have share 0.
    """
    table = lag_triangle(event_month, report_month, cutoff_month, periods)
    remaining = 1.0
    shares = np.zeros(periods)
    for lag in range(periods - 1, 0, -1):
        rows = slice(0, periods - lag)
        by = table[rows, lag].sum()
        here = by - table[rows, lag - 1].sum()
        hazard = here / by if by > 0.0 else 0.0
        shares[lag] = remaining * hazard
        remaining -= shares[lag]
    shares[0] = remaining
    return shares


def delayed(monthly: ArrayLike, shares: ArrayLike) -> Array:
    """Numbers by report month from numbers by event month along the last axis, same length; later ones fall off."""
    events, lag = np.asarray(monthly, dtype=float), np.asarray(shares, dtype=float)
    out = np.zeros_like(events)
    months = events.shape[-1]
    for step, share in enumerate(lag[:months]):
        if share:
            out[..., step:] += share * events[..., : months - step]
    return out
