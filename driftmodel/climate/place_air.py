"""The air in one place, a climate as its file says it: from outdoor air or a logger to the air around an instrument."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np

from driftmodel.base.climate_file import Logger, Outdoor
from driftmodel.base.errors import Spot
from driftmodel.base.keeping import Memory, fingerprint
from driftmodel.base.records import Climate
from driftmodel.base.schema import Dataset, Integers, Times
from driftmodel.climate.air import HOUR, TYPICAL_YEAR, hour_of_year, hours_from, make_air
from driftmodel.climate.enclosure import case_air
from driftmodel.climate.logger import logged_air
from driftmodel.climate.room import indoor_air
from driftmodel.climate.synthetic import other_days, synthetic_air, weather_member
from driftmodel.climate.weather import read_weather

HOURS_PER_YEAR = 8760
#: a room's stores forget in ten days or so; after so many before the first hour their start is no longer felt
LEAD_DAYS = 60


def stated_air(climate: Climate, start: Any, hours: int, member: int = 0, seed: int = 0) -> Dataset:
    """As climate.history.climate_air, the room as its numbers say it, whatever was seen in it."""
    time = hours_from(start, hours)
    if climate.logger is not None:
        air = _logger_air(climate, climate.logger, time, "[logger]", member, seed)
    elif climate.outdoor is None:
        raise Spot(climate.file or None, "[outdoor]").refusal(
            f'climate "{climate.name}" has neither outdoor air nor a logger. Needed: one source of air. '
            'Mend: [outdoor] with weather_file = "..."'
        )
    else:
        lead = _lead_hours(climate, time[0])
        return air_within(climate, lambda hours: _outdoor_air(climate, hours, member, seed), time, lead)
    return air if climate.case is None else case_air(air, climate.case)


def air_within(
    climate: Climate, outdoors: Callable[[Times], Dataset], time: Times, lead: int = 24 * LEAD_DAYS
) -> Dataset:
    """Hourly air (hours,) in the room and case of a climate, where it has them, of outdoor air by its hours. lead:
    hours before the first in which the room has stood in it."""
    if climate.room is None:
        air = outdoors(time)
    else:
        longer = np.concatenate([time[0] - np.arange(lead, 0, -1) * HOUR, time])
        air = indoor_air(outdoors(longer), climate.room, climate.humidifier).isel(time=slice(lead, None))
    return air if climate.case is None else case_air(air, climate.case)


def record_span(climate: Climate) -> tuple[np.datetime64, int]:
    """First hour and hours of a climate's own air: a measured record's, or a year of 365 days for any other."""
    logger = climate.logger or (None if climate.outdoor is None else climate.outdoor.logger)
    if logger is None:
        return np.datetime64(f"{TYPICAL_YEAR}-01-01T00", "h"), HOURS_PER_YEAR
    known = _record(climate, logger)["time"].values
    return known[0], int(known.size)


def _lead_hours(climate: Climate, first: np.datetime64) -> int:
    """Hours before `first` in which the room has stood in its outdoor air."""
    logger = None if climate.outdoor is None else climate.outdoor.logger
    if logger is None or logger.repeat_years:
        return 24 * LEAD_DAYS
    begin = _record(climate, logger)["time"].values[0]
    return int(np.clip((first - begin) / HOUR, 0, 24 * LEAD_DAYS))


_outdoors: Memory[Dataset] = Memory(8)


def _outdoor_air(climate: Climate, time: Times, member: int, seed: int) -> Dataset:
    """The outdoor air of a climate, the same for every room and case that stands in it: not to be changed."""
    outdoor = climate.outdoor
    assert outdoor is not None
    bare = replace(climate, name="", title="", room=None, humidifier=None, case=None)
    key = fingerprint(bare, climate.input_files, time.size, str(time[0]), member, seed)
    return _outdoors.of(key, lambda: _made_outdoors(climate, outdoor, time, member, seed))


def _made_outdoors(climate: Climate, outdoor: Outdoor, time: Times, member: int, seed: int) -> Dataset:
    year = None
    if outdoor.normals is not None:
        air = synthetic_air(outdoor.normals, time[0], time.size, seed, member)
    elif outdoor.logger is not None:
        air = _logger_air(climate, outdoor.logger, time, "[outdoor]", member, seed)
    elif outdoor.weather_file is not None:
        year = read_weather(climate.beside(outdoor.weather_file), gap_policy=outdoor.gap_policy)
        air = _picked(year, time, hour_of_year(time))
    else:
        raise Spot(climate.file or None, "[outdoor]").refusal(
            'outdoor air without a source. Needed: weather_file, logger_file or normals. Mend: weather_file = "..."'
        )
    air = weather_member(air, member, seed, outdoor.year_to_year_sd_c, outdoor.year_to_year_sd_pct, year)
    return warmer_air(air, outdoor)


def warmer_air(air: Dataset, outdoor: Outdoor) -> Dataset:
    """Outdoor air made warmer and drier in every hour, as the record says."""
    if outdoor.warmer_k == 0.0 and outdoor.drier_pct == 0.0:
        return air
    warm = np.clip(air["air_temperature"].values + outdoor.warmer_k, -60.0, 60.0)
    dry = np.clip(air["relative_humidity"].values - outdoor.drier_pct, 1.0, 100.0)
    return make_air(air["time"].values, warm, dry, air["filled"].values, air.attrs)


def _record(climate: Climate, logger: Logger) -> Dataset:
    return logged_air(climate.beside(logger.file), logger)


def _logger_air(climate: Climate, logger: Logger, time: Times, table: str, member: int, seed: int) -> Dataset:
    """The record at its own dates; past its ends its last year, in members but the first with days drawn anew."""
    record = _record(climate, logger)
    path = climate.beside(logger.file)
    known = record["time"].values
    index = ((time - known[0]) / HOUR).astype(np.int64)
    outside = (index < 0) | (index >= known.size)
    if outside.any():
        first, last = str(known[0])[:10], str(known[-1])[:10]
        if not logger.repeat_years:
            raise Spot(climate.file or path, f"{table}, repeat_years").refusal(
                f"the stay runs from {str(time[0])[:10]} to {str(time[-1])[:10]}, past the air: the record has "
                f"{first} to {last}. Needed: a record as long as the stay, or leave to repeat its years. "
                "Mend: repeat_years = true"
            )
        if known.size < HOURS_PER_YEAR:
            raise Spot(path, f"{table} of {climate.name}, repeat_years").refusal(
                f"the record of {first} to {last} is shorter than a year, and the stay runs past the air it has. "
                "Needed: a whole year (8760 hours) to repeat. Mend: use a record of a year or more, or a shorter stay"
            )
        latest = _last_year(known)
        index = np.where(outside, latest[hour_of_year(time)], index)
        if member:
            year = record.isel(time=latest)
            air, (warm, damp, filled) = _picked(record, time, index), other_days(year, time, seed, member)
            warm = np.where(outside, warm, air["air_temperature"].values)
            damp = np.where(outside, damp, air["relative_humidity"].values)
            return make_air(time, warm, damp, np.where(outside, filled, air["filled"].values), air.attrs)
    return _picked(record, time, index)


def is_measured(climate: Climate, start: Any, end: Any) -> bool:
    """Whether the air around an instrument is a logger's own record from one day to another, no year of it repeated."""
    if climate.logger is None:
        return False
    first, hours = record_span(climate)
    return bool(np.datetime64(start, "h") >= first and np.datetime64(end, "h") <= first + hours * HOUR)


def _last_year(known: Times) -> Integers:
    """For each hour of a 365-day year, the last hour of the record that stands there (the record has a year)."""
    at = np.zeros(HOURS_PER_YEAR, dtype=np.int64)
    at[hour_of_year(known)] = np.arange(known.size)  # later hours overwrite earlier ones
    return at


def _picked(air: Dataset, time: Times, index: Integers) -> Dataset:
    """The hours `index` of `air`, put at `time`."""
    warm, damp, filled = (air[name].values[index] for name in ("air_temperature", "relative_humidity", "filled"))
    return make_air(time, warm, damp, filled, air.attrs)
