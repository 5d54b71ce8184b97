"""Movement: how far wood shrinks and swells across the grain, and what it stands.

Coefficients are strain (fraction) per 1 % moisture content; moisture contents are percent of oven-dry mass."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import ArrayLike

from driftmodel.base.errors import refusal
from driftmodel.base.schema import Array
from driftmodel.wood.sorption import middle_moisture


def dimension_change(
    dimension_mm: ArrayLike, initial_mc_pct: ArrayLike, final_mc_pct: ArrayLike, coefficient: ArrayLike
) -> Array:
    """Change of a dimension in mm, D C (M_F - M_I): Wood Handbook Eq. 13-2, meant for moisture from 6 to 14 %."""
    change = np.asarray(final_mc_pct, dtype=float) - np.asarray(initial_mc_pct, dtype=float)
    return np.asarray(np.asarray(dimension_mm, float) * np.asarray(coefficient, float) * change, dtype=float)


def ring_angle_coefficient(
    coefficient_radial: ArrayLike, coefficient_tangential: ArrayLike, angle_deg: ArrayLike
) -> Array:
    """Coefficient across a face cut at an angle to the radial direction: C_R cos^2 + C_T sin^2 (rotation of strain).

    angle_deg: 0 quarter-sawn, 90 flat-sawn."""
    across = np.sin(np.deg2rad(np.asarray(angle_deg, dtype=float))) ** 2
    radial, tangential = np.asarray(coefficient_radial, dtype=float), np.asarray(coefficient_tangential, dtype=float)
    return np.asarray(radial * (1.0 - across) + tangential * across, dtype=float)


def restrained_strain(initial_mc_pct: ArrayLike, final_mc_pct: ArrayLike, coefficient: ArrayLike) -> Array:
    """Mechanical strain (fraction) of wood held fast, C (M_I - M_F): + is tension, from drying."""
    return -dimension_change(1.0, initial_mc_pct, final_mc_pct, coefficient)


def safe_humidity_band(
    settled_humidity_pct: float,
    coefficient: float,
    strain_limit: float,
    isotherm: Callable[[float], ArrayLike] = middle_moisture,
) -> tuple[float, float]:
    """Relative humidities in % between which wood held fast since settling stays inside the strain limit (fraction).

    isotherm: humidity in % -> moisture content in %; by default the mean of the measured spruce curves.
    A bound that no humidity reaches is 0 or 100. Raises BadInput for humidity outside 0..100 % or a coefficient or
    limit that is not positive. Published limits: Mecklenburg, Tumosa and Erhardt (1998): yield 0.004, failure 0.009."""
    from scipy.optimize import brentq

    if not (coefficient > 0.0 and strain_limit > 0.0):
        raise refusal(
            f"coefficient {coefficient:g}, strain limit {strain_limit:g}. Needed: both above 0. "
            "Mend: check the wood's numbers"
        )
    settled = float(np.asarray(isotherm(settled_humidity_pct)))

    def excess(humidity: float, limit: float) -> float:
        return float(restrained_strain(settled, isotherm(humidity), coefficient)) - limit

    low, high = 0.0, 100.0
    if excess(low, strain_limit) > 0.0:
        low = float(brentq(excess, 0.0, settled_humidity_pct, args=(strain_limit,)))
    if excess(high, -strain_limit) < 0.0:
        high = float(brentq(excess, settled_humidity_pct, 100.0, args=(-strain_limit,)))
    return low, high
