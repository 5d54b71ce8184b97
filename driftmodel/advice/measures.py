"""Measures of care as changed climates: each says where it applies, what it changes, and the water it moves."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from math import ceil
from typing import TYPE_CHECKING

import numpy as np

from driftmodel.advice.surfaces import outdoor_of
from driftmodel.base import library
from driftmodel.base.climate_file import Humidifier
from driftmodel.base.records import Climate
from driftmodel.base.types import Array
from driftmodel.climate.air import in_months
from driftmodel.climate.enclosure import hard_case
from driftmodel.climate.history import climate_air
from driftmodel.climate.humid_air import saturation_density_g_m3, vapour_density_g_m3
from driftmodel.climate.room import moisture_flows, room_heat

if TYPE_CHECKING:
    from datetime import date

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
    hourly = library.general("case_air_volume").value * library.general("case_air_changes").value / 24.0 * missing
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
    density = outdoor["relative_humidity"].values / 100.0 * saturation_density_g_m3(outdoor_c)
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
