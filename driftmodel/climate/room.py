"""One-zone room between outdoor air and the instrument: temperature, vapour, cooling, humidifier, dehumidifier.

Temperature: the heating set point, or what the house comes to without heating where that is more: the line of
EN 15026:2007 Annex C, 20 degC at an outdoor mean of 10, half a kelvin up for each kelvin; no higher than the cooling
set point where there is one. Heating so runs only when it is needed, in whatever month that is.
Vapour: the household gives off a constant amount and opens windows as it gets warm, so that the excess over outdoors
falls as it gets warm outside: constant to 5 degC, constant from 15, straight between (Kalamees, Vinha and Kurnitski
2006; EN ISO 13788 has the same shape between 0 and 20 degC). A room that is cooled or dried keeps its windows shut.
The outdoor vapour density is used as it stands; that warmed air expands is neglected, as the surveys do."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from driftmodel.base.climate_file import Humidifier
from driftmodel.base.records import Room
from driftmodel.base.schema import Array, Dataset, Flags, Integers, Times
from driftmodel.climate.air import (
    OUTDOORS,
    hour_of_year,
    in_months,
    make_air,
    relative_humidity_pct,
    saturation_density_g_m3,
    vapour_density_g_m3,
)
from driftmodel.climate.enclosure import first_order_lag
from driftmodel.climate.room_moisture import Forcing, HouseNumbers, house_numbers, solve, steady_density

#: outdoor daily means between which the excess falls (Kalamees, Vinha and Kurnitski 2006)
COLD_C, WARM_C = 5.0, 15.0
#: outdoor mean above which an uncooled house warms (EN 15026:2007 Annex C)
WARMS_ABOVE_C = 10.0
#: hours of the record's clock in which the heating is set back, and how soon the room follows (common practice)
NIGHT_FROM, NIGHT_TO, SETBACK_LAG_HOURS = 22, 6, 4.0
#: no house changes its air more often (common practice, no source)
MOST_AIR_CHANGES = 10.0
#: the least excess with which air changes are reckoned from the source
LEAST_EXCESS_G_M3 = 1e-3


@dataclass(frozen=True)
class RoomHeat:
    """Room temperature in degC and share of full work at which its cooling runs, (step,)."""

    temperature_c: Array
    cooling: Array


@dataclass(frozen=True)
class MoistureFlows:
    """Water flows of a room in kg a step, its vapour density, and stored water in kg (step + 1,).

    brought_in + source + humidifier = carried_out + removed + change of stored; arrays are (step,).
    removed: what coil and dehumidifier took, and condensate."""

    brought_in: Array
    carried_out: Array
    source: Array
    humidifier: Array
    removed: Array
    stored: Array
    density_g_m3: Array


def moisture_excess_g_m3(outdoor_daily_c: ArrayLike, excess_cold: ArrayLike, excess_warm: ArrayLike) -> Array:
    """Indoor over outdoor vapour density at an outdoor daily mean: excess_cold to 5 degC, excess_warm from 15."""
    warm = np.clip((np.asarray(outdoor_daily_c, float) - COLD_C) / (WARM_C - COLD_C), 0.0, 1.0)
    return np.asarray((1.0 - warm) * np.asarray(excess_cold) + warm * np.asarray(excess_warm))


def trailing_day_mean(hourly: Array, step_hours: float = 1.0) -> Array:
    """Mean over the last 24 hours, (step,); over the first day: that day's."""
    steps = max(1, round(24.0 / step_hours))
    if steps == 1 or hourly.size <= steps:
        return np.full(hourly.size, hourly.mean()) if hourly.size <= steps else hourly
    sums = np.cumsum(np.concatenate([[0.0], hourly]))
    means = np.empty_like(hourly)
    means[steps - 1 :] = (sums[steps:] - sums[:-steps]) / steps
    means[: steps - 1] = means[steps - 1]
    return means


def room_heat(
    outdoor_c: Array,
    room: Room,
    hour: Integers | None = None,
    step_hours: float = 1.0,
    numbers: HouseNumbers | None = None,
) -> RoomHeat:
    """Temperature and cooling of a room in outdoor air (step,). hour: hour of the day of each step, for a set-back."""
    numbers = numbers or house_numbers()
    memory = numbers.outdoor_memory_hours / step_hours
    steps = max(1, round(24.0 / step_hours))
    te = first_order_lag(outdoor_c, memory, float(outdoor_c[:steps].mean())).mean
    set_back: float | Array = 0.0
    if room.night_setback_k > 0.0 and hour is not None:
        night = (hour >= NIGHT_FROM) | (hour < NIGHT_TO)
        set_back = (
            room.night_setback_k * first_order_lag(night.astype(float), SETBACK_LAG_HOURS / step_hours, 1 / 3).mean
        )
    return _heat_at(te, room, set_back, numbers)


def _heat_at(felt_c: Array, room: Room, set_back_k: float | Array, numbers: HouseNumbers) -> RoomHeat:
    """The same at outdoor temperatures as the house feels them."""
    slope = numbers.summer_slope * room.summer_warmth
    if room.heating_setpoint_c is None:
        free = felt_c + numbers.free_gain_k * room.summer_warmth
    else:
        free = room.heating_setpoint_c + np.maximum(slope * (felt_c - WARMS_ABOVE_C), -1.0 * np.asarray(set_back_k))
    if room.cooling_setpoint_c is None:
        return RoomHeat(free, np.zeros_like(free))
    work = (free - room.cooling_setpoint_c) / numbers.full_work_k
    return RoomHeat(np.minimum(free, room.cooling_setpoint_c), np.clip(work, 0.0, 1.0))


def moisture_flows(
    outdoor_c: Array,
    outdoor_density_g_m3: Array,
    heat: RoomHeat,
    room: Room,
    humidifier: Humidifier | None = None,
    humidified: Flags | None = None,
    step_hours: float = 1.0,
    numbers: HouseNumbers | None = None,
) -> MoistureFlows:
    """The room's water balance; arrays are (step,), `humidified` says in which steps the humidifier is switched on.

    The humidifier holds its set point within its capacity; a dehumidifier, strong enough for any load, and condensation
    hold the room below theirs; a coil at work draws the room toward saturation at its surface."""
    numbers = numbers or house_numbers()
    daily_c = trailing_day_mean(outdoor_c, step_hours)
    forcing = _forcing(daily_c, outdoor_density_g_m3, heat, room, humidifier, humidified, step_hours, numbers)
    found, air_changes = solve(forcing, numbers), forcing.air_changes
    kg = room.volume_m3 / 1000.0
    return MoistureFlows(
        brought_in=kg * step_hours * air_changes * outdoor_density_g_m3,
        carried_out=kg * step_hours * air_changes * found.density_g_m3,
        source=kg * step_hours * forcing.source,
        humidifier=kg * found.humidifier,
        removed=kg * found.removed,
        stored=kg * found.stored,
        density_g_m3=found.density_g_m3,
    )


def _forcing(
    daily_c: Array,
    outdoor_density_g_m3: Array,
    heat: RoomHeat,
    room: Room,
    humidifier: Humidifier | None,
    humidified: Flags | None,
    step_hours: float,
    numbers: HouseNumbers,
) -> Forcing:
    """What drives the water of a room, from outdoor daily means."""
    saturation = saturation_density_g_m3(heat.temperature_c)
    shut = np.clip(heat.cooling * numbers.full_work_k, 0.0, 1.0)
    if room.dehumidified_to_pct is not None:
        shut = np.ones_like(shut)
    open_excess = moisture_excess_g_m3(daily_c, room.excess_cold_g_m3, room.excess_warm_g_m3)
    excess = shut * room.excess_cold_g_m3 + (1.0 - shut) * open_excess
    made = room.air_changes_per_hour * np.asarray(room.excess_cold_g_m3)  # of the household, g/m3 h
    needed = np.minimum(made / np.maximum(excess, LEAST_EXCESS_G_M3), MOST_AIR_CHANGES)
    air_changes = np.where(made > 0.0, needed, room.air_changes_per_hour)
    ceiling = saturation * (1.0 if room.dehumidified_to_pct is None else room.dehumidified_to_pct / 100.0)
    wanted = np.zeros_like(saturation)
    capacity = 0.0
    if humidifier is not None and humidified is not None:
        wanted = np.where(humidified, humidifier.setpoint_pct / 100.0 * saturation, 0.0)
        capacity = humidifier.capacity_l_per_day / 24.0 * 1000.0 / room.volume_m3
    coil = numbers.coil_air_changes * heat.cooling
    return Forcing(outdoor_density_g_m3, saturation, air_changes, air_changes * excess, coil, wanted, capacity, ceiling,
                   step_hours)  # fmt: skip


def lasting_air(
    outdoor_c: Array,
    outdoor_density_g_m3: Array,
    room: Room,
    humidifier: Humidifier | None,
    humidified: Flags | None,
    numbers: HouseNumbers,
) -> tuple[Array, Array]:
    """Temperature and humidity of a room in outdoor air that lasts. A room drawn with arrays broadcasts with them."""
    heat = _heat_at(outdoor_c, room, 0.0, numbers)
    f = _forcing(outdoor_c, outdoor_density_g_m3, heat, room, humidifier, humidified, 24.0, numbers)
    density = steady_density(f, numbers.coil_density_g_m3)
    return heat.temperature_c, 100.0 * density / f.saturation


def room_air(
    outdoor_c: Array,
    outdoor_density_g_m3: Array,
    time: Times,
    room: Room,
    humidifier: Humidifier | None,
    step_hours: float = 1.0,
    numbers: HouseNumbers | None = None,
) -> tuple[Array, Array, MoistureFlows]:
    """Temperature in degC and humidity in % of the room in outdoor air, (step,) each, and its flows of water."""
    numbers = numbers or house_numbers()
    hour = hour_of_year(time) % 24 if step_hours == 1.0 else None
    heat = room_heat(outdoor_c, room, hour, step_hours, numbers)
    on = None if humidifier is None else switched_on(time, humidifier)
    flows = moisture_flows(outdoor_c, outdoor_density_g_m3, heat, room, humidifier, on, step_hours, numbers)
    return heat.temperature_c, relative_humidity_pct(heat.temperature_c, flows.density_g_m3), flows


def indoor_air(outdoor: Dataset, room: Room, humidifier: Humidifier | None = None) -> Dataset:
    """Air of the room standing in `outdoor` air: same hours; with a humidifier also humidifier_water (hour,), kg/h."""
    time = outdoor["time"].values
    outdoor_c = outdoor["air_temperature"].values
    outdoor_density = vapour_density_g_m3(outdoor_c, outdoor["relative_humidity"].values)
    warm, damp, flows = room_air(outdoor_c, outdoor_density, time, room, humidifier)
    air = make_air(time, warm, np.clip(damp, 0.0, 100.0), outdoor["filled"].values, outdoor.attrs)
    more: dict[str, Any] = {
        name: (("time",), values.astype(np.float32), {"units": unit})
        for (name, unit), values in zip(OUTDOORS.items(), (outdoor_c, outdoor_density), strict=True)
    }
    if humidifier is not None:
        described = {"units": "kg/h", "long_name": "water the humidifier gives off"}
        more["humidifier_water"] = (("time",), flows.humidifier, described)
    return air.assign(more)


def switched_on(time: Times, humidifier: Humidifier) -> Flags:
    """Hours in which a humidifier may run: those of its months, or all where none are named."""
    return in_months(time, humidifier.months or range(1, 13))


def drawn_room(room: Room, factors: Mapping[str, Any]) -> Room:
    """The room with what is not known of it multiplied: excess_cold, excess_warm, summer_warmth, heating_set_point."""
    heated = room.heating_setpoint_c
    return replace(
        room,
        excess_cold_g_m3=room.excess_cold_g_m3 * factors.get("excess_cold", 1.0),
        excess_warm_g_m3=room.excess_warm_g_m3 * factors.get("excess_warm", 1.0),
        summer_warmth=room.summer_warmth * factors.get("summer_warmth", 1.0),
        heating_setpoint_c=None if heated is None else heated * factors.get("heating_set_point", 1.0),
    )


def with_air_changes(room: Room, air_changes_per_hour: float) -> Room:
    """The same household in a house whose air changes more or less often: the excess follows."""
    by = room.air_changes_per_hour / air_changes_per_hour
    return replace(
        room,
        air_changes_per_hour=air_changes_per_hour,
        excess_cold_g_m3=by * room.excess_cold_g_m3,
        excess_warm_g_m3=by * room.excess_warm_g_m3,
    )
