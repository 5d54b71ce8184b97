"""Sorption: the moisture content that air of a given temperature and humidity brings wood to, and its memory; and how
far wood then shrinks and swells.

Two rival laws share one signature: `history_without_hysteresis` and `history_with_hysteresis`.
Moisture contents are percent of oven-dry mass, humidities percent relative humidity; coefficients of movement are
strain (fraction) per 1 % moisture content."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import cache

import numpy as np
from numpy.typing import ArrayLike

from driftmodel.base import library
from driftmodel.base.errors import Spot, refusal
from driftmodel.base.schema import Array

#: the history that puts the wood on the desorption boundary: turning humidities in %, read from oven-dry wood on
FROM_SATURATED: tuple[float, ...] = (100.0,)


def _percent(relative_humidity_pct: ArrayLike) -> Array:
    humidity = np.asarray(relative_humidity_pct, dtype=float)
    wrong = ~((humidity >= 0.0) & (humidity <= 100.0))
    if wrong.any():
        first = int(np.argmax(wrong.ravel()))
        raise Spot(place=f"value {first + 1}" if humidity.ndim else None).refusal(
            f"relative humidity {humidity.ravel()[first]:g} %. Needed: a number from 0 to 100 %. "
            "Mend: give humidity in percent (not as a fraction) and mend readings outside 0 to 100"
        )
    return humidity


def equilibrium_moisture_content(temperature_c: ArrayLike, relative_humidity_pct: ArrayLike) -> Array:
    """Equilibrium moisture content, percent, of wood in still air (arrays broadcast).

    Wood Handbook (FPL-GTR-190, 2010) Eq. 4-5, the two-hydrate sorption law of Hailwood and Horrobin fitted by Simpson.
    The table it reproduces runs from -1.1 to 98.9 degC; colder or hotter values are an extrapolation.
    Raises BadInput for humidity outside 0..100 % or temperature outside -60..130 degC (or not a number)."""
    h = _percent(relative_humidity_pct) / 100.0
    t = np.asarray(temperature_c, dtype=float)
    if not np.all((t >= -60.0) & (t <= 130.0)):
        raise refusal(
            "a temperature that is missing or outside -60 to 130 degC. Needed: air temperature in degrees Celsius. "
            "Mend: give temperatures in degrees Celsius, without gaps"
        )
    w = 349.0 + 1.29 * t + 0.0135 * t**2
    k = 0.805 + 0.000736 * t - 0.00000273 * t**2
    k1 = 6.27 - 0.00938 * t - 0.000303 * t**2
    k2 = 1.91 + 0.0407 * t - 0.000293 * t**2
    x = k * h
    hydrates = (k1 * x + 2.0 * k1 * k2 * x**2) / (1.0 + k1 * x + k1 * k2 * x**2)
    return np.asarray(1800.0 / w * (x / (1.0 - x) + hydrates), dtype=float)


def isotherm_slope(temperature_c: ArrayLike, relative_humidity_pct: ArrayLike) -> Array:
    """Slope of the isotherm, moisture fraction per unit relative humidity (du/dh), by central difference of Eq. 4-5."""
    humidity = _percent(relative_humidity_pct)
    low, high = np.maximum(humidity - 0.5, 0.0), np.minimum(humidity + 0.5, 100.0)
    rise = equilibrium_moisture_content(temperature_c, high) - equilibrium_moisture_content(temperature_c, low)
    return np.asarray(rise / (high - low), dtype=float)


def _coefficients(way: str) -> tuple[float, ...]:
    """(a, b, c) of a boundary curve u = h / (a + b h + c h^2), u and h fractions: Norway spruce, Maas and Wittel
    (2026), measured at about 20 degC (CC BY 4.0)."""
    return tuple(library.value(f"hysteresis_{way}_{name}") for name in ("a", "b", "c"))


def _curve(relative_humidity_pct: ArrayLike, way: str) -> Array:
    h = _percent(relative_humidity_pct) / 100.0
    a, b, c = _coefficients(way)
    return np.asarray(100.0 * h / (a + b * h + c * h**2), dtype=float)


def adsorption_boundary(relative_humidity_pct: ArrayLike) -> Array:
    """Moisture content, percent, of wood wetted from oven-dry. Raises BadInput outside 0..100 %."""
    return _curve(relative_humidity_pct, "adsorption")


def desorption_boundary(relative_humidity_pct: ArrayLike) -> Array:
    """Moisture content, percent, of wood dried from saturation; joins the adsorption curve at 100 %.

    Above the humidity where the two published fits cross (near saturation) the adsorption curve is used for both."""
    return np.maximum(_curve(relative_humidity_pct, "desorption"), adsorption_boundary(relative_humidity_pct))


def middle_moisture(relative_humidity_pct: ArrayLike) -> Array:
    """Mean of the two boundary curves, percent."""
    return 0.5 * (adsorption_boundary(relative_humidity_pct) + desorption_boundary(relative_humidity_pct))


def scanning_moisture(relative_humidity_pct: ArrayLike, memory: Sequence[float] = FROM_SATURATED) -> Array:
    """Moisture content, percent, along histories of humidities (..., n), the same out, with the memory of turns.

    Independent domains with similarity (Mualem 1974; tested on wood by Peralta and Bangi 1998): between a turning point
    and the present humidity the moisture changes by [1 - H(lower)] [A(higher) - A(lower)], H = (D - A) / (A(1) - A),
    A and D the boundary curves. A loop that is passed is wiped out and the curve it left is taken up again.
    memory: earlier turning humidities in %, from oven-dry wood on; (100,) starts on the desorption boundary,
    () on the adsorption boundary. Raises BadInput outside 0..100 %."""
    told = np.atleast_1d(_percent(relative_humidity_pct))
    before = np.broadcast_to(np.asarray(memory, dtype=float), (*told.shape[:-1], len(memory)))
    humidity = np.concatenate([before, told], axis=-1)
    wetting, drying = adsorption_boundary(humidity), desorption_boundary(humidity)
    room = float(adsorption_boundary(100.0)) - wetting
    emptiness = 1.0 - np.divide(drying - wetting, room, out=np.ones_like(room), where=room > 1e-12)
    rows = zip(*(each.reshape(-1, humidity.shape[-1]).tolist() for each in (humidity, wetting, emptiness)), strict=True)
    return np.array([_scanned(*row)[len(memory) :] for row in rows]).reshape(told.shape)


def _scanned(humidity: list[float], wetting: list[float], emptiness: list[float]) -> list[float]:
    """The same of one history, its boundary curve A and its 1 - H."""
    # each turning point: humidity, A, 1 - H, moisture. The first, oven-dry, lies below every humidity: never wiped out.
    turns: list[tuple[float, float, float, float]] = [(-1.0, 0.0, 1.0, 0.0)]
    here = turns[0]
    rising = True
    moisture: list[float] = []
    for h, a, free in zip(humidity, wetting, emptiness, strict=True):
        if h > here[0]:
            if not rising:
                turns.append(here)
                rising = True
            while len(turns) > 1 and h >= turns[-2][0]:
                del turns[-2:]
            turn = turns[-1]
            here = (h, a, free, turn[3] + turn[2] * (a - turn[1]))
        elif h < here[0]:
            if rising:
                turns.append(here)
                rising = False
            while len(turns) > 2 and h <= turns[-2][0]:
                del turns[-2:]
            turn = turns[-1]
            here = (h, a, free, turn[3] - free * (turn[1] - a))
        moisture.append(here[3])
    return moisture


def memory_at_middle(relative_humidity_pct: float) -> tuple[float, float]:
    """The history that leaves wood half-way between the boundary curves at this humidity: (100, a drier turning point).

    Wood that has lain in changing air is on neither boundary. Where the past is unknown, one drying below the present
    humidity and a return to it, chosen so that the moisture is the mean of both curves, is the neutral start.
    Raises BadInput outside 0..100 %."""
    return _memory_at_middle(relative_humidity_pct, (_coefficients("adsorption"), _coefficients("desorption")))


@cache
def _memory_at_middle(relative_humidity_pct: float, _: tuple[tuple[float, ...], ...]) -> tuple[float, float]:
    from scipy.optimize import brentq

    target = float(middle_moisture(relative_humidity_pct))
    if not 0.1 < relative_humidity_pct < 99.0:
        return (100.0, float(relative_humidity_pct))

    def surplus(turn: float) -> float:
        return float(scanning_moisture([relative_humidity_pct], (100.0, turn))[0]) - target

    return (100.0, float(brentq(surplus, 0.0, relative_humidity_pct, xtol=1e-9)))


def hysteresis_offset(
    temperature_c: ArrayLike, relative_humidity_pct: ArrayLike, memory: Sequence[float] = FROM_SATURATED
) -> Array:
    """What memory adds to Eq. 4-5, percent MC, along histories of air (..., n), usually daily means.

    The measured pair of curves is scaled so that its middle is Eq. 4-5 at the temperature of the day:
    offset = (scanning / middle - 1) x EMC. Raises BadInput for air outside the range of Eq. 4-5."""
    humidity = np.atleast_1d(_percent(relative_humidity_pct))
    middle, scanning = middle_moisture(humidity), scanning_moisture(humidity, memory)
    relative = np.divide(scanning, middle, out=np.ones_like(middle), where=middle > 1e-9) - 1.0
    return relative * equilibrium_moisture_content(temperature_c, humidity)


def history_without_hysteresis(
    temperature_c: ArrayLike, relative_humidity_pct: ArrayLike, memory: Sequence[float] = FROM_SATURATED
) -> Array:
    """Eq. 4-5 at every hour, percent MC (n,): wood without memory, of which nothing is asked."""
    del memory
    return equilibrium_moisture_content(temperature_c, relative_humidity_pct)


def history_with_hysteresis(
    temperature_c: ArrayLike, relative_humidity_pct: ArrayLike, memory: Sequence[float] = FROM_SATURATED
) -> Array:
    """Eq. 4-5 at every hour plus the hysteresis offset of the day's mean air, percent MC (n,), n whole days.

    The memory runs on daily means because the swings within a day stay in a skin of the wood: they turn the surface
    round and round but not the thickness, and turning points of the hourly air would hold the whole section on
    wetting curves that only its skin has seen. Raises BadInput for part days and for air outside Eq. 4-5."""
    emc = np.atleast_1d(equilibrium_moisture_content(temperature_c, relative_humidity_pct))
    if emc.size % 24:
        raise refusal(
            f"{emc.size} values of air. Needed: whole days of 24 values. Mend: cut the air series at midnight"
        )
    humidity = np.broadcast_to(np.asarray(relative_humidity_pct, dtype=float), emc.shape)
    temperature = np.broadcast_to(np.asarray(temperature_c, dtype=float), emc.shape)
    offset = hysteresis_offset(temperature.reshape(-1, 24).mean(1), humidity.reshape(-1, 24).mean(1), memory)
    return np.maximum(emc + np.repeat(offset, 24), 0.0)


# ---- how far wood shrinks and swells across the grain, and what it stands --------------------------------------------


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


class TurningPoints:
    """The turning points of humidity that wood still remembers, from oven-dry on, and the present humidity: a passed
    one is wiped out together with the one before it (see `scanning_moisture`)."""

    def __init__(self, memory: Sequence[float]) -> None:
        self.turns, self.here, self.rising = [-1.0], 0.0, True
        self.pass_through(memory)

    def pass_through(self, humidity: Sequence[float]) -> None:
        """Go on along daily means, percent."""
        turns, here, rising = self.turns, self.here, self.rising
        for h in humidity:
            if h > here:
                if not rising:
                    turns.append(here)
                    rising = True
                while len(turns) > 1 and h >= turns[-2]:
                    del turns[-2:]
            elif h < here:
                if rising:
                    turns.append(here)
                    rising = False
                while len(turns) > 2 and h <= turns[-2]:
                    del turns[-2:]
            here = h
        self.here, self.rising = here, rising

    def alike(self, other: TurningPoints, within: float) -> bool:
        """True when both remember the same, within so many percent, so that the same air moves both alike for ever."""
        mine, its = (*self.turns, self.here), (*other.turns, other.here)
        return len(mine) == len(its) and all(abs(a - b) <= within for a, b in zip(mine, its, strict=True))


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
