"""Cold surfaces of a room: where water condenses and mould can grow, by the temperature factor of EN ISO 13788."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike, NDArray

from driftmodel.advice.records import ColdSurface
from driftmodel.base import library
from driftmodel.base.records import Climate
from driftmodel.climate.air import make_air, months_of
from driftmodel.climate.history import climate_air
from driftmodel.climate.humid_air import saturation_pressure_pa

if TYPE_CHECKING:
    from datetime import date

    from xarray import Dataset

Array = NDArray[np.float64]
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
    from dataclasses import replace

    return replace(climate, room=None, humidifier=None, case=None)


def cold_surfaces(climate: Climate, start: date, seed: int) -> tuple[ColdSurface, ...]:
    """The check for wall and window over a year from `start`; empty for a climate that is not a room in outdoor air."""
    from dataclasses import replace

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


def air_at_wall(climate: Climate, start: date, seed: int, days: int = 365) -> Dataset:
    """A year's air against the outer wall of a climate's room: the room's vapour at the wall's temperature."""
    from dataclasses import replace

    inside = climate_air(replace(climate, case=None), start, 24 * days, seed=seed)
    outside = climate_air(outdoor_of(climate), start, 24 * days, seed=seed)
    factor = library.general("surface_temperature_factor_wall").value
    surface_c = surface_temperature_c(inside["air_temperature"].values, outside["air_temperature"].values, factor)
    wet = np.minimum(_humidity_at(inside, outside, factor), 100.0)
    return make_air(inside["time"].values, surface_c, wet, inside["filled"].values)
