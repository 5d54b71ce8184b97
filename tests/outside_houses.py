"""Houses by laws that are not the model's, from surveys that set none of its numbers: what its drawn rooms are held to.

A house is warmed to what its region's surveys found and warms in summer above a threshold of its own; its windows open
along a logistic curve of the outdoor mean; draughts grow in frost with the root of the difference of temperatures; one
store holds its humidity back for days; habits change from month to month; the logger on the shelf has an error.

Read in their abstracts: Nguyen, Schwartz and Dockery (2014), 16 homes in Boston, a year: indoors by 0.04 K a kelvin
where it is cold, 0.41 where it is warm. Yeom and others (2012), 14 homes in Seoul: heating to 15 degC outdoors.
Arumaegi, Kalamees and Kallavus (2015), 41 Estonian flats: 21.0 degC in winter, 24.5 in summer, excess 3.3 g/m3 in the
cold, 0.6 in the warm. 34 flats in New York, winter 2014-15: 6.7 mbar indoors, some 2.4 g/m3 over outdoors by our own
reckoning. Kent, Handegord and Robson (1966), Canadian houses: 25-30 % in winter, some 3 g/m3 at -10 degC. Teli and
others (2019), 1,306 Swedish homes: means over a range of 9 K. Kane, Firth and Lomas (2015), 249 English homes: rooms
from 9.7 to 25.7 degC in winter; 124 more (2021): 19.0 in living rooms, 18.7 in bedrooms over the heating season. BRANZ
(2024), New Zealand: living rooms 17.8, then 20; bedrooms 13.6, then 16.1 degC.
From memory: excess 1.7 and 1.2 g/m3 in Swedish houses and flats, 2 in Trondheim, 2.2 in England, all sds; normals of
towns, rounded; windows, store, habits and error of a logger (1.5 %).
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from driftmodel.base.climate_file import Normals
from driftmodel.climate.air import months_of, saturation_density_g_m3, vapour_density_g_m3
from driftmodel.climate.enclosure import first_order_lag
from driftmodel.climate.synthetic import synthetic_air
from driftmodel.climate.weather import read_weather

Array = NDArray[np.float64]
WEATHER = Path(__file__).parents[1] / "scenarios" / "weather"


def town(temperature: tuple[float, ...], humidity: tuple[float, ...]) -> Normals:
    """A town's outdoor air from its monthly normals."""
    return Normals(temperature, humidity, (8,) * 12, 3.0, 8.0, 3.0)


#: towns: outdoor air, what homes there are heated to (mean, sd), excess of vapour in the cold (mean, sd)
TOWNS: dict[str, tuple[str | Normals, tuple[float, float], tuple[float, float]]] = {
    "cold, Great Lakes": ("chicago", (20.8, 1.6), (2.5, 1.2)),
    "cold, Quebec": (town((-10, -8, -2, 6, 13.5, 18.5, 21, 20, 15.5, 8.5, 2, -6),
                          (73, 70, 67, 61, 60, 64, 66, 69, 72, 72, 76, 77)), (20.8, 1.5), (3.0, 1.3)),
    "cold, Estonia": (town((-4, -4.5, -1, 5, 11, 15, 18, 17, 12, 7, 2, -2),
                           (88, 85, 79, 71, 68, 73, 76, 78, 82, 85, 89, 89)), (21.0, 1.8), (3.0, 1.5)),
    "cold, Sweden": (town((-1.7, -2, 1, 5.5, 11.5, 16, 18.5, 17.5, 13, 8, 3.5, 0),
                          (86, 83, 76, 66, 62, 64, 69, 74, 80, 85, 88, 88)), (21.6, 1.5), (1.6, 0.9)),
    "maritime, Alaska": ("sand_point", (20.0, 1.8), (2.2, 1.2)),
    "maritime, England": (town((5.5, 5.5, 8, 10.5, 13.5, 16.5, 19, 18.5, 16, 12, 8.5, 6),
                               (82, 79, 75, 70, 69, 69, 69, 71, 75, 80, 83, 84)), (18.8, 2.3), (2.2, 1.2)),
    "maritime, New Zealand": (town((17.4, 17, 15.3, 12.1, 9.2, 6.5, 6, 7.3, 9.5, 11.5, 13.6, 16),
                                   (70, 75, 78, 80, 82, 84, 84, 80, 74, 72, 68, 68)), (17.5, 2.0), (2.0, 1.1)),
}  # fmt: skip


def outdoors_of(town: str) -> Any:
    """Hourly outdoor air of a town over a year."""
    air = TOWNS[town][0]
    return read_weather(WEATHER / f"{air}.csv") if isinstance(air, str) else synthetic_air(air, "2025-01-01", 8760, 5)


def houses_of(town: str, outdoor: Any, houses: int, seed: int) -> Array:
    """Monthly humidity (house, 12) of homes of a town, standing in its outdoor air."""
    _, heated, damp = TOWNS[town]
    random = np.random.default_rng(seed)
    t, h = (outdoor[name].values for name in ("air_temperature", "relative_humidity"))
    te, ve = (each.reshape(-1, 24).mean(axis=1) for each in (t, vapour_density_g_m3(t, h)))
    month = months_of(outdoor["time"].values[::24]) - 1
    found = np.empty((houses, 12))
    for at in range(houses):
        felt = first_order_lag(te, random.uniform(0.5, 5.0), te[:5].mean()).mean
        turn, slope = random.normal(12.0, 2.0), max(0.0, random.normal(0.45, 0.12))
        habit = random.normal(0.0, 0.4, 12)
        inside = random.normal(*heated) + 0.04 * np.minimum(felt - turn, 0.0) + slope * np.maximum(felt - turn, 0.0)
        inside = inside + random.normal(0.5, 0.7) * (felt > turn) + habit[month]
        shape = (damp[0] / damp[1]) ** 2
        cold = random.gamma(shape, damp[0] / shape) * (21.0 / np.maximum(inside - te, 8.0)) ** (0.5 * random.random())
        cold = cold * np.exp(random.normal(0.0, 0.2, 12))[month]
        opened = 1.0 / (1.0 + np.exp(-(felt - random.normal(10.5, 2.0)) / random.uniform(1.0, 2.5)))
        excess = (1.0 - opened) * cold + opened * random.normal(0.6, 0.5)
        humidity = 100.0 * (ve + excess) / saturation_density_g_m3(inside)
        store = float(np.exp(random.normal(np.log(8.0), 0.7)))
        kept = first_order_lag(np.concatenate([humidity[-90:], humidity]), store, humidity[-90]).mean[90:]
        shown = kept + random.normal(0.0, 1.5)
        found[at] = [shown[month == each].mean() for each in range(12)]
    return found.clip(1.0, 99.0)
