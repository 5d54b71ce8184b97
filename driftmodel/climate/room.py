"""One-zone room between outdoor air and the instrument: temperature, moisture balance, humidifier, dehumidifier.

Moisture balance of the room air with its furnishings, v vapour density (EN ISO 13788, section on internal moisture
excess; Kalamees, Vinha and Kurnitski 2006):  C dv/dt = n (v_out - v) + (G + W)/V,  C = 1 + n x buffer_hours,
so the room answers with the time constant 1/n + buffer_hours. The outdoor vapour density is used as it stands; that
warmed air expands (under 10 % from -5 to 21 degC) is neglected, as in that standard.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike, NDArray

from driftmodel.base.records import Humidifier, Room
from driftmodel.climate.air import in_months, make_air
from driftmodel.climate.humid_air import saturation_density_g_m3
from driftmodel.climate.lag import first_order_lag

if TYPE_CHECKING:
    from xarray import Dataset

Array = NDArray[np.float64]

#: an unheated, uncooled room follows outdoor air with this lag, and is this much warmer by people, sun and
#: appliances (common practice, no source)
THERMAL_LAG_HOURS = 8.0
FREE_GAIN_K = 2.0


@dataclass(frozen=True)
class MoistureFlows:
    """Hourly water flows of a room in kg/h, and its vapour density (mean over the hour, and stored water in kg).

    brought_in + source + humidifier = carried_out + removed + change of stored; arrays are (hour,).
    removed: condensate and what the dehumidifier took.
    """

    brought_in: Array
    carried_out: Array
    source: Array
    humidifier: Array
    removed: Array
    stored_start: Array
    stored_end: Array
    density_g_m3: Array


def room_temperature_c(
    outdoor_c: Array, room: Room, lag_hours: float = THERMAL_LAG_HOURS, gain_k: float = FREE_GAIN_K
) -> Array:
    """Room air temperature (hour,): outdoor air lagged plus a gain, held between the set points there are."""
    floating = first_order_lag(outdoor_c, lag_hours, float(outdoor_c[:24].mean())).mean + gain_k
    low = -np.inf if room.heating_setpoint_c is None else room.heating_setpoint_c
    high = np.inf if room.cooling_setpoint_c is None else room.cooling_setpoint_c
    return np.asarray(np.clip(floating, low, high))


def moisture_flows(
    outdoor_density_g_m3: Array,
    room_saturation_g_m3: Array,
    room: Room,
    humidifier: Humidifier | None,
    humidified: NDArray[np.bool_] | None,
) -> MoistureFlows:
    """The room's water balance; arrays are (hour,), `humidified` says in which hours the humidifier is switched on.

    Humidifier: W = n V (v_set - v_out) - G, between 0 and its capacity. Dehumidifier (strong enough for any load,
    on whenever the room is above its set point) and condensation cut the vapour at the end of each hour.
    """
    n, volume = room.air_changes_per_hour, room.volume_m3
    source = room.moisture_source_kg_per_day / 24.0
    air_flow = n * volume / 1000.0  # kg of water per hour and g/m3
    added = np.zeros_like(outdoor_density_g_m3)
    if humidifier is not None and humidified is not None:
        wanted = air_flow * (humidifier.setpoint_pct / 100.0 * room_saturation_g_m3 - outdoor_density_g_m3) - source
        added = np.where(humidified, np.clip(wanted, 0.0, humidifier.capacity_l_per_day / 24.0), 0.0)
    target = outdoor_density_g_m3 + (source + added) / air_flow
    share = 1.0 if room.dehumidified_to_pct is None else room.dehumidified_to_pct / 100.0
    ceiling = share * room_saturation_g_m3
    first = float(np.minimum(target, ceiling)[:24].mean())
    lagged = first_order_lag(target, 1.0 / n + room.buffer_hours, first, ceiling)
    stored = (1.0 + n * room.buffer_hours) * volume / 1000.0
    return MoistureFlows(
        brought_in=air_flow * outdoor_density_g_m3,
        carried_out=air_flow * lagged.mean,
        source=np.full_like(added, source),
        humidifier=added,
        removed=stored * lagged.removed,
        stored_start=stored * lagged.start,
        stored_end=stored * lagged.end,
        density_g_m3=np.minimum(lagged.mean, ceiling),
    )


def indoor_air(outdoor: Dataset, room: Room, humidifier: Humidifier | None = None) -> Dataset:
    """Air of the room standing in `outdoor` air: same hours; with a humidifier also humidifier_water (hour,), kg/h."""
    time = outdoor["time"].values
    outdoor_c = outdoor["air_temperature"].values
    outdoor_density = outdoor["relative_humidity"].values / 100.0 * saturation_density_g_m3(outdoor_c)
    temperature = room_temperature_c(outdoor_c, room)
    saturation = saturation_density_g_m3(temperature)
    humidified = None if humidifier is None else in_months(time, humidifier.months)
    flows = moisture_flows(outdoor_density, saturation, room, humidifier, humidified)
    humidity = np.clip(100.0 * flows.density_g_m3 / saturation, 0.0, 100.0)
    air = make_air(time, temperature, humidity, outdoor["filled"].values, outdoor.attrs)
    if humidifier is not None:
        described = {"units": "kg/h", "long_name": "water the humidifier gives off"}
        air["humidifier_water"] = (("time",), flows.humidifier, described)
    return air


def litres_per_day(air: Dataset) -> Array:
    """Water the humidifier gives off on each whole day, litres (day,); zeros when the air knows no humidifier."""
    hours = air.sizes["time"] // 24 * 24
    if "humidifier_water" not in air:
        return np.zeros(hours // 24)
    return np.asarray(air["humidifier_water"].values[:hours].reshape(-1, 24).sum(axis=1))


def indoor_air_standard(
    outdoor_daily_c: ArrayLike, high_occupancy: bool = False
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Indoor temperature (degC) and relative humidity (%) from outdoor daily means: EN 15026:2007 Annex C.

    Taken from one secondary source. Departs from it nowhere; high occupancy adds 10 % RH.
    """
    te = np.asarray(outdoor_daily_c, dtype=float)
    temperature = np.clip(0.5 * te + 15.0, 20.0, 25.0)
    humidity = np.clip(te + 40.0, 30.0, 60.0) + (10.0 if high_occupancy else 0.0)
    return temperature, humidity


def moisture_excess_g_m3(outdoor_daily_c: ArrayLike, excess_cold: float, excess_warm: float) -> NDArray[np.float64]:
    """Indoor over outdoor vapour density: excess_cold up to 5 degC outdoors, falling to excess_warm from 15 degC.

    The shape is of Kalamees, Vinha and Kurnitski (2006), 40 dwellings; the values are `moisture_excess_cold` and
    `moisture_excess_warm` of the library (their upper 10 %).
    """
    te = np.asarray(outdoor_daily_c, dtype=float)
    return np.asarray(np.interp(te, [5.0, 15.0], [excess_cold, excess_warm]))
