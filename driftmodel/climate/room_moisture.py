"""The room's water: one balance of air, two stores, coil, humidifier and dehumidifier, solved at once for all hours.

v vapour density of the room air, h_i humidity of a store as a fraction, v_s saturation in the room, v_r at 20 degC:

    dv/dt = n (v_out - v) + G/V + W/V - k (v - v_coil)+ - sum S_i v_r / tau_i (v/v_s - h_i)
    dh_i/dt = (v/v_s - h_i) / tau_i

A store holds as much water as S_i room volumes of air do at the same relative humidity, and follows the room's humidity
in the time tau_i, whatever the draughts are. Steps are implicit (each hour's flows at its own state), so that water
closes to rounding and no step overshoots. What is switched (coil, humidifier, ceiling) makes the recursion piecewise
linear: it is solved for a guess of the switches, the switches are read off the answer, and so on until they agree."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from driftmodel.base import library
from driftmodel.base.arrays import banded_recursion
from driftmodel.base.schema import Array, Flags
from driftmodel.climate.air import saturation_density_g_m3

REFERENCE_C = 20.0
#: switches agree after a few rounds; each round sets at least one more step right
MOST_ROUNDS = 500
SETTLED_G_M3 = 1e-10
#: in steps as long as a room's memory the first guess is not worth its time
WALKED_BELOW_HOURS = 12.0
#: stretches of the first guess, and how long before each it begins
STRETCH_DAYS, LEAD_DAYS = 2, 4


@dataclass(frozen=True)
class Forcing:
    """What drives the room's water, all (step,): outdoor vapour and saturation in the room, g/m3; air changes and
    coil, 1/h; source, g/m3 h. wanted: density a humidifier holds, 0 where it is off; capacity: what it can give,
    g/m3 h; ceiling: density never passed (dehumidifier, saturation)."""

    outdoor: Array
    saturation: Array
    air_changes: Array
    source: Array
    coil: Array
    wanted: Array
    capacity: float
    ceiling: Array
    step_hours: float = 1.0

    @property
    def ceiling_bites(self) -> bool:
        """True where something other than saturation holds the room down."""
        return bool((self.ceiling < self.saturation).any())


@dataclass(frozen=True)
class Balance:
    """Vapour density (step,) and, per m3 of room, what was given and taken in each step, g/m3; stored: (step + 1,)."""

    density_g_m3: Array
    humidifier: Array
    removed: Array
    stored: Array


@dataclass(frozen=True)
class HouseNumbers:
    """The library's numbers of houses, read once for all that runs a room: see species_data/home.toml."""

    outdoor_memory_hours: float
    summer_slope: float
    free_gain_k: float
    full_work_k: float
    coil_air_changes: float
    coil_density_g_m3: float
    store_volumes: tuple[float, float]
    store_hours: tuple[float, float]


def house_numbers() -> HouseNumbers:
    """The numbers of houses as the library has them."""
    number = library.value
    return HouseNumbers(
        number("room_outdoor_memory"),
        number("room_summer_slope"),
        number("room_free_gain"),
        number("cooling_full_work"),
        number("cooling_coil_air_changes"),
        float(saturation_density_g_m3(number("cooling_coil_temperature"))),
        (number("room_quick_store_volumes"), number("room_slow_store_volumes")),
        (number("room_quick_store_hours"), number("room_slow_store_hours")),
    )


@dataclass(frozen=True)
class _Switches:
    """What is on in each step: coil (bool), water (0 off, 1 held at the set point, 2 at capacity), cut (bool)."""

    coil: Flags
    water: NDArray[np.int8]
    cut: Flags


class _Steps:
    """The implicit steps of one forcing, and what they give from a known state before each."""

    def __init__(self, forcing: Forcing, numbers: HouseNumbers) -> None:
        dt, self.forcing, self.coil_at = forcing.step_hours, forcing, numbers.coil_density_g_m3
        taus, volumes = np.array(numbers.store_hours), np.array(numbers.store_volumes)
        self.held = volumes * float(saturation_density_g_m3(REFERENCE_C))  # g/m3 per unit of humidity
        self.follow = dt / (taus + dt)
        self.pull = self.held * self.follow
        self.whole = 1.0 + dt * forcing.air_changes + self.pull.sum() / forcing.saturation
        self.base = dt * (forcing.air_changes * forcing.outdoor + forcing.source)
        self.damping = dt * forcing.coil
        self.full = dt * forcing.capacity
        self.cools = bool(self.damping.any())
        self.wets = bool((forcing.wanted > 0.0).any())
        self.share = [float(follow) / forcing.saturation for follow in self.follow]

    def states(self, on: _Switches, first: Array) -> tuple[Array, Array, Array]:
        """Vapour density and humidity of both stores after each step, (step,) each, for switches that are known."""
        size, forcing = self.base.size, self.forcing
        whole, gained = self.whole, self.base
        if self.cools:
            whole = whole + self.damping * on.coil
            gained = gained + self.damping * on.coil * self.coil_at
        if self.wets:
            gained = gained + self.full * (on.water == 2)
        keep = 1.0 / whole
        gained = gained * keep
        fixed = on.cut | (on.water == 1)
        if fixed.any():
            keep[fixed] = 0.0
            gained[fixed] = np.where(on.cut, forcing.ceiling, forcing.wanted)[fixed]
        gained[0] += keep[0] * (first[0] + self.pull @ first[1:])
        right = np.zeros((size, 3))
        right[:, 0] = gained
        right[0, 1:] = (1.0 - self.follow) * first[1:]
        bands = np.zeros((4, 3 * size), order="F")
        bands[0] = 1.0
        before = keep[1:]
        bands[3, 0:-3:3] = -before
        bands[2, 1:-3:3] = -self.pull[0] * before
        bands[1, 2:-3:3] = -self.pull[1] * before
        bands[1, 0::3] = -self.share[0]
        bands[2, 0::3] = -self.share[1]
        bands[3, 1:-3:3] = self.follow[0] - 1.0
        bands[3, 2:-3:3] = self.follow[1] - 1.0
        solved = banded_recursion(bands, right.reshape(-1)).reshape(size, 3)
        return solved[:, 0], solved[:, 1], solved[:, 2]

    def step(self, carried: Array, at: Any = slice(None)) -> tuple[Array, Array, Array, _Switches]:
        """From what is carried into steps `at` (air, stores' pull, outdoor air, source): density with no humidifier,
        with it, and below the ceiling; and what was on."""
        forcing, whole = self.forcing, self.whole[at]
        plain = carried / whole
        off = np.zeros(plain.shape, bool)
        coil = off
        if self.cools:
            damping = self.damping[at]
            coil = (damping > 0.0) & (plain > self.coil_at)
            whole = whole + damping * coil
            plain = (carried + damping * coil * self.coil_at) / whole
        sought, water = plain, off.astype(np.int8)
        if self.wets:
            wanted = forcing.wanted[at]
            most = plain + self.full / whole * (wanted > 0.0)
            sought = np.maximum(plain, np.minimum(wanted, most))
            water = np.where(sought > plain, np.where(sought < most, 1, 2), 0).astype(np.int8)
        ceiling = forcing.ceiling[at]
        return plain, sought, np.minimum(sought, ceiling), _Switches(coil, water, sought > ceiling)


def solve(forcing: Forcing, numbers: HouseNumbers) -> Balance:
    """The room's vapour and flows, from balance with the first day's means on."""
    steps = _Steps(forcing, numbers)
    density, humidity = _steady(forcing, steps.coil_at)
    first = np.array([density, humidity, humidity])
    none = np.zeros(steps.base.size, bool)
    on = _Switches(forcing.coil > 0.0, none.astype(np.int8), none)
    if forcing.step_hours < WALKED_BELOW_HOURS and (steps.wets or steps.cools or forcing.ceiling_bites):
        on = _walked(steps, first)
    for _ in range(MOST_ROUNDS):
        found = steps.states(on, first)
        air, quick, slow = (np.concatenate([[start], after[:-1]]) for start, after in zip(first, found, strict=True))
        plain, sought, kept, on = steps.step(air + steps.pull[0] * quick + steps.pull[1] * slow + steps.base)
        if np.abs(kept - found[0]).max() < SETTLED_G_M3:
            break
    whole = steps.whole + steps.damping * on.coil
    stored = [density + humidity * steps.held.sum()]
    after = found[0] + steps.held[0] * found[1] + steps.held[1] * found[2]
    return Balance(
        found[0],
        whole * (sought - plain),
        whole * (sought - kept) + steps.damping * on.coil * (kept - steps.coil_at),
        np.concatenate([stored, after]),
    )


def _walked(steps: _Steps, first: Array) -> _Switches:
    """A first guess of the switches: stretches walked side by side, each from a while before it; wrong in few steps."""
    size = steps.base.size
    length, lead = (round(days * 24 / steps.forcing.step_hours) for days in (STRETCH_DAYS, LEAD_DAYS))
    begins = np.arange(0, size, length)
    coil, water, cut = np.zeros(size, bool), np.zeros(size, np.int8), np.zeros(size, bool)
    air, quick, slow = (np.full(begins.size, start) for start in first)
    here = slice(None) if begins.size > 1 else slice(0, 1)
    for offset in range(-lead if begins.size > 1 else 0, min(length, size)):
        at = np.minimum(np.maximum(begins + offset, 0), size - 1)[here]
        carried = air + steps.pull[0] * quick + steps.pull[1] * slow + steps.base[at]
        _, _, air, on = steps.step(carried, at)
        quick = quick + steps.follow[0] * (air / steps.forcing.saturation[at] - quick)
        slow = slow + steps.follow[1] * (air / steps.forcing.saturation[at] - slow)
        if offset >= 0:
            coil[at], water[at], cut[at] = on.coil, on.water, on.cut
        elif -offset == 1:
            air[0], quick[0], slow[0] = first
    return _Switches(coil, water, cut)


def steady_density(f: Forcing, coil_at: float) -> Array:
    """Vapour density of a room in balance with forcing that lasts; its arrays broadcast."""
    inflow = f.air_changes * f.outdoor + f.source
    cools = inflow / f.air_changes > coil_at
    leaves = f.air_changes + f.coil * cools
    plain = (inflow + f.coil * cools * coil_at) / leaves
    wetted = np.maximum(plain, np.minimum(f.wanted, plain + f.capacity / leaves))
    return np.asarray(np.minimum(wetted, f.ceiling))


def _steady(forcing: Forcing, coil_at: float) -> tuple[float, float]:
    """Vapour density and humidity of a room in balance with the first day's means."""
    day = slice(0, max(1, round(24.0 / forcing.step_hours)))
    series = ("outdoor", "saturation", "air_changes", "source", "coil", "wanted", "ceiling")
    mean = replace(forcing, **{name: getattr(forcing, name)[day].mean() for name in series})
    density = float(steady_density(mean, coil_at))
    return density, density / float(mean.saturation)
