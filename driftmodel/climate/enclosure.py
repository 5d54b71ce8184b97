"""A closed case: its air follows the room's humidity slowly (Thomson 1977), its temperature within hours; first-order
lags of hourly drivers, exact for drivers that are constant within the hour, without a loop over hours."""

from __future__ import annotations

from math import log
from typing import NamedTuple

import numpy as np

from driftmodel.base import library
from driftmodel.base.arrays import first_order_recursion
from driftmodel.base.climate_file import Case
from driftmodel.base.schema import Array, Dataset, Times
from driftmodel.climate.air import in_months, make_air, with_outdoors

#: the inside of a padded case follows the room's temperature with this lag (common practice, no source)
CASE_THERMAL_LAG_HOURS = 2.0


def thomson_half_time(reservoir_g_per_kg_pct: float, buffer_kg_per_m3: float, air_changes_per_day: float) -> float:
    """Half-time in days of a closed case's answer to a step in room humidity: t = 4 M B / N (Thomson 1977).

    M: moisture taken up, g per kg of buffer and 1 % RH; B: kg of buffer per m3 of case; N: air changes a day.
    The 4 is ln 2 over 1 % of the saturation density at 20 degC (4.009)."""
    return 4.0 * reservoir_g_per_kg_pct * buffer_kg_per_m3 / air_changes_per_day


def hard_case() -> Case:
    """A guitar's own hard case, no humidifier in it: half-time (Thomson 1977) from its wood, its air and its leaks."""
    half_time_days = thomson_half_time(
        library.value("instrument_sorption_reservoir"),
        library.value("case_wood_mass") / library.value("case_air_volume"),
        library.value("case_air_changes"),
    )
    return Case(half_time_days, library.value("case_out_of_case_share"), None)


def case_air(room_air: Dataset, case: Case) -> Dataset:
    """Air around an instrument kept in `case` within `room_air`: same hours, without the room's humidifier_water.

    Humidity is a first-order lag of the room's with case.half_time_days; warming moves it by
    `case_box_temperature_effect` of the library, % RH per K, at most (Thomson 1964), or by
    `case_leaky_temperature_effect`, which fades as the case comes back into balance with the room. A case humidifier
    keeps it from falling below humidifier_pct in its months. The instrument spends out_of_case_share of every hour in
    the room: the airs are mixed in that share."""
    time = room_air["time"].values
    room_c, room_pct = room_air["air_temperature"].values, room_air["relative_humidity"].values
    inside_c, inside_pct = inside_case(room_c, room_pct, case, time)
    air = make_air(time, inside_c, inside_pct, room_air["filled"].values, room_air.attrs)
    return with_outdoors(air, room_air)


def inside_case(
    room_c: Array, room_pct: Array, case: Case, time: Times, step_hours: float = 1.0
) -> tuple[Array, Array]:
    """Temperature and humidity (step,) around an instrument kept in a case, out of it for its share of the time."""
    tau = 24.0 * case.half_time_days / log(2.0) / step_hours
    first_day = slice(0, max(1, round(24.0 / step_hours)))
    case_c = first_order_lag(room_c, CASE_THERMAL_LAG_HOURS / step_hours, float(room_c[0])).mean
    settled_c = first_order_lag(case_c, tau, float(case_c[first_day].mean())).mean
    number = "case_leaky_temperature_effect" if case.leaky else "case_box_temperature_effect"
    effect = library.value(number) * (case_c - settled_c)
    floor = np.zeros_like(room_pct)
    if case.humidifier_pct is not None:
        floor = np.where(in_months(time, case.humidifier_months), case.humidifier_pct, 0.0)
    first = max(float(room_pct[first_day].mean()), float(floor[0]))
    held = first_order_lag(-room_pct, tau, -first, ceiling=-floor)  # a floor is a ceiling upside down
    inside_pct = np.clip(np.maximum(-held.mean + effect, floor), 0.0, 100.0)
    share = case.out_of_case_share
    return (1.0 - share) * case_c + share * room_c, (1.0 - share) * inside_pct + share * room_pct


class Lagged(NamedTuple):
    """start, end: state at both ends of each hour; mean: over the hour; removed: drop of the state at its end."""

    start: Array
    end: Array
    mean: Array
    removed: Array


def first_order_lag(driver: Array, time_constant_hours: float, first: float, ceiling: Array | None = None) -> Lagged:
    """State x of dx/dt = (driver - x) / tau with x = `first` at the start; arrays are (hour,).

    ceiling: at the end of each hour the state is cut down to it, and goes on from there; what was cut is `removed`.
    The cut recursion x[k] = min(a x[k-1] + b[k], c[k]) is solved exactly: with L the uncut solution it is
    L[k] + min over j <= k of a^(k-j) (c[j] - L[j]), 0 if that is positive, found by doubling the reach."""
    step = 1.0 / time_constant_hours
    a = float(np.exp(-step))
    end = first_order_recursion(a, (1.0 - a) * driver, first)
    removed = np.zeros_like(end)
    if ceiling is not None and np.any(end > ceiling):
        cut = np.minimum(ceiling - end, 0.0)
        reach, weight = 1, a
        while reach < cut.size and weight > 1e-18:
            cut[reach:] = np.minimum(cut[reach:], weight * cut[:-reach])
            reach, weight = 2 * reach, weight * weight
        before = np.concatenate([[0.0], cut[:-1]])
        end = end + cut
        removed = a * before - cut
    start = np.concatenate([[first], end[:-1]])
    mean = driver + (start - driver) * ((1.0 - a) / step)
    return Lagged(start, end, mean, removed)
