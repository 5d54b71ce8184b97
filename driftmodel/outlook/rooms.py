"""The rooms of houses that differ: what is not known of them as multipliers of what their climate file says, their air,
and what it drives the wood with beside the median room's, in steps of days."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

import numpy as np

from driftmodel.base.arrays import first_order_recursion
from driftmodel.base.records import Climate, Room, Scenario
from driftmodel.base.schema import BAND, Array, Dataset, Integers, Times
from driftmodel.climate.air import vapour_density_g_m3
from driftmodel.climate.enclosure import inside_case
from driftmodel.climate.history import climate_air, lived_in_turn
from driftmodel.climate.place_air import record_span
from driftmodel.climate.room import drawn_room, room_air
from driftmodel.climate.room_fit import fitted
from driftmodel.climate.room_moisture import HouseNumbers, house_numbers
from driftmodel.outlook.calendar import day_of
from driftmodel.outlook.draws import normal_stratified, room_unknowns
from driftmodel.outlook.wood_air import built_moisture, pace_of, paces
from driftmodel.wood import sorption

Days = Integers
#: what is not known of a room, by name: times what its climate file says
Factors = Mapping[str, float]

#: of the rooms that are not run by the hour
STEP_DAYS = 5
#: rooms run for a band where only the air is asked for
BAND_ROOMS = 60


def draw_rooms(room: Room, count: int, seed: int) -> dict[str, Array]:
    """`count` draws of a room's unknowns, (count,) each, by Latin hypercube; the same for the same seed."""
    return {
        name: unknown.median * np.exp(unknown.log_sd * normal_stratified(count, seed, name))
        for name, unknown in room_unknowns(room).items()
    }


def climate_of_draw(climate: Climate, factors: Factors) -> Climate:
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


def outdoor_days(climate: Climate, start: Any, days: int, member: int = 0, seed: int = 0) -> tuple[Times, Array, Array]:
    """Days, and daily means of outdoor temperature and vapour density of a climate's place, (day,) each."""
    bare = replace(climate, room=None, humidifier=None, case=None)
    air = climate_air(bare, start, 24 * days, member=member, seed=seed)
    warm, damp = (air[name].values for name in ("air_temperature", "relative_humidity"))
    density = vapour_density_g_m3(warm, damp)
    return air["time"].values[::24], *(each.reshape(-1, 24).mean(axis=1) for each in (warm, density))


def home_drivers(air: Dataset, scenario: Scenario, climate: Climate, factors: Sequence[Factors], nodes: Days) -> Array:
    """What rooms with such factors in one climate drive the wood with beside the median's, along the hourly air of a
    scenario: at its `nodes`, (room, 2, step + 1), of thin and of thick parts, percent."""
    stays = lived_in_turn(scenario)
    begins = [day_of(scenario, stay.start) for stay in stays]
    days = air.sizes["time"] // 24
    warm, damp, outdoor_c, density = (
        air[name].values[: 24 * days].reshape(days, 24).mean(axis=1)
        for name in ("air_temperature", "relative_humidity", "outdoor_temperature", "outdoor_vapour_density")
    )
    own = np.zeros((2, 1 + len(factors), days))
    time = air["time"].values[: 24 * days : 24]
    for stay, begin, end in zip(stays, begins, [*begins[1:], days], strict=True):
        part = slice(min(begin, days), min(end, days))
        if part.stop > part.start and stay.climate == climate:
            found = _rooms(climate, factors, time[part], outdoor_c[part], density[part])
            own[:, :, part] = [each - each[0] for each in found]
    temperature, humidity = (_by_step(each + more, nodes) for each, more in zip((warm, damp), own, strict=True))
    return _felt(temperature, humidity, scenario, np.flatnonzero(np.isin(nodes[:-1], begins[1:])))


def place_drivers(
    climate: Climate, scenario: Scenario, factors: Sequence[Factors], time: Times, outdoor_c: Array, density: Array
) -> Array:
    """The same for one climate over days of outdoor air (day,): what lives that begin in different months share."""
    nodes = np.append(np.arange(0, time.size, STEP_DAYS), time.size)
    temperature, humidity = (_by_step(each, nodes) for each in _rooms(climate, factors, time, outdoor_c, density))
    return _felt(temperature, humidity, scenario, np.array([], dtype=np.intp))


def _by_step(daily: Array, nodes: Days) -> Array:
    """Means of daily values (room, day) over the steps between nodes, (room, step)."""
    return np.asarray(np.add.reduceat(daily, nodes[:-1], axis=1) / np.diff(nodes))


def _rooms(
    climate: Climate, factors: Sequence[Factors], time: Times, outdoor_c: Array, density: Array
) -> tuple[Array, Array]:
    """Temperature and humidity of the median room and of those with such factors, (1 + room, day)."""
    there, numbers = fitted(climate), house_numbers()
    found = [_daily_air(there, each, time, outdoor_c, density, numbers) for each in ({}, *factors)]
    warm, damp = (np.stack(each) for each in zip(*found, strict=True))
    return warm, damp


def _daily_air(
    climate: Climate, factors: Factors, time: Times, outdoor_c: Array, density: Array, numbers: HouseNumbers
) -> tuple[Array, Array]:
    """Temperature and humidity (day,) of a climate's room as drawn, in its case if it has one."""
    assert climate.room is not None
    room: Room = drawn_room(climate.room, factors)
    warm, damp, _ = room_air(outdoor_c, density, time, room, climate.humidifier, 24.0, numbers)
    return (warm, damp) if climate.case is None else inside_case(warm, damp, climate.case, time, 24.0)


def _felt(temperature: Array, humidity: Array, scenario: Scenario, moves: Days) -> Array:
    """What rooms drive the wood with beside the first of them, from air (room, step): (room - 1, 2, step + 1).

    A lag F of E follows F' = s (E - F) / tau, s the speed of moisture; beside another's, d for the difference:
    dF' = s (dE + (ds / s)(E + dE - F - dF) - dF) / tau. What stands beside dF is told: for thick parts, F at
    their mean response; thin ones lie so little behind the air that their own speed makes no difference. moves:
    nodes on which a place is moved to."""
    damp = np.clip(humidity, 1.0, 99.0)
    emc = np.asarray(sorption.equilibrium_moisture_content(temperature, damp))
    if scenario.hysteresis:
        memory = sorption.memory_at_middle(scenario.setup.built_relative_humidity_pct)
        emc = emc + sorption.hysteresis_offset(temperature, damp, memory=memory)
    thick = paces(scenario.instrument)[1]
    speed = pace_of(temperature, emc, thick, scenario, STEP_DAYS)
    behind = emc - _trailing(emc, np.exp(-speed[0] * STEP_DAYS / thick[1]), built_moisture(scenario))
    apart = emc[1:] - emc[0]
    felt = []
    for steps in (apart, apart + (speed[1:] / speed[0] - 1.0) * behind[1:]):
        ends = np.concatenate([steps[:, :1], steps, steps[:, -1:]], axis=1)
        middle = np.asarray((ends[:, 1:] + ends[:, :-1]) / 2.0)  # at a step's ends: the mean of the steps beside
        for node in moves:  # nothing of a place is felt before the day it is moved to
            middle[:, node] = ends[:, node]
        felt.append(middle)
    return np.stack(felt, axis=1)


def _trailing(steps: Array, keep: float | Array, start: float) -> Array:
    """First-order lag of steps (room, step) from `start`, the mean of before and after each."""
    after = first_order_recursion(keep, ((1.0 - keep) * steps).T, start).T
    return np.asarray((np.concatenate([np.full((len(steps), 1), start), after[:, :-1]], axis=1) + after) / 2.0)
