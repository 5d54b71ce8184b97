"""Five guitars worked by closed forms, apart from the code: only the numbers of species_data and a design's response
go in. tests/test_reference_guitars.py holds the forecast against them.

Moisture: the two-hydrate isotherm of the Wood Handbook (FPL-GTR-190, 2010, Eq. 4-5). A slab in air that swings as a
sine: u'' = (i w / D) u with D u' = k (u - u_air) at each face (Carslaw and Jaeger 1959, Conduction of Heat in Solids,
3.6 and 3.10), solved exactly. Creep: the stated points and the power of time through the first two. Relaxation: x less
the lags of x. Geometry: equal temperament and a plane that turns about a fret.
"""

from __future__ import annotations

import math
import tomllib
from collections.abc import Mapping
from pathlib import Path

import numpy as np

DATA = Path(__file__).parents[2] / "species_data"
NUMBERS = {
    key: raw["value"]
    for path in DATA.glob("*.toml")
    if path.name not in ("sources.toml", "finishes.toml")
    for key, raw in tomllib.loads(path.read_text(encoding="utf-8")).items()
}
FINISHES = {
    name: one
    for one in tomllib.loads((DATA / "finishes.toml").read_text(encoding="utf-8"))["finish"]
    for name in (one["name"], *one.get("aliases", []))
}
DAY_S = 86400.0


def emc_pct(t: float, rh_pct: float) -> float:
    """Wood Handbook Eq. 4-5; at 21.1 degC and 65 % it says 12.0 % (table 4-2)."""
    h = rh_pct / 100.0
    w = 349.0 + 1.29 * t + 0.0135 * t * t
    k = 0.805 + 0.000736 * t - 0.00000273 * t * t
    k1, k2 = 6.27 - 0.00938 * t - 0.000303 * t * t, 1.91 + 0.0407 * t - 0.000293 * t * t
    a = k * h
    return 1800.0 / w * (a / (1 - a) + (k1 * a + 2 * k1 * k2 * a * a) / (1 + k1 * a + k1 * k2 * a * a))


def humidity_for(t: float, moisture_pct: float) -> float:
    low, high = 0.0, 99.0
    for _ in range(60):
        low, high = ((low + high) / 2, high) if emc_pct(t, (low + high) / 2) < moisture_pct else (low, (low + high) / 2)
    return low


def creep(component: str, days: float) -> float:
    """Creep at the reference state: a power of time through 30 days and a year, straight in logarithms to 7 years."""
    if days <= 0:
        return 0.0
    first, year, seven = (NUMBERS[f"creep_{component}_{at}"] for at in ("30_days", "1_year", "7_years"))
    if days <= 365.25:
        return float(first * (days / 30.0) ** (math.log(year / first) / math.log(365.25 / 30.0)))
    if days <= 7 * 365.25:
        return float(year * (days / 365.25) ** (math.log(seven / year) / math.log(7.0)))
    return float(seven + NUMBERS[f"creep_{component}_slow"] * math.log10(days / (7 * 365.25)))


def curve_of(component: str) -> str:
    return "along" if component == "root" else component


def lasting(shares: Mapping[tuple[str, str], float], pull_n: float, loads: list[tuple[float, float]]) -> float:
    """mm or degrees under load steps: (days since the step, change of the load)."""
    return pull_n * sum(
        share * sum(change * creep(curve_of(component), days) for days, change in loads)
        for (_, component), share in shares.items()
    )


def by_moisture(
    shares: Mapping[tuple[str, str], float], pull_n: float, from_pct: float, to_pct: float, days: float
) -> float:
    """mm or degrees that a one-way change of moisture adds after some days of load: more in damper wood."""
    first = NUMBERS["moisture_creep_first_days"]
    grown = math.log(1.0 + days / first) / math.log(1.0 + 7 * 365.25 / first)
    scale, middle = NUMBERS["moisture_creep_scale"], NUMBERS["creep_clock_moisture"]
    weigh = [scale * math.expm1((pct - middle) / scale) / 100.0 for pct in (from_pct, to_pct)]
    kind = {
        "along": "along",
        "root": "along",
        "across": "across",
        "shear": "shear",
        "through": "shear",
        "rolling": "shear",
    }
    rate = sum(
        share * NUMBERS[f"moisture_creep_{kind[component]}"]
        for (_, component), share in shares.items()
        if component in kind
    )
    return pull_n * rate * grown * abs(weigh[1] - weigh[0])


def relaxed_step(days: float) -> float:
    """What is left of a step of moisture after a time."""
    return 1.0 - sum(
        NUMBERS[f"relaxation_share_{unit}"] * (1.0 - math.exp(-days / NUMBERS[f"relaxation_time_{unit}"]))
        for unit in (1, 2, 3)
    )


def relaxed_sine(days_a_cycle: float) -> complex:
    w = 2 * math.pi / days_a_cycle
    return 1.0 - sum(
        NUMBERS[f"relaxation_share_{unit}"] / (1 + 1j * w * NUMBERS[f"relaxation_time_{unit}"]) for unit in (1, 2, 3)
    )


def slab_sine(
    thickness_mm: float, outside: str, inside: str | None, density: float, days_a_cycle: float
) -> tuple[complex, complex]:
    """Mean moisture, and outside less inside of the straight line through the profile, in air that swings by 1 about
    20 degC and 50 %; inside None: no moisture passes."""
    wet = math.exp(NUMBERS["diffusion_moisture_exponent"] * emc_pct(20.0, 50.0) / 100.0)
    d, emission = NUMBERS["diffusion_coefficient_20c"] * wet, NUMBERS["surface_emission_20c"] * wet

    def conductance(finish: str | None) -> float:
        if finish is None:
            return 0.0
        permeance = FINISHES[finish]["permeance"]["value"]
        if math.isinf(permeance):
            return emission
        slope = (emc_pct(20.0, 50.5) - emc_pct(20.0, 49.5)) / 1.0  # moisture fraction for a humidity fraction
        film = permeance * 2339.0 / (density * slope)  # 2339 Pa: saturation at 20 degC (Wagner and Pruss 2002)
        return 1.0 / (1.0 / emission + 1.0 / film)

    length, k0, k1 = thickness_mm / 1000.0, conductance(outside), conductance(inside)
    q = complex(np.sqrt(1j * 2 * math.pi / (days_a_cycle * DAY_S) / d))
    c, s = np.cosh(q * length), np.sinh(q * length)
    a, b = np.linalg.solve(
        [[-k0, d * q], [d * q * s + k1 * c, d * q * c + k1 * s]], np.array([-k0, k1], dtype=complex)
    )  # u = a cosh qx + b sinh qx, x from the outside
    mean = (a * s + b * (c - 1)) / (q * length)
    first = (a * (length * s / q - (c - 1) / q**2) + b * (length * c / q - s / q**2)) / length**2  # integral of u x
    return complex(mean), complex(-12.0 * (first - mean / 2.0))


def spacer_lift_mm(taper_from_mm: float, taper_to_mm: float, joint_mm: float, scale_mm: float, fret: int) -> float:
    """Saddle over the fret plane: the tangent of each taper's angle is taper / joint; it acts from the fret to the
    saddle, scale / 2^(fret / 12)."""
    return (taper_to_mm - taper_from_mm) / joint_mm * scale_mm / 2.0 ** (fret / 12.0)
