"""How wood gives way under a lasting load: with time, by the range of its moisture, faster when hot or damp.

All creep is compliance added over the elastic one, as a share of it, for one component of the wood's stiffness. Loads
are steps, so that histories are sums of the answers to each step (Boltzmann)."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from driftmodel.base.arrays import first_order_recursion
from driftmodel.base.schema import Array
from driftmodel.wood.diffusion import heat_exponent

#: times of a master curve's points, days: 30 days, 1 and 7 years
POINTS_DAYS = (30.0, 365.25, 7 * 365.25)


@dataclass(frozen=True)
class MasterCurve:
    """Creep of one component in constant air: at POINTS_DAYS, and more for each tenfold time after the last."""

    at_points: tuple[float, float, float]
    per_decade: float

    def after(self, time_days: ArrayLike) -> Array:
        """Creep after a time on the clock, days, of any shape; 0 at 0 and before.

        A power of time through each two neighbouring points, the first carried on towards 0; after the last
        J + per_decade log10(t / t_last): it grows without limit, ever more slowly."""
        time = np.asarray(time_days, dtype=float)
        logs, values = np.log(POINTS_DAYS), np.log(self.at_points)
        slope = (values[1] - values[0]) / (logs[1] - logs[0])
        safe = np.log(np.maximum(time, 1e-9))
        creep = np.exp(np.where(safe < logs[0], values[0] + slope * (safe - logs[0]), np.interp(safe, logs, values)))
        creep += self.per_decade * np.maximum(safe - logs[-1], 0.0) / np.log(10.0)
        return np.where(time > 0.0, creep, 0.0)


@dataclass(frozen=True)
class LoadStep:
    """A change of the load at the start of a day, as a share of the full load: +1 strings to pitch, -1 off."""

    day: int
    change: float


def load_steps(load_daily: ArrayLike) -> tuple[LoadStep, ...]:
    """The steps of a daily load (days,), constant over each day; the wood starts unloaded."""
    load = np.asarray(load_daily, dtype=float)
    change = np.diff(load, prepend=0.0)
    return tuple(LoadStep(day, float(change[day])) for day in np.flatnonzero(change).tolist())


def clock_speed(
    temperature_c: ArrayLike,
    moisture_pct: ArrayLike,
    activation_j_mol: float,
    decade_pct: float,
    reference: tuple[float, float],
) -> Array:
    """How many days of creep at the reference state (degC, % MC) pass in one day.

    exp[H/R (1/T0 - 1/T)] x 10^((u - u0) / decade): heat after Arrhenius, damp by a decade of time for each `decade_pct`
    of moisture content. Shapes broadcast."""
    reference_c, reference_pct = reference
    heat = np.exp(heat_exponent(temperature_c, activation_j_mol, reference_c))
    return np.asarray(heat * 10.0 ** ((np.asarray(moisture_pct, dtype=float) - reference_pct) / decade_pct))


def creep_by_time(curve: MasterCurve, steps: Sequence[LoadStep], clock_days: Array, at: NDArray[np.intp]) -> Array:
    """Creep (at,) on given days under load steps. clock_days: (days + 1,) creep days passed by the start of each day.

    The sum over the steps of change x J(clock - clock at the step): what is taken off recovers slowly, never wholly."""
    creep = np.zeros(at.size)
    for step in steps:
        creep += step.change * curve.after(clock_days[at] - clock_days[step.day])
    return creep


def running_range(
    moisture_pct: ArrayLike, marks: NDArray[np.intp], steps: Sequence[LoadStep], first_days: float = 0.0
) -> Array:
    """Range of moisture met under load, % MC, (..., marks), for moisture (..., marks) on the days `marks`, ascending.

    For one step it is highest less lowest since the step; several add up: when a load goes off, what it has done stays
    until the moisture has been through as wide a range again. Every step's day must be among the marks.
    first_days: wood goes on giving way to the same range met again and again, ever more slowly: the range counts
    log(1 + t / first_days) of the time t since the step, 1 after seven years; 0 for all of it at once."""
    moisture = np.asarray(moisture_pct, dtype=float)
    met = np.zeros_like(moisture)
    for step in steps:
        first = int(np.searchsorted(marks, step.day))
        since = moisture[..., first:]
        highest = np.maximum.accumulate(since, axis=-1)
        span = highest - np.minimum.accumulate(since, axis=-1)
        if first_days > 0.0:
            span *= np.log1p((marks[first:] - step.day) / first_days) / np.log1p(POINTS_DAYS[-1] / first_days)
        met[..., first:] += step.change * span
    return met


def damp_weighted(moisture_pct: ArrayLike, reference_pct: float, scale_pct: float) -> Array:
    """Moisture, % MC, on a scale on which a step counts exp((u - u0) / scale): more in damper wood. Any shape."""
    away = (np.asarray(moisture_pct, dtype=float) - reference_pct) / scale_pct
    return np.asarray(scale_pct * np.expm1(away))


def fading_sums(series: Array, keep: Sequence[float], days: int, first: int) -> Array:
    """Sums of a daily series, away from its first day's, over all days before first, first + days, ...: what a day adds
    counts `keep` of it a day later, and so on, (keep, series, k). Times 1 - keep they are first-order lags."""
    kept = np.asarray(keep, dtype=float)
    weight = kept ** np.arange(days - 1.0, -1.0, -1.0)[:, None]
    lead, start = first % days, series[:, :1]
    steps = (series.shape[1] - 1 - lead) // days
    found = np.empty((kept.size, len(series), steps + 1))
    found[:, :, 0] = ((series[:, :lead] - start) @ weight[days - lead :]).T
    whole = series[:, lead : lead + steps * days].reshape(len(series), steps, days) @ weight
    whole -= start[:, :, None] * weight.sum(axis=0)
    for own, left, pushed in zip(found, kept.tolist(), np.moveaxis(whole, 2, 0), strict=True):
        if steps:
            own[:, 1:] = first_order_recursion(left**days, pushed.T, own[:, 0]).T
    return found[:, :, first // days :]


def relaxed(series: Array, times_days: Sequence[float], shares: Sequence[float]) -> Array:
    """What acts of a moisture history (series, days) on a body whose stress relaxes: x - sum share x lag of x.

    A step acts in full at first, and with 1 - sum share x (1 - exp(-t / time)) after t days; linear, causal. The body
    is free of stress in the state of the first day."""
    acting = np.array(series, dtype=float)
    away = np.ascontiguousarray((acting - acting[:, :1]).T)
    for time, share in zip(times_days, shares, strict=True):
        keep = float(np.exp(-1.0 / time))
        lag = first_order_recursion(keep, (1.0 - keep) * away[:-1])
        acting[:, 1:] -= share * lag.T
    return acting
