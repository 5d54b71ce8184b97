"""What is not known of a house, how damp and how warm it is kept: multipliers of what its climate file says."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

import numpy as np

from driftmodel.base.records import Climate, Room
from driftmodel.base.schema import BAND, Array, Dataset
from driftmodel.climate.history import climate_air
from driftmodel.climate.place_air import record_span
from driftmodel.climate.room import drawn_room
from driftmodel.climate.room_fit import fitted
from driftmodel.outlook.draws import normal_stratified, room_unknowns

#: rooms run for a band where only the air is asked for
BAND_ROOMS = 60


def draw_rooms(room: Room, count: int, seed: int) -> dict[str, Array]:
    """`count` draws of a room's unknowns, (count,) each, by Latin hypercube; the same for the same seed."""
    return {
        name: unknown.median * np.exp(unknown.log_sd * normal_stratified(count, seed, name))
        for name, unknown in room_unknowns(room).items()
    }


def climate_of_draw(climate: Climate, factors: Mapping[str, float]) -> Climate:
    """The climate with its room as one draw has it."""
    climate = fitted(climate)
    return climate if climate.room is None else replace(climate, room=drawn_room(climate.room, factors))


def air_of_climate(climate: Climate, rooms: int = BAND_ROOMS, seed: int = 0) -> Dataset:
    """The air of a climate over its own record, or over a typical year; with a room also its 10 and 90 % points over
    drawn rooms: variables *_p10 and *_p90. attrs['typical_year'] tells which calendar it stands on.

    Raises BadInput as climate.history.climate_air does."""
    climate = fitted(climate)
    start, hours = record_span(climate)
    air = climate_air(climate, start, hours, seed=seed)
    air.attrs["room"] = 0 if climate.room is None else 1
    if climate.room is None or climate.outdoor is None:
        return air
    draws = draw_rooms(climate.room, rooms, seed)
    names = ("air_temperature", "relative_humidity")
    many = {name: np.empty((rooms, hours), dtype=np.float32) for name in names}
    for at in range(rooms):
        one = climate_of_draw(climate, {name: float(values[at]) for name, values in draws.items()})
        drawn = climate_air(one, start, hours, seed=seed)
        for name in names:
            many[name][at] = drawn[name].values
    for name in names:
        for share, values in zip(BAND, np.quantile(many[name], BAND, axis=0), strict=True):
            words = f"{round(100 * share)} % point over houses like this one"
            described: dict[str, Any] = {"units": air[name].attrs["units"], "long_name": words}
            air[f"{name}_p{round(100 * share)}"] = (("time",), values.astype(float), described)
    return air
