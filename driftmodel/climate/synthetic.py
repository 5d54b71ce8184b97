"""Invented weather from twelve monthly normals; other years' weather from one year's days and slow anomalies.

A member of the weather has days of its own: blocks of days of the file, taken from dates near by in the season, so
that what hangs together within days and over some days stays together (stationary bootstrap: Politis and Romano 1994,
Journal of the American Statistical Association 89, 1303-1313). The season's own course between the two dates is taken
out and put back, or the spread would grow where the year turns fastest (James and Arguez 2015, Journal of Atmospheric
and Oceanic Technology 32, 2297-2304). What months and years differ by, beyond their days, is a slow anomaly on top.

All noise is drawn day by day from a fixed first day, so that a seed and a member give the same weather on the same
dates whatever span is asked for: two scenarios are compared on common random numbers."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from driftmodel.base.arrays import first_order_recursion
from driftmodel.base.climate_file import Normals
from driftmodel.base.schema import Array, Dataset, Times
from driftmodel.climate.air import hour_of_year, hours_from, make_air, saturation_pressure_pa

_NOISE_FROM = np.datetime64("1970-01-01", "D")
_MONTH_DAYS = np.array([31, 28, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31])
#: the warmest hour's middle, local time; anomalies of a season last about a month (common practice, no source)
WARMEST_HOUR = 15.0
ANOMALY_PERSISTENCE_DAYS = 30.0
#: days of another year come in blocks of this mean length, from dates this near (weather keeps for some days)
BLOCK_DAYS, NEAR_DAYS = 10.0, 21
HOURS_OF_YEAR = 8760


def smooth_year(monthly: Any) -> Array:
    """Daily values (365,) of a smooth periodic curve whose twelve monthly means are `monthly`.

    The derivative of a periodic cubic spline through the running sum, so that the means are kept exactly."""
    from scipy.interpolate import CubicSpline

    means = np.asarray(monthly, dtype=float)
    edges = np.concatenate([[0], np.cumsum(_MONTH_DAYS)])
    overall = float(means @ _MONTH_DAYS) / 365.0
    sums = np.concatenate([[0.0], np.cumsum((means - overall) * _MONTH_DAYS)])
    sums[-1] = 0.0
    integral = CubicSpline(edges, sums, bc_type="periodic")
    return np.asarray(overall + np.diff(integral(np.arange(366))))


def persistent_noise(time: Times, persistence_days: float, key: tuple[int, ...], columns: int = 1) -> Array:
    """AR(1) noise (columns, hour) of mean 0 and sd 1, drawn daily and drawn out straight between noons.

    `key` seeds it: whole numbers >= 0. The value on a date does not depend on where `time` starts or ends."""
    days = time.astype("datetime64[D]")
    first = min(_NOISE_FROM, days[0] - np.timedelta64(1, "D"))
    count = int((days[-1] - first).astype(int)) + 2
    a = float(np.exp(-1.0 / persistence_days))
    fresh = np.random.default_rng(key).standard_normal((count, columns))
    drive = np.sqrt(1.0 - a * a) * fresh
    drive[0] = fresh[0]
    daily = first_order_recursion(a, drive)
    hours = (time - first.astype("datetime64[ns]")) / np.timedelta64(1, "h") + 0.5
    return np.stack([np.interp(hours, np.arange(count) * 24.0 + 12.0, daily[:, k]) for k in range(columns)])


def synthetic_air(normals: Normals, start: Any, hours: int, seed: int, member: int = 0) -> Dataset:
    """Outdoor air of `hours` hours from `start`: normals, a daily cosine, and persistent day-to-day noise.

    The vapour pressure follows the day, so that humidity falls as the day warms (a steady dew point); monthly mean
    humidity is the normals'. Raises nothing: the file reader has checked the normals."""
    time = hours_from(start, hours)
    noise = persistent_noise(time, normals.persistence_days, (seed, member, 1), columns=2)
    when = hour_of_year(time)
    day, hour = when // 24, when % 24
    # daily means are drawn out straight between noons, round the year
    at = (when + 0.5) / 24.0 - 0.5

    def round_year(daily: Array) -> Array:
        return np.asarray(np.interp(at, np.arange(-1, 366), np.concatenate([daily[-1:], daily, daily[:1]])))

    swing = smooth_year(normals.daily_range_c) / 2.0
    cosine = np.cos(2.0 * np.pi * (hour + 0.5 - WARMEST_HOUR) / 24.0)
    temperature = (
        round_year(smooth_year(normals.temperature_c)) + swing[day] * cosine + normals.day_to_day_sd_c * noise[0]
    )
    temperature = np.clip(temperature, -60.0, 60.0)
    wanted = round_year(smooth_year(normals.relative_humidity_pct)) + normals.day_to_day_sd_pct * noise[1]
    # mean over a day of 1 / saturation pressure, so that the day's mean humidity is the one wanted
    day = (time.astype("datetime64[D]") - time[0].astype("datetime64[D]")).astype(int)
    dryness = (np.bincount(day, 1.0 / saturation_pressure_pa(temperature)) / np.bincount(day))[day]  # mean of each day
    humidity = np.clip(wanted, 2.0, 100.0) / dryness / saturation_pressure_pa(temperature)
    attrs = {"source": "invented from monthly normals", "kind": "synthetic", "typical_year": 0, "filled_hours": 0}
    return make_air(time, temperature, np.clip(humidity, 1.0, 100.0), attrs=attrs)


def weather_member(
    outdoor: Dataset, member: int, seed: int, sd_c: float, sd_pct: float, year: Dataset | None = None
) -> Dataset:
    """Outdoor air as it may have been in other years; member 0 is the air as read.

    year: the year of 8760 hours that `outdoor` repeats. If given, the member's days are blocks of days of it, from
    dates within NEAR_DAYS, with the season's course kept; air that has days of its own already keeps them. Then slow
    anomalies about a month long. Dates, seed and member alone fix what is drawn: the same in every climate.
    sd_c, sd_pct: standard deviation of the slow anomaly of temperature (K) and relative humidity (points of %)."""
    if member == 0:
        return outdoor
    time = outdoor["time"].values
    temperature, humidity = outdoor["air_temperature"].values, outdoor["relative_humidity"].values
    filled = outdoor["filled"].values
    if year is not None:
        temperature, humidity, filled = other_days(year, time, seed, member)
    noise = persistent_noise(time, ANOMALY_PERSISTENCE_DAYS, (seed, member, 2), columns=2)
    return make_air(
        time,
        np.clip(temperature + sd_c * noise[0], -60.0, 60.0),
        np.clip(humidity + sd_pct * noise[1], 1.0, 100.0),
        filled,
        outdoor.attrs | {"member": member},
    )


def other_days(year: Dataset, time: Times, seed: int, member: int) -> tuple[Array, Array, NDArray[np.int8]]:
    """Temperature, humidity and filled flags at `time`, from blocks of days of the year near their dates."""
    target = hour_of_year(time)
    days = time.astype("datetime64[D]")
    first = min(_NOISE_FROM, days[0])
    number = (days - first).astype(np.int64)
    count = int(number[-1]) + 1  # a stream each: what is drawn for a day must not hang on how many days follow it
    fresh = np.random.default_rng((seed, member, 3)).random(count) < 1.0 / BLOCK_DAYS
    fresh[0] = True
    shift = np.random.default_rng((seed, member, 4)).integers(-NEAR_DAYS, NEAR_DAYS + 1, size=count)
    shift = shift[np.maximum.accumulate(np.where(fresh, np.arange(count), 0))]
    source = (target + 24 * shift[number]) % HOURS_OF_YEAR
    temperature, humidity = year["air_temperature"].values, year["relative_humidity"].values
    vapour = np.log(humidity / 100.0 * saturation_pressure_pa(temperature))
    found = []
    for values in (temperature, vapour):
        waves = np.fft.rfft(values.reshape(-1, 24).mean(axis=1))
        waves[3:] = 0.0  # the season's smooth course: the yearly wave and its first overtone
        course = np.repeat(np.fft.irfft(waves, values.size // 24), 24)
        found.append(values[source] + course[target] - course[source])
    other = np.clip(found[0], -60.0, 60.0)
    return other, 100.0 * np.exp(found[1]) / saturation_pressure_pa(other), year["filled"].values[source]
