"""Cold surfaces of a room: where water condenses and mould can grow, by the temperature factor of EN ISO 13788."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike

from driftmodel.advice.records import ColdSurface
from driftmodel.base import library
from driftmodel.base.records import Climate, Scenario
from driftmodel.base.types import Array, Dataset
from driftmodel.climate.air import make_air, months_of
from driftmodel.climate.history import climate_air, scenario_air
from driftmodel.climate.humid_air import saturation_pressure_pa
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
    limit = library.general("surface_humidity_mould").value
    result = []
    for name, key in SURFACES.items():
        wet = _humidity_at(inside, outside, library.general(key).value)
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
    factor = library.general("surface_temperature_factor_wall").value
    here = inside["time"].values >= np.datetime64(last.start.isoformat())
    warm, damp = inside["air_temperature"].values, inside["relative_humidity"].values
    wall_c = surface_temperature_c(warm, outside["air_temperature"].values, factor)
    wall_pct = np.minimum(_humidity_at(inside, outside, factor), 100.0)
    return make_air(
        inside["time"].values, np.where(here, wall_c, warm), np.where(here, wall_pct, damp), inside["filled"].values
    )
