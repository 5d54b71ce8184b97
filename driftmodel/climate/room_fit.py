"""A room narrowed by what was seen in it: hygrometer readings, or a logger beside the weather of the place.

What is not known of a room (Room.log_sd, logarithms of multipliers) is drawn to the readings by least squares with the
prior as one more reading each: a few Gauss-Newton steps, the room run hour by hour for each. What is left of a spread
says what the readings could not tell."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from driftmodel.base.climate_file import Seen
from driftmodel.base.errors import Spot
from driftmodel.base.keeping import Memory, fingerprint
from driftmodel.base.records import Climate, Room
from driftmodel.base.schema import Array, Dataset, Flags
from driftmodel.climate.air import hour_of_year, hours_from, in_months
from driftmodel.climate.place_air import record_span, stated_air
from driftmodel.climate.room import drawn_room
from driftmodel.climate.synthetic import ANOMALY_PERSISTENCE_DAYS

#: what a day's weather does to a reading where only a typical year is known, points of % and K (common practice)
DAY_PCT, DAY_K = 4.0, 0.7
#: days around the date of a reading that are taken for it then
AROUND_DAYS = 15
STEPS, MOVE = 4, 0.4
#: how far a daily mean may be from a fitted room's, and for how many days it stays there (computed: measured houses)
FIT_PCT, FIT_K, FIT_DAYS = 3.0, 0.8, 5.0
LEAST_DAYS = 14
#: a spread of which more than this is left was not told by the readings
UNTOLD = 0.8
_known: Memory[Climate] = Memory(16)


@dataclass(frozen=True)
class Reading:
    """Mean over the hours chosen, of humidity in % or temperature in degC, and how far it may be off."""

    hours: Flags
    humidity: bool
    value: float
    sd: float


@dataclass(frozen=True)
class RoomFit:
    """A fitted climate; left: share of each unknown's spread that is left; residuals: readings less the room's."""

    climate: Climate
    left: dict[str, float]
    readings: tuple[Reading, ...]
    residuals: Array


def fitted(climate: Climate) -> Climate:
    """The climate with its room narrowed by what was seen in it; the climate itself where nothing was."""
    if climate.room is None or not climate.room.seen or climate.outdoor is None:
        return climate
    return _known.of(fingerprint("fitted room", climate), lambda: _fit_seen(climate))


def _fit_seen(climate: Climate) -> Climate:
    assert climate.room is not None and climate.outdoor is not None
    start, hours = record_span(climate)
    time = hours_from(start, hours)
    readings = [reading for seen in climate.room.seen for reading in _readings(seen, time, climate)]
    return fit_room(climate, start, hours, tuple(readings)).climate


def _readings(seen: Seen, time: NDArray[Any], climate: Climate) -> list[Reading]:
    assert climate.outdoor is not None
    measured = climate.outdoor.logger is not None
    pct, kelvin = seen.tolerance_pct, seen.tolerance_k
    if seen.day is None:
        chosen, when = in_months(time, seen.months), "months " + ", ".join(map(str, seen.months))
    elif measured:
        chosen, when = time.astype("datetime64[D]") == np.datetime64(seen.day), str(seen.day)
    else:
        day = hour_of_year(np.array([np.datetime64(seen.day, "ns")]))[0] // 24
        apart = np.abs(hour_of_year(time) // 24 - day)
        chosen, when = np.minimum(apart, 365 - apart) <= AROUND_DAYS, str(seen.day)
        pct, kelvin = float(np.hypot(pct, DAY_PCT)), float(np.hypot(kelvin, DAY_K))
    if not chosen.any():
        raise Spot(climate.file or None, "[room], seen").refusal(
            f"a reading of {when}, and no outdoor air then: the record has {str(time[0])[:10]} to {str(time[-1])[:10]}"
            ". Needed: readings from the days of the outdoor record. Mend: take that reading out of seen"
        )
    found = []
    if seen.relative_humidity_pct is not None:
        found.append(Reading(chosen, True, seen.relative_humidity_pct, pct))
    if seen.temperature_c is not None:
        found.append(Reading(chosen, False, seen.temperature_c, kelvin))
    return found


def fit_room(climate: Climate, start: Any, hours: int, readings: tuple[Reading, ...]) -> RoomFit:
    """The climate's room drawn to readings of the air it has over `hours` hours from `start`."""
    room = climate.room
    assert room is not None
    bare = replace(climate, case=None, room=replace(room, seen=()))
    names = [name for name, sd in room.log_sd if sd > 0.0 and (name != "heating_set_point" or room.heating_setpoint_c)]
    spread = np.array([dict(room.log_sd)[name] for name in names])

    def shown(z: Array) -> Array:
        one = replace(bare, room=drawn_room(room, dict(zip(names, np.exp(spread * z).tolist(), strict=True))))
        air = stated_air(replace(one, room=replace(one.room, seen=())), start, hours)  # type: ignore[type-var]
        both = (air["air_temperature"].values, air["relative_humidity"].values)
        return np.array([both[reading.humidity][reading.hours].mean() for reading in readings])

    seen = np.array([reading.value for reading in readings])
    weight = np.array([reading.sd for reading in readings]) ** -2.0
    z: Array = np.zeros(len(names))
    left: Array = np.eye(len(names))
    for _ in range(STEPS):
        here = shown(z)
        slope = np.stack([(shown(z + MOVE * unit) - here) / MOVE for unit in np.eye(len(names))], axis=1)
        left = np.asarray(np.linalg.inv(np.eye(len(names)) + slope.T @ (weight[:, None] * slope)))
        z = np.clip(left @ slope.T @ (weight * (seen - here + slope @ z)), -3.0, 3.0)
    moved = drawn_room(room, dict(zip(names, np.exp(spread * z).tolist(), strict=True)))
    remains = dict(zip(names, np.sqrt(np.diag(left)).tolist(), strict=True))
    log_sd = tuple((name, sd * remains.get(name, 1.0)) for name, sd in room.log_sd)
    narrowed: Room = replace(moved, log_sd=log_sd, seen=())
    return RoomFit(replace(climate, room=narrowed), remains, readings, seen - shown(z))


def fit_logger(climate: Climate, logged: Dataset) -> RoomFit:
    """A climate's room fitted to a logger that stood in it: hourly air of two weeks or more, day by day.

    Where the outdoor air is a typical year, the weather of those days is not known and each day counts for less: what
    the month is unlike the usual one stays for all of a fortnight.
    Raises BadInput for a record that is too short or lies outside the outdoor record."""
    time = logged["time"].values
    days = time.size // 24
    if days < LEAST_DAYS:
        raise Spot(logged.attrs.get("file")).refusal(
            f"the logger stood in the room for {time.size} hours. Needed: two weeks or more ({24 * LEAST_DAYS} hours). "
            "Mend: leave the logger there longer"
        )
    assert climate.outdoor is not None
    unknown = climate.outdoor.logger is None
    lasts = min(days, round(ANOMALY_PERSISTENCE_DAYS)) if unknown else 0
    pct, kelvin = (np.hypot(fit * FIT_DAYS**0.5, day * lasts**0.5) for fit, day in ((FIT_PCT, DAY_PCT), (FIT_K, DAY_K)))
    readings = []
    for day in range(days):
        chosen = np.zeros(24 * days, dtype=bool)
        chosen[24 * day : 24 * day + 24] = True
        for humidity, name, sd in ((True, "relative_humidity", pct), (False, "air_temperature", kelvin)):
            mean = float(logged[name].values[24 * day : 24 * day + 24].mean())
            readings.append(Reading(chosen, humidity, mean, float(sd)))
    return fit_room(climate, time[0], 24 * days, tuple(readings))
