"""Moist air: saturation pressure, vapour density and dew point, all over ice below freezing.

Source: Hyland and Wexler (1983), as printed in ASHRAE Handbook Fundamentals (2017), chapter 1, Eq. 5 (ice) and
Eq. 6 (water). Weather files follow water below freezing in some places and ice in others; reading the one as the
other moves the humidity of a heated room by about 1 % RH at most.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from driftmodel.base.types import Array

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

    Range -100 to 200 degC. Source: see the module.
    """
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

    over_water: both are over supercooled water below freezing, as many weather services report them.
    """
    law = saturation_pressure_over_water_pa if over_water else saturation_pressure_pa
    return 100.0 * law(dew_point_c) / law(temperature_c)
