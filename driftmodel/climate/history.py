"""The air an instrument lives in: a scenario's stays one after the other, each a climate run from its file;
and what a history is like: means, seasons, hours outside limits, and the band of EN 15757."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import numpy as np

from driftmodel.base.climate_file import LoggerKeys
from driftmodel.base.errors import Spot
from driftmodel.base.records import Climate, Scenario, Stay
from driftmodel.base.schema import DAYS_PER_YEAR, Array, Dataset
from driftmodel.climate.air import LONGEST_FILL_DAYS, OUTDOORS, months_of
from driftmodel.climate.logger import logged_air
from driftmodel.climate.place_air import stated_air
from driftmodel.climate.room_fit import fitted
from driftmodel.climate.weather import read_weather
from driftmodel.climate.weather_formats import looks_like_weather

#: what a stay may tell of, what it is where one does not, and its attributes
UNTOLD: dict[str, tuple[Any, dict[str, str]]] = {
    "humidifier_water": (0.0, {"units": "kg/h", "long_name": "water the humidifier gives off"})
} | {name: (np.float32("nan"), {"units": unit}) for name, unit in OUTDOORS.items()}


def read_air(
    path: str | Path,
    *,
    columns: Mapping[str, str] | None = None,
    time_zone: str | None = None,
    gap_policy: str | None = None,
    gap_limit_days: float = LONGEST_FILL_DAYS,
    day_first: bool | None = None,
) -> Dataset:
    """Hourly air from any file: a weather file when its first lines are one's, else a logger's text file.

    Of a logger's file: columns: header texts by 'time' (or 'date' and 'clock'), 'temperature', 'relative_humidity',
    where the header does not tell; 'temperature_unit' is 'C' or 'F'. time_zone: IANA name of the clock's zone, needed
    unless the header or the stamps tell. gap_policy: 'interpolate' or 'hold', for gaps of at most gap_limit_days.
    day_first: order of 03/04/2026.
    Raises BadInput with file, row and column for anything that cannot be read without guessing."""
    if looks_like_weather(Path(path)):
        return read_weather(path, gap_policy=gap_policy)
    told = () if columns is None else tuple(columns.items())
    how = LoggerKeys(columns=told, time_zone=time_zone, gap_policy=gap_policy, gap_limit_days=gap_limit_days,
                     day_first=day_first)  # fmt: skip
    return logged_air(Path(path), how)


def scenario_end(scenario: Scenario) -> date:
    """Day after the last of the scenario's air: horizon_years of 365.25 days after set-up."""
    return scenario.setup.setup + timedelta(days=round(scenario.horizon_years * DAYS_PER_YEAR))


def lived_in_turn(scenario: Scenario) -> list[Stay]:
    """The stays by date; one split in two is one stay: its room and case are not started anew."""
    known = sorted(scenario.stays, key=lambda stay: stay.start)
    return [stay for at, stay in enumerate(known) if at == 0 or stay.climate != known[at - 1].climate]


def scenario_air(scenario: Scenario, member: int = 0) -> Dataset:
    """Hourly air around the instrument over whole days, from the first stay to the horizon.

    member: 0 is the weather as read; others have days and anomalies of their own, the same on the same dates in every
    climate.
    Raises BadInput when a file a climate names is at fault, or a logger's record ends before its stay does."""
    from xarray import concat

    stays = lived_in_turn(scenario)
    end = scenario_end(scenario)
    bounds = [stay.start for stay in stays[1:]] + [end]
    pieces = []
    for stay, until in zip(stays, bounds, strict=True):
        hours = 24 * (min(until, end) - stay.start).days
        if hours > 0:
            pieces.append(climate_air(stay.climate, stay.start, hours, member=member, seed=scenario.seed))
    if not pieces:
        raise Spot(scenario.file or None, "stay 1, from").refusal(
            f"the first stay starts on {stays[0].start}, the horizon ends on {end}. Needed: a first stay before "
            f"set-up. Mend: from = {scenario.setup.strung}"
        )
    kept = ["air_temperature", "relative_humidity", "filled"]
    for name, (nothing, told) in UNTOLD.items():  # what only some stays tell of, told of all
        if any(name in piece for piece in pieces):
            kept.append(name)
            for at, piece in enumerate(pieces):
                if name not in piece:
                    pieces[at] = piece.assign({name: (("time",), np.full(piece.sizes["time"], nothing), told)})
    pieces = [piece[kept] for piece in pieces]
    air = pieces[0] if len(pieces) == 1 else concat(pieces, "time", combine_attrs="override")
    air.attrs = {
        "member": member,
        "seed": scenario.seed,
        "filled_hours": int(air["filled"].values.sum()),
        "climates": ", ".join(f"{stay.climate.name} from {stay.start}" for stay in stays),
        "sources": "; ".join(dict.fromkeys(str(piece.attrs.get("source", "")) for piece in pieces)),
    }
    return air


def climate_air(climate: Climate, start: Any, hours: int, member: int = 0, seed: int = 0) -> Dataset:
    """Hourly air (hours,) around an instrument in `climate` from `start` on: 00:00 of a date, or an hour.

    A typical year is repeated by the calendar (29 February repeats 28 February), its local standard time taken as
    the clock. A logger's record stands at its own dates; past its ends only if its years are to be repeated. A room has
    stood in its outdoor air for a while before, where there is any, and knows no start; what was seen in it narrows it.
    """
    return stated_air(fitted(climate), start, hours, member=member, seed=seed)


#: EN 15757:2010 (from memory): 30-day centred mean, 7th to 93rd percentile, no tighter than 10 % RH, 13 months
CYCLE_DAYS, LOW_PERCENTILE, HIGH_PERCENTILE, LEAST_BAND_PCT, LEAST_DAYS = 30, 7.0, 93.0, 10.0, 395


@dataclass(frozen=True)
class HistoricBand:
    """EN 15757 band of a humidity history; arrays (hour,) in %.

    fluctuation_low, fluctuation_high: 7th and 93rd percentile of reading minus seasonal cycle, as found.
    low, high: the cycle plus these, never tighter than +-10 %. long_enough: at least 13 months of record."""

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
    import pandas as pd

    named = {"temperature_c": "air_temperature", "relative_humidity_pct": "relative_humidity"}
    hours = pd.DataFrame({key: air[name].values for key, name in named.items()})
    told: Any = hours.groupby(months_of(air["time"].values)).agg(["mean", "min", "max"])
    ends = {"mean": "mean", "min": "low", "max": "high"}
    told.columns = [f"{key}_{ends[kind]}" for key, kind in told.columns]
    rows: dict[int, dict[str, float]] = told.to_dict("index")
    return rows
