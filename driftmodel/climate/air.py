"""The air: one dataset of equal hourly steps, made and checked in one place; and moist air: saturation pressure,
vapour density and dew point, all over ice below freezing.

Source: Hyland and Wexler (1983), as printed in ASHRAE Handbook Fundamentals (2017), chapter 1, Eq. 5 (ice) and
Eq. 6 (water). Weather files follow water below freezing in some places and ice in others; reading the one as the
other moves the humidity of a heated room by about 1 % RH at most."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from driftmodel.base.errors import Spot
from driftmodel.base.schema import VARIABLES, Array, Dataset, Flags, Integers, Times, described

ZERO_C_IN_K = 273.15
#: gas constant of water vapour, J/(kg K): 8.314462618 J/(mol K) over 18.015268 g/mol
GAS_CONSTANT_WATER = 461.523

_ICE = (-5.6745359e3, 6.3925247, -9.6778430e-3, 6.2215701e-7, 2.0747825e-9, -9.4840240e-13, 4.1635019)
_WATER = (-5.8002206e3, 1.3914993, -4.8640239e-2, 4.1764768e-5, -1.4452093e-8, 0.0, 6.5459673)


def _hyland_wexler_pa(temperature_k: Array, c: tuple[float, ...]) -> Array:
    """ASHRAE (2017) ch. 1 Eq. 5 and 6: ln p = c0/T + c1 + c2 T + c3 T^2 + c4 T^3 + c5 T^4 + c6 ln T."""
    t = temperature_k
    polynomial = c[1] + t * (c[2] + t * (c[3] + t * (c[4] + t * c[5])))
    return np.asarray(np.exp(c[0] / t + polynomial + c[6] * np.log(t)), dtype=float)


def saturation_pressure_over_water_pa(temperature_c: ArrayLike) -> Array:
    """Saturation pressure over water, supercooled below 0 degC, in Pa; same shape as `temperature_c`."""
    return _hyland_wexler_pa(np.asarray(temperature_c, dtype=float) + ZERO_C_IN_K, _WATER)


def saturation_pressure_pa(temperature_c: ArrayLike) -> Array:
    """Saturation pressure in Pa over water, over ice below 0 degC; same shape as `temperature_c` (degC).

    Range -100 to 200 degC. Source: see the module."""
    t = np.asarray(temperature_c, dtype=float)
    pressure = np.asarray(saturation_pressure_over_water_pa(t))
    frozen = t < 0.0
    if np.any(frozen):
        pressure = np.array(pressure)
        pressure[frozen] = _hyland_wexler_pa(t[frozen] + ZERO_C_IN_K, _ICE)
    return pressure


def saturation_density_g_m3(temperature_c: ArrayLike) -> Array:
    """Vapour density at saturation, g/m3 (ideal gas)."""
    t = np.asarray(temperature_c, dtype=float)
    return saturation_pressure_pa(t) * (1000.0 / GAS_CONSTANT_WATER) / (t + ZERO_C_IN_K)


def vapour_density_g_m3(temperature_c: ArrayLike, relative_humidity_pct: ArrayLike) -> Array:
    """Vapour density (absolute humidity) in g/m3 of air at `temperature_c` and `relative_humidity_pct`."""
    return np.asarray(relative_humidity_pct, dtype=float) / 100.0 * saturation_density_g_m3(temperature_c)


def relative_humidity_pct(temperature_c: ArrayLike, vapour_density: ArrayLike) -> Array:
    """Relative humidity in % of air holding `vapour_density` g/m3; above 100 where that is more than saturation."""
    return 100.0 * np.asarray(vapour_density, dtype=float) / saturation_density_g_m3(temperature_c)


def relative_humidity_from_dew_point_pct(
    temperature_c: ArrayLike, dew_point_c: ArrayLike, *, over_water: bool = False
) -> Array:
    """Relative humidity in % from air temperature and dew point (frost point below 0 degC).

    over_water: both are over supercooled water below freezing, as many weather services report them."""
    law = saturation_pressure_over_water_pa if over_water else saturation_pressure_pa
    return 100.0 * law(dew_point_c) / law(temperature_c)


HOUR = np.timedelta64(1, "h")
#: the year whose calendar a typical year is written on; no leap day
TYPICAL_YEAR = 2001
GAP_POLICIES = ("interpolate", "hold")
#: the longest gap that a named policy fills unless another limit is named
LONGEST_FILL_DAYS = 7.0


def hours_from(start: Any, hours: int) -> Times:
    """Stamps of `hours` hourly steps from `start` (a date, datetime64 or ISO text)."""
    first = np.datetime64(start).astype("datetime64[h]")
    return np.asarray((first + np.arange(hours) * HOUR).astype("datetime64[ns]"))


def make_air(
    time: Times,
    temperature_c: ArrayLike,
    relative_humidity_pct: ArrayLike,
    filled: ArrayLike | None = None,
    attrs: dict[str, Any] | None = None,
) -> Dataset:
    """An air dataset: time (hour,), air_temperature degC, relative_humidity %, filled 0/1 (int8).

    Each value is the mean over [t, t + 1 h). A value outside the range of base/schema.py is a fault of the caller
    (ValueError): readers raise BadInput before they come here."""
    from xarray import Dataset

    given = {
        "air_temperature": np.asarray(temperature_c, dtype=float),
        "relative_humidity": np.asarray(relative_humidity_pct, dtype=float),
        "filled": np.zeros(time.size, dtype=np.int8) if filled is None else np.asarray(filled).astype(np.int8),
    }
    variables = {}
    for name, values in given.items():
        known = VARIABLES[name]
        if not (values.min() >= known.low and values.max() <= known.high):  # false for NaN as well
            raise ValueError(f"{name} outside {known.low} to {known.high} {known.unit}")
        variables[name] = (("time",), values, known.attrs())
    return described(Dataset(variables, coords={"time": time}, attrs=attrs or {}))


#: what stands outdoors of a room, kept beside its air so that other rooms can stand there too
OUTDOORS = {"outdoor_temperature": "degC", "outdoor_vapour_density": "g/m3"}


def with_outdoors(air: Dataset, other: Dataset) -> Dataset:
    """The air with what `other` knows of outdoors, if it does."""
    if all(name in other for name in OUTDOORS):
        air = air.assign({name: other[name] for name in OUTDOORS})
    return air


def months_of(time: Times) -> Integers:
    """Calendar month, 1 to 12, of each stamp."""
    months: Integers = time.astype("datetime64[M]").astype(np.int64) % 12 + 1
    return months


def in_months(time: Times, months: Iterable[int]) -> Flags:
    """True where the stamp lies in one of `months` (1 to 12)."""
    return np.isin(months_of(time), list(months))


def hour_of_year(time: Times) -> Integers:
    """Hour of a 365-day year, 0 to 8759, of each stamp; 29 February repeats 28 February."""
    at, hour = np.divmod(time.astype("datetime64[h]").astype(np.int64), 24)
    first, last = (at.min(), at.max()) if at.size else (0, 0)
    days = np.arange(first, last + 1).astype("datetime64[D]")  # worked out for each day, not each hour
    years = days.astype("datetime64[Y]")
    day = (days - years.astype("datetime64[D]")).astype(np.int64)
    number = years.astype(np.int64) + 1970
    leap = (number % 4 == 0) & ((number % 100 != 0) | (number % 400 == 0))
    day = np.where(leap & (day >= 59), day - 1, day)
    return np.asarray(day[at - first] * 24 + hour)


def check_gap_policy(gap_policy: str | None, file: str | Path | None = None) -> None:
    """Raises BadInput unless the policy is None, 'interpolate' or 'hold'."""
    if gap_policy is not None and gap_policy not in GAP_POLICIES:
        raise Spot(file, "gap_policy").refusal(
            f'gap policy "{gap_policy}". Needed: interpolate (a straight line across the gap), hold (the last value), '
            'or none named (gaps refused). Mend: gap_policy = "interpolate"'
        )


def fill_gaps(values: Array, missing: Flags, gap_policy: str) -> Array:
    """`values` with the hours in `missing` filled along the one axis; the ends take the nearest value there is."""
    known = np.flatnonzero(~missing)
    where = np.arange(values.size)
    if gap_policy == "interpolate":
        return np.asarray(np.interp(where, known, values[known]))
    last = np.searchsorted(known, where, side="right") - 1
    return np.asarray(values[known[np.maximum(last, 0)]])


def longest_run(missing: Flags) -> tuple[int, int]:
    """First index and length of the longest run of True (0, 0 when there is none)."""
    edges = np.flatnonzero(np.diff(np.concatenate([[0], missing.astype(np.int8), [0]])))
    if edges.size == 0:
        return 0, 0
    starts, lengths = edges[::2], edges[1::2] - edges[::2]
    best = int(np.argmax(lengths))
    return int(starts[best]), int(lengths[best])
