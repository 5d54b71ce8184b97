"""Measures of care as changed climates: each says where it applies, what it changes, and the water it moves;
and the cold surfaces of a room, where water condenses and mould can grow (temperature factor of EN ISO 13788)."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from math import ceil
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike

from driftmodel.advice.records import ColdSurface
from driftmodel.base import library
from driftmodel.base.climate_file import Humidifier
from driftmodel.base.records import Climate, Scenario
from driftmodel.base.schema import Array, Dataset
from driftmodel.climate.air import in_months, make_air, months_of, saturation_pressure_pa, vapour_density_g_m3
from driftmodel.climate.enclosure import hard_case
from driftmodel.climate.history import climate_air, scenario_air
from driftmodel.climate.room import moisture_flows, room_heat
from driftmodel.outlook.air_levers import with_last_climate

if TYPE_CHECKING:
    from datetime import date

SURFACES = {"an outer wall": "surface_temperature_factor_wall", "a window": "surface_temperature_factor_window"}
HOURS = 8760


def surface_temperature_c(indoor_c: ArrayLike, outdoor_c: ArrayLike, factor: float) -> Array:
    """Inner surface temperature, T_out + f (T_in - T_out): the definition of f_Rsi, EN ISO 13788."""
    outside = np.asarray(outdoor_c, dtype=float)
    return np.asarray(outside + factor * (np.asarray(indoor_c, dtype=float) - outside))


def surface_humidity_pct(indoor_c: ArrayLike, indoor_pct: ArrayLike, surface_c: ArrayLike) -> Array:
    """Relative humidity of room air cooled to the surface, above 100 where water condenses."""
    return np.asarray(
        np.asarray(indoor_pct, dtype=float) * saturation_pressure_pa(indoor_c) / saturation_pressure_pa(surface_c)
    )


def outdoor_of(climate: Climate) -> Climate:
    """The same climate without room, humidifier and case: its outdoor air."""
    return replace(climate, room=None, humidifier=None, case=None)


def cold_surfaces(climate: Climate, start: date, seed: int) -> tuple[ColdSurface, ...]:
    """The check for wall and window over a year from `start`; empty for a climate that is not a room in outdoor air."""
    if climate.room is None or climate.outdoor is None:
        return ()
    inside = climate_air(replace(climate, case=None), start, HOURS, seed=seed)
    outside = climate_air(outdoor_of(climate), start, HOURS, seed=seed)
    month = months_of(inside["time"].values)
    limit = library.value("surface_humidity_mould")
    result = []
    for name, key in SURFACES.items():
        wet = _humidity_at(inside, outside, library.value(key))
        cold = outside["air_temperature"].values < inside["air_temperature"].values
        mould = tuple(m for m in range(1, 13) if wet[month == m].mean() > limit and cold[month == m].mean() > 0.5)
        result.append(ColdSurface(name, float(np.mean((wet > 100.0) & cold)), mould))
    return tuple(result)


def _humidity_at(inside: Dataset, outside: Dataset, factor: float) -> Array:
    indoor_c = inside["air_temperature"].values
    surface_c = surface_temperature_c(indoor_c, outside["air_temperature"].values, factor)
    return surface_humidity_pct(indoor_c, inside["relative_humidity"].values, surface_c)


def air_at_wall(scenario: Scenario, member: int) -> Dataset:
    """The scenario's air, but hung against the outer wall of the room of its last stay: the room's vapour at the
    wall's temperature. The last stay is a room in outdoor air."""
    last = scenario.stays[-1]
    inside = scenario_air(with_last_climate(scenario, replace(last.climate, case=None)), member)
    outside = scenario_air(with_last_climate(scenario, outdoor_of(last.climate)), member)
    factor = library.value("surface_temperature_factor_wall")
    here = inside["time"].values >= np.datetime64(last.start.isoformat())
    warm, damp = inside["air_temperature"].values, inside["relative_humidity"].values
    wall_c = surface_temperature_c(warm, outside["air_temperature"].values, factor)
    wall_pct = np.minimum(_humidity_at(inside, outside, factor), 100.0)
    return make_air(
        inside["time"].values, np.where(here, wall_c, warm), np.where(here, wall_pct, damp), inside["filled"].values
    )


YEAR_DAYS = 365
COOLER_K = 3.0
COOLEST_C = 16.0
ALL_MONTHS = tuple(range(1, 13))


@dataclass(frozen=True)
class Measure:
    """A measure fitted to one climate. litres: water moved on each day of a year (days,), in its months."""

    key: str
    words: str
    climate: Climate
    months: tuple[int, ...]
    litres: Array
    capacity_l_per_day: float


@dataclass(frozen=True)
class Need:
    """What a measure is to do: hold the air between keep's ends in the months at risk. start: first day looked at."""

    keep: tuple[float, float]
    dry: tuple[int, ...]
    damp: tuple[int, ...]
    start: date
    seed: int

    @property
    def set_point_pct(self) -> float:
        """Humidify to the middle of the lower half of the band, in whole percent, never above 50."""
        return float(min(50, round(self.keep[0] + 0.4 * (self.keep[1] - self.keep[0]))))


Maker = Callable[[Climate, Need], Measure | None]


def in_case(climate: Climate, need: Need) -> Measure | None:
    """Kept in its closed case when not played."""
    if climate.case is not None:
        return None
    words = "Keep it in its closed case when it is not played"
    return Measure("case", words, replace(climate, case=hard_case()), ALL_MONTHS, np.zeros(YEAR_DAYS), 0.0)


def case_humidifier(climate: Climate, need: Need) -> Measure | None:
    """In its case with a humidifier in the dry months. Water: what the case's leaks carry out."""
    if not need.dry or (climate.case is not None and climate.case.humidifier_pct is not None):
        return None
    base = climate.case or hard_case()
    case = replace(base, humidifier_pct=need.set_point_pct, humidifier_months=need.dry)
    room = climate_air(replace(climate, case=None), need.start, 24 * YEAR_DAYS, seed=need.seed)
    warm, damp = room["air_temperature"].values, room["relative_humidity"].values
    missing = np.maximum(vapour_density_g_m3(warm, need.set_point_pct) - vapour_density_g_m3(warm, damp), 0.0)
    missing = np.where(in_months(room["time"].values, need.dry), missing, 0.0)
    hourly = library.value("case_air_volume") * library.value("case_air_changes") / 24.0 * missing
    litres = hourly.reshape(-1, 24).sum(axis=1) / 1000.0
    words = f"In its case with a case humidifier at {need.set_point_pct:.0f} %"
    return Measure("case humidifier", words, replace(climate, case=case), need.dry, litres, float(litres.max()))


def room_humidifier(climate: Climate, need: Need) -> Measure | None:
    """A room humidifier in the dry months, of the capacity that 19 days in 20 ask for, in whole litres."""
    if climate.room is None or climate.outdoor is None or not need.dry or climate.humidifier is not None:
        return None
    boundless = replace(climate, case=None, humidifier=Humidifier(need.set_point_pct, 1e4, need.dry))
    air = climate_air(boundless, need.start, 24 * YEAR_DAYS, seed=need.seed)
    wanted = air["humidifier_water"].values.reshape(-1, 24).sum(axis=1)
    at_work = wanted[wanted > 0.0]
    if not at_work.size:
        return None
    capacity = float(max(1, ceil(np.quantile(at_work, 0.95))))
    changed = replace(climate, humidifier=Humidifier(need.set_point_pct, capacity, need.dry))
    words = f"A room humidifier at {need.set_point_pct:.0f} %"
    return Measure("room humidifier", words, changed, need.dry, np.minimum(wanted, capacity), capacity)


def cooler_room(climate: Climate, need: Need) -> Measure | None:
    """The same vapour in cooler air is damper: the heating turned down by three degrees."""
    room = climate.room
    if room is None or room.heating_setpoint_c is None or not need.dry:
        return None
    set_point = max(COOLEST_C, room.heating_setpoint_c - COOLER_K)
    if set_point >= room.heating_setpoint_c:
        return None
    changed = replace(climate, room=replace(room, heating_setpoint_c=set_point))
    words = f"Keep the room at {set_point:.0f} °C in winter instead of {room.heating_setpoint_c:.0f} °C"
    return Measure("cooler room", words, changed, need.dry, np.zeros(YEAR_DAYS), 0.0)


def dehumidifier(climate: Climate, need: Need) -> Measure | None:
    """A dehumidifier that holds the room below the top of the band; the water is what it takes out."""
    room = climate.room
    if room is None or climate.outdoor is None or not need.damp:
        return None
    target = float(min(60, round(need.keep[1] - 2.0)))
    if room.dehumidified_to_pct is not None and room.dehumidified_to_pct <= target:
        return None
    dried = replace(room, dehumidified_to_pct=target)
    outdoor = climate_air(outdoor_of(climate), need.start, 24 * YEAR_DAYS, seed=need.seed)
    outdoor_c = outdoor["air_temperature"].values
    density = vapour_density_g_m3(outdoor_c, outdoor["relative_humidity"].values)
    flows = moisture_flows(outdoor_c, density, room_heat(outdoor_c, dried), dried)
    litres = flows.removed.reshape(-1, 24).sum(axis=1)
    words = f"A dehumidifier that holds the room at {target:.0f} % or below"
    capacity = float(ceil(np.quantile(litres, 0.95)))
    return Measure("dehumidifier", words, replace(climate, room=dried), need.damp, litres, capacity)


def dehumidifier_and_humidifier(climate: Climate, need: Need) -> Measure | None:
    """Both, where the year has dry and damp months."""
    dried = dehumidifier(climate, need)
    both = None if dried is None else room_humidifier(dried.climate, need)
    if dried is None or both is None:
        return None
    words = f"Both: {both.words[0].lower()}{both.words[1:]}, and {dried.words[0].lower()}{dried.words[1:]}"
    return Measure("both", words, both.climate, tuple(sorted({*need.dry, *need.damp})), both.litres,
                   both.capacity_l_per_day)  # fmt: skip


MAKERS: tuple[Maker, ...] = (
    in_case, case_humidifier, room_humidifier, cooler_room, dehumidifier, dehumidifier_and_humidifier,
)  # fmt: skip


def measures_for(climate: Climate, need: Need) -> tuple[Measure, ...]:
    """The measures that apply to a climate."""
    return tuple(made for made in (maker(climate, need) for maker in MAKERS) if made is not None)
