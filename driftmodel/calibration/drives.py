"""One weather as wood feels it, hour by hour, and when to look at it; what the guitar's own room adds."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

import numpy as np
from numpy.typing import NDArray

from driftmodel.base import library
from driftmodel.base.records import Scenario
from driftmodel.base.schema import Array, Dataset
from driftmodel.outlook.calendar import day_of, reference_state
from driftmodel.outlook.moisture import Lags, lags_of
from driftmodel.outlook.movement import acting_lags
from driftmodel.outlook.room_lags import RoomRows, room_rows
from driftmodel.outlook.wood_air import REFERENCE_C, REFERENCE_PCT, built_moisture, wood_air
from driftmodel.wood import diffusion, sorption

NOON = 12.0


@dataclass(frozen=True)
class Moment:
    """When to look: an hour of a day (0 to 24, the clock of the air), or the mean over `days` from a day on if more
    than one; after some hours in other air. after_work: the truss rod was turned earlier that day."""

    day: date
    days: int = 1
    hours_at_bench: float = 0.0
    temperature_c: float = 20.0
    relative_humidity_pct: float = 50.0
    hour: float = NOON
    after_work: bool = False


@dataclass(frozen=True)
class Drive:
    """One weather as wood feels it: its lags at 00:00, those that act (see movement.acting_lags), and hour by hour the
    equilibrium moisture content (hours,) and how fast moisture moves in thin and thick parts (2, hours).

    air_daily: daily mean temperature and humidity."""

    lags: Lags
    acting: Array
    emc_pct: Array
    speeds: Array
    air_daily: tuple[Array, Array]


def drive_of(air: Dataset, scenario: Scenario) -> Drive:
    """The drive of one hourly air of whole days."""
    temperature, humidity = air["air_temperature"].values, air["relative_humidity"].values
    emc, speeds = wood_air(temperature, humidity, scenario)
    lags = lags_of(emc, speeds, built_moisture(scenario))
    means = tuple(values.reshape(-1, 24).mean(axis=1) for values in (temperature, humidity))
    return Drive(lags, acting_lags(lags.lags_pct), emc, np.stack(speeds), (means[0], means[1]))


def states_at(moments: tuple[Moment, ...], drive: Drive, scenario: Scenario) -> Array:
    """Lags at the moments, (2, lag, moments): those that act, then those held.

    Exact at any hour: from the state at 00:00 on through the hours of the day. If the instrument lay at the bench
    before, the lags stand where they were that many hours earlier and go on in the bench's air:
    F + (E - F)(1 - exp(-speed hours / time constant)), E the bench's equilibrium with the memory (relative offset) the
    wood had, the speed that of the bench's temperature and E. What hours change acts in full."""
    found = np.empty((2, drive.acting.shape[0], len(moments)))
    single = [place for place, moment in enumerate(moments) if moment.days == 1]
    for place, moment in enumerate(moments):
        if moment.days > 1:
            first = day_of(scenario, moment.day)
            span = slice(first, first + moment.days)
            found[0, :, place] = drive.acting[:, span].mean(axis=1)
            found[1, :, place] = drive.lags.lags_pct[:, span].mean(axis=1)
    if single:
        found[:, :, single] = _at_hours([moments[place] for place in single], drive, scenario)
    return found


def _at_hours(moments: list[Moment], drive: Drive, scenario: Scenario) -> Array:
    lain = np.array([moment.hours_at_bench for moment in moments])
    hours = np.array([24.0 * day_of(scenario, moment.day) + moment.hour for moment in moments]) - lain
    hours = np.clip(hours, 0.0, drive.emc_pct.size)
    day = (hours // 24.0).astype(np.intp)
    left = hours - 24.0 * day
    midnight = drive.lags.lags_pct[:, day]
    held = midnight.copy()
    taus = np.tile(drive.lags.time_constants_days, 2)[:, None]
    half = drive.lags.time_constants_days.size
    for hour in range(24):
        step = np.clip(left - hour, 0.0, 1.0)
        on = np.flatnonzero(step > 0.0)
        if not on.size:
            break
        at = day[on] * 24 + hour
        speed = np.repeat(drive.speeds[:, at], half, axis=0)
        keep = np.exp(-speed * step[on] / 24.0 / taus)
        held[:, on] = drive.emc_pct[at] + (held[:, on] - drive.emc_pct[at]) * keep
    stayed = np.flatnonzero(lain > 0.0)
    if stayed.size:
        held[:, stayed] = _settled([moments[place] for place in stayed], held[:, stayed], day[stayed], drive)
    return np.stack([drive.acting[:, day] + held - midnight, held])


def _settled(moments: list[Moment], state: Array, day: NDArray[np.intp], drive: Drive) -> Array:
    """States (lag, moments) after lying in the bench's air."""
    bench_c = np.array([moment.temperature_c for moment in moments])
    bench_pct = np.array([moment.relative_humidity_pct for moment in moments])
    lain = np.array([moment.hours_at_bench for moment in moments])
    temperature, humidity = drive.air_daily
    day = np.minimum(day, temperature.size - 1)
    emc = sorption.equilibrium_moisture_content
    memory = drive.lags.emc_pct[day] / emc(temperature[day], humidity[day])
    target = memory * emc(bench_c, bench_pct)
    speed = diffusion.rate_factor(
        bench_c,
        target,
        library.general("diffusion_activation_energy").value * 1000.0,
        library.general("diffusion_moisture_exponent").value,
        REFERENCE_C,
        float(emc(REFERENCE_C, REFERENCE_PCT)),
    )
    taus = np.tile(drive.lags.time_constants_days, 2)[:, None]
    return np.asarray(target + (state - target) * np.exp(-speed * lain / 24.0 / taus))


@dataclass(frozen=True)
class RoomDrive:
    """The rows of other rooms along one weather: held and acting, (2, row, days + 1); time constants of the lags."""

    rows: RoomRows
    path: Array
    taus_days: Array

    def at(self, moments: tuple[Moment, ...], scenario: Scenario) -> Array:
        """What each term does to the lags at the moments, (term, 2, lag, moments), acting first; after hours at a bench
        what is left of it."""
        found = np.empty((2, self.path.shape[1], len(moments)))
        last = self.path.shape[2] - 1
        for place, moment in enumerate(moments):
            first = min(day_of(scenario, moment.day), last)
            if moment.days > 1:
                found[:, :, place] = self.path[:, :, first : first + moment.days].mean(axis=2)
            else:
                share = moment.hour / 24.0
                after = self.path[:, :, min(first + 1, last)]
                found[:, :, place] = (1.0 - share) * self.path[:, :, first] + share * after
        lain = np.array([moment.hours_at_bench for moment in moments])
        left = np.exp(-lain / 24.0 / self.taus_days[:, None])
        return np.stack([np.stack([mix @ one * left for one in found]) for mix in self.rows.mix])

    def change(self, moments: tuple[Moment, ...], reference_day: int, since: int, scenario: Scenario) -> Array:
        """The same since set-up, and last at the reference state of a day, (term, 2, lag, moments + 1)."""
        reference = np.stack([reference_state(one[:, : reference_day + 1])[:, -1] for one in self.path])
        start = self.path[:, :, since]
        ends = np.stack([np.stack([mix @ one for one in (reference - start)]) for mix in self.rows.mix])
        begun = np.stack([np.stack([mix @ one for one in start]) for mix in self.rows.mix])
        return np.concatenate([self.at(moments, scenario) - begun[..., None], ends[..., None]], axis=3)


def room_drive(air: Dataset, drive: Drive, scenario: Scenario) -> RoomDrive | None:
    """The rooms along one hourly air; None where no room is in question."""
    more = room_rows(air, list(drive.speeds), scenario, drive.lags.time_constants_days)
    if more is None:
        return None
    rows, held = more
    whole = acting_lags(np.concatenate([drive.lags.lags_pct, held]), rows)
    acting = whole[drive.lags.lags_pct.shape[0] :]
    return RoomDrive(rows, np.stack([acting, held]), np.tile(drive.lags.time_constants_days, 2))
