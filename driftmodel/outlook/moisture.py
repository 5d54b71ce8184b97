"""From hourly air to the lags that every part of the instrument is made of, and each part's weights on them."""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import pi, sqrt
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from driftmodel.base import library
from driftmodel.base.records import Brace, Instrument, Neck, Scenario
from driftmodel.base.schema import PARTS
from driftmodel.climate.humid_air import saturation_pressure_pa
from driftmodel.outlook.draws import Draws
from driftmodel.outlook.room_lags import RoomRows, room_rows, room_weights, term_values
from driftmodel.wood import diffusion, sorption

if TYPE_CHECKING:
    from xarray import Dataset

Array = NDArray[np.float64]

#: state at which the reference speed of moisture is stated
REFERENCE_C, REFERENCE_PCT = 20.0, 50.0
#: parts whose moisture moves at the neck's pace; all others at the top's
THICK = ("neck", "fingerboard")


@dataclass(frozen=True)
class Lags:
    """Equilibrium moisture content of an air, and its first-order lags at 00:00 of each day.

    emc_pct: (days + 1,), the day's mean; lags_pct: (lag, days + 1), from the built state at the start: one lag for
    each time constant at the speed of thin parts, then one for each at the speed of thick parts. rooms: where houses
    are drawn, more rows follow that tell a draw's own room from the median's (see room_lags); else None.
    """

    time_constants_days: Array
    emc_pct: Array
    lags_pct: Array
    rooms: RoomRows | None = None


@dataclass(frozen=True)
class PartWeights:
    """Weights on the lags: mean[part] and gradient[part] are (draws, lag); gradient is outside minus inside."""

    mean: dict[str, Array]
    gradient: dict[str, Array]


def built_moisture(scenario: Scenario) -> float:
    """Moisture content in equilibrium with the air the body was built in, percent."""
    setup = scenario.setup
    return float(sorption.equilibrium_moisture_content(setup.built_temperature_c, setup.built_relative_humidity_pct))


def wood_air(temperature_c: Array, relative_humidity_pct: Array, scenario: Scenario) -> tuple[Array, list[Array]]:
    """What wood makes of hourly air (hour,): equilibrium moisture content in percent, and how much faster than at the
    reference state moisture moves in thin and in thick parts."""
    law = sorption.history_with_hysteresis if scenario.hysteresis else sorption.history_without_hysteresis
    memory = sorption.memory_at_middle(scenario.setup.built_relative_humidity_pct)
    emc = law(temperature_c, relative_humidity_pct, memory=memory)
    speeds = [
        diffusion.pace(
            temperature_c,
            emc,
            *of_part,
            built_moisture(scenario),
            library.general("diffusion_activation_energy").value * 1000.0,
            library.general("diffusion_moisture_exponent").value,
            (REFERENCE_C, REFERENCE_PCT),
        )
        for of_part in paces(scenario.instrument)
    ]
    return emc, speeds


def paces(instrument: Instrument) -> tuple[tuple[float, float], ...]:
    """For thin and for thick parts, by the top and the neck at the median unknowns: the film's share of what holds
    moisture up, and the mean time the slab lags its air, days, rounded."""
    found = []
    one = np.ones(1)
    for part in ("top", "neck"):
        slab = _slab(instrument, part)
        whole, half = (
            float(diffusion.mean_response_days(slab.thickness_mm, *_transport(slab, one, one, film))[0])
            for film in (one, 0.5 * one)
        )
        found.append((round(half / whole - 1.0, 2), round(whole, 1)))
    return tuple(found)


def air_lags(air: Dataset, scenario: Scenario, rooms: bool = False) -> Lags:
    """The lags of one hourly air history (whole days), starting in equilibrium with the air the body was built in.

    rooms: with the rows that other rooms than the median's need, for draws that know their room."""
    emc, speeds = wood_air(air["air_temperature"].values, air["relative_humidity"].values, scenario)
    lags = lags_of(emc, speeds, built_moisture(scenario))
    more = room_rows(air, speeds, scenario, lags.time_constants_days) if rooms else None
    if more is None:
        return lags
    return replace(lags, rooms=more[0], lags_pct=np.concatenate([lags.lags_pct, more[1]]))


def lags_of(emc_pct: Array, speeds: list[Array], start_pct: float) -> Lags:
    """The lags of an hourly equilibrium moisture content under the speeds of thin and of thick parts."""
    grid = diffusion.time_grid()
    bases = [diffusion.lag_basis(emc_pct, speed, grid, start_pct) for speed in speeds]
    daily = emc_pct.reshape(-1, 24).mean(axis=1)
    return Lags(grid, np.append(daily, daily[-1]), np.concatenate(bases))


def part_weights(
    instrument: Instrument, draws: Draws, time_constants_days: Array, rooms: RoomRows | None = None
) -> PartWeights:
    """Each part as a slab of 8 cells with a film on each face: its weights on the lags, for every draw in its room."""
    mean, gradient = {}, {}
    for part in PARTS:
        slab = _slab(instrument, part)
        moves = _transport(slab, *(draws.values[name] for name in ("diffusion", "surface", "film")))
        rates, mean_share, gradient_share = diffusion.slab_modes(slab.thickness_mm, *moves)
        scale = draws.values["moisture_level"][:, None]
        mean[part] = scale * _on_basis(part, diffusion.lag_weights(rates, mean_share, time_constants_days))
        gradient[part] = scale * _on_basis(part, diffusion.lag_weights(rates, gradient_share, time_constants_days))
    if rooms is not None:
        terms = term_values(rooms.unknowns, draws.values, draws.count)
        mean, gradient = ({part: room_weights(own, rooms, terms) for part, own in each.items()}
                          for each in (mean, gradient))  # fmt: skip
    return PartWeights(mean, gradient)


def _on_basis(part: str, weights: Array) -> Array:
    """Weights (draws, lag) on the thin or the thick half of the lags, nothing on the other."""
    none = np.zeros_like(weights)
    return np.concatenate([none, weights] if part in THICK else [weights, none], axis=1)


@dataclass(frozen=True)
class _Slab:
    wood: str
    thickness_mm: float
    outside: str
    inside: str | None  # None: glued, no moisture passes


def _slab(instrument: Instrument, part: str) -> _Slab:
    """The slab a part is taken for: plates through their thickness, braces through their width, the neck as a
    one-sided slab of its section's area over its open perimeter, the fingerboard from above only."""
    body, neck = instrument.body, instrument.neck
    if part in ("top", "back"):
        plate = body.top if part == "top" else body.back
        return _Slab(plate.wood, plate.thickness_mm, plate.finish_outside, plate.finish_inside)
    if part in ("top_braces", "back_braces"):
        plate = body.top if part == "top_braces" else body.back
        if not plate.braces:
            return _Slab(plate.wood, plate.thickness_mm, plate.finish_outside, plate.finish_inside)
        return _Slab(plate.braces[0].wood, _mean_width_mm(plate.braces), "bare", "bare")
    if part == "neck":
        return _Slab(neck.wood, _area_over_open_perimeter_mm(neck), neck.finish, None)
    return _Slab(neck.fingerboard_wood, neck.fingerboard_thickness_mm, neck.fingerboard_finish, None)


def _mean_width_mm(braces: tuple[Brace, ...]) -> float:
    return float(np.mean([brace.width_mm for brace in braces]))


def _area_over_open_perimeter_mm(neck: Neck) -> float:
    """Half an ellipse, mean width by mean depth: area over its curved length (Ramanujan's perimeter)."""
    half_width = (neck.width_nut_mm + neck.width_body_mm) / 4.0
    depth = (neck.depth_nut_mm + neck.depth_body_mm) / 2.0
    curved = pi / 2.0 * (3.0 * (half_width + depth) - sqrt((3.0 * half_width + depth) * (half_width + 3.0 * depth)))
    return pi / 2.0 * half_width * depth / curved


def _transport(
    slab: _Slab, diffusion_factor: Array, surface_factor: Array, film_factor: Array
) -> tuple[Array, Array, Array]:
    """Diffusivity in m2/s and the faces' conductances in m/s, outside and inside, at the reference state, (draws,)."""
    reference_mc = float(sorption.equilibrium_moisture_content(REFERENCE_C, REFERENCE_PCT)) / 100.0
    wetter = np.exp(library.general("diffusion_moisture_exponent").value * reference_mc)
    lightness = library.general("diffusion_reference_gravity").value / _gravity(slab.wood)
    slower = lightness ** library.general("diffusion_density_exponent").value
    diffusivity = library.general("diffusion_coefficient_20c").value * wetter * slower * diffusion_factor
    emission = library.general("surface_emission_20c").value * wetter * surface_factor
    outside, inside = (_face(finish, slab.wood, emission, film_factor) for finish in (slab.outside, slab.inside))
    return diffusivity, outside, inside


def _gravity(wood: str) -> float:
    return library.number(library.wood(wood), "specific_gravity_12").value


def _face(finish: str | None, wood: str, emission_m_s: Array, film_factor: Array) -> Array:
    """Conductance of a face in m/s, (draws,)."""
    if finish is None:
        return np.zeros_like(emission_m_s)
    permeance = library.finish_permeance(finish).value
    if np.isinf(permeance):
        return emission_m_s
    density = 1000.0 * _gravity(wood)
    slope = float(sorption.isotherm_slope(REFERENCE_C, REFERENCE_PCT))
    pressure = float(saturation_pressure_pa(REFERENCE_C))
    return diffusion.surface_conductance(
        emission_m_s, diffusion.film_conductance(permeance * film_factor, pressure, density, slope)
    )
