"""What an air history is like: means, seasons, hours outside limits, and the band of EN 15757."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from driftmodel.base.schema import Array, Dataset
from driftmodel.climate.air import months_of

#: EN 15757:2010 (from memory): 30-day centred mean, 7th to 93rd percentile, no tighter than 10 % RH, 13 months
CYCLE_DAYS, LOW_PERCENTILE, HIGH_PERCENTILE, LEAST_BAND_PCT, LEAST_DAYS = 30, 7.0, 93.0, 10.0, 395


@dataclass(frozen=True)
class HistoricBand:
    """EN 15757 band of a humidity history; arrays (hour,) in %.

    fluctuation_low, fluctuation_high: 7th and 93rd percentile of reading minus seasonal cycle, as found.
    low, high: the cycle plus these, never tighter than +-10 %. long_enough: at least 13 months of record.
    """

    seasonal_cycle: Array
    fluctuation_low: float
    fluctuation_high: float
    low: Array
    high: Array
    long_enough: bool


def centred_mean(values: Array, window: int) -> Array:
    """Running mean over `window` values about each (shorter at the ends: over what there is)."""
    sums = np.concatenate([[0.0], np.cumsum(values)])
    at = np.arange(values.size)
    first, last = np.maximum(at - window // 2, 0), np.minimum(at - window // 2 + window, values.size)
    return np.asarray((sums[last] - sums[first]) / (last - first))


def historic_band(relative_humidity_pct: Array) -> HistoricBand:
    """The EN 15757:2010 band of hourly relative humidity (hour,) in %."""
    humidity = np.asarray(relative_humidity_pct, dtype=float)
    cycle = centred_mean(humidity, 24 * CYCLE_DAYS)
    low, high = np.percentile(humidity - cycle, [LOW_PERCENTILE, HIGH_PERCENTILE])
    return HistoricBand(
        cycle,
        float(low),
        float(high),
        cycle + min(float(low), -LEAST_BAND_PCT),
        cycle + max(float(high), LEAST_BAND_PCT),
        humidity.size >= 24 * LEAST_DAYS,
    )


@dataclass(frozen=True)
class Seasons:
    """Means over the record, and its driest and most humid 90 days in a running mean."""

    mean_temperature_c: float
    mean_relative_humidity_pct: float
    driest_pct: float
    driest_middle: str
    most_humid_pct: float
    most_humid_middle: str


def seasons(air: Dataset) -> Seasons:
    """Annual means and the driest and most humid 90 days (all the record has, when it is shorter)."""
    humidity = air["relative_humidity"].values
    window = min(90 * 24, humidity.size)
    sums = np.concatenate([[0.0], np.cumsum(humidity)])
    running = (sums[window:] - sums[:-window]) / window
    days = air["time"].values.astype("datetime64[D]")
    dry, wet = int(np.argmin(running)), int(np.argmax(running))
    return Seasons(
        float(air["air_temperature"].values.mean()),
        float(humidity.mean()),
        float(running[dry]),
        str(days[dry + window // 2 - (window == humidity.size and window % 2 == 0)]),
        float(running[wet]),
        str(days[wet + window // 2 - (window == humidity.size and window % 2 == 0)]),
    )


def hours_outside(relative_humidity_pct: Array, low_pct: float, high_pct: float) -> tuple[int, int]:
    """Hours below low_pct and hours above high_pct."""
    humidity = np.asarray(relative_humidity_pct)
    return int((humidity < low_pct).sum()), int((humidity > high_pct).sum())


def monthly_table(air: Dataset) -> dict[int, dict[str, float]]:
    """Mean, least and greatest temperature (degC) and relative humidity (%) by calendar month, for months there are."""
    month = months_of(air["time"].values)
    out: dict[int, dict[str, float]] = {}
    for number in range(1, 13):
        here = month == number
        if here.any():
            row: dict[str, float] = {}
            for name, key in (("air_temperature", "temperature_c"), ("relative_humidity", "relative_humidity_pct")):
                values = air[name].values[here]
                row |= {f"{key}_mean": float(values.mean()), f"{key}_low": float(values.min()),
                        f"{key}_high": float(values.max())}  # fmt: skip
            out[number] = row
    return out
