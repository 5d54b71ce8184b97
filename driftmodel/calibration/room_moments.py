"""What the guitar's own room does at the moments: the room's terms of outlook.room_lags, seen like the median room."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
from xarray import Dataset

from driftmodel.base.records import Scenario
from driftmodel.base.schema import Array
from driftmodel.calibration.moments import ROWS, CreepAtMoments, Drive, Moment, Table
from driftmodel.outlook.calendar import day_of, reference_state
from driftmodel.outlook.draws import WIDEST_SD
from driftmodel.outlook.lasting import PARTS_MET, THICK_PART, THIN_PART, creep_history, heat_of_days, met_by_part
from driftmodel.outlook.movement import acting_lags
from driftmodel.outlook.room_lags import RoomRows, room_rows, room_weights

#: shapes of the weights that the room's part is told with: the first ones hold all but a hundredth of it
SHAPES = 20


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


def terms_of(rooms: RoomRows, values: Mapping[str, Array]) -> Array:
    """The room's terms of particles, (n, term)."""
    count = next(iter(values.values())).size
    return rooms.terms(values, count)


def with_rooms(
    creep: CreepAtMoments, rooms: RoomDrive | None, air: Dataset, drive: Drive, scenario: Scenario, table: Table
) -> CreepAtMoments:
    """Creep that knows how the room's unknowns change the range of moisture met: the slope of its logarithm in each, at
    the middle of the transport unknowns."""
    if rooms is None:
        return creep
    days = np.arange(day_of(scenario, scenario.setup.setup), drive.lags.lags_pct.shape[1])
    lags = np.concatenate([drive.lags.lags_pct, rooms.path[1]])
    history = creep_history(scenario, lags, heat_of_days(air["air_temperature"].values), days)
    on = table.on(np.zeros((1, 3)))
    weights = {part: on @ table.weights[ROWS.index(part)] for part in (THIN_PART, THICK_PART)}

    def met(name: str, far: float) -> Array:
        terms = terms_of(rooms.rows, {name: np.array([far])})
        own = {part: room_weights(each, rooms.rows, terms) for part, each in weights.items()}
        return np.concatenate([met_by_part(history, own)[part] for part in PARTS_MET])

    slopes = [
        0.5 * np.log((met(name, np.exp(log_sd)) + 1e-4) / (met(name, np.exp(-log_sd)) + 1e-4))
        for name, log_sd in rooms.rows.unknowns
    ]
    return replace(creep, by_room=np.stack(slopes, axis=1), rooms=rooms.rows.unknowns)


def room_factor(creep: CreepAtMoments, values: Mapping[str, Array]) -> Array:
    """What the rooms of particles make of the range of moisture met, (part, n, moments)."""
    away = [np.clip(np.log(values[name]) / log_sd, -WIDEST_SD, WIDEST_SD) for name, log_sd in creep.rooms]
    return np.asarray(np.exp(np.array(away).T @ creep.by_room))
