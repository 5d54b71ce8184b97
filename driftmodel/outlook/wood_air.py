"""What wood makes of air: its equilibrium moisture content along a history, and how fast moisture then moves in it."""

from __future__ import annotations

from dataclasses import dataclass
from math import pi, sqrt

import numpy as np

from driftmodel.base import library
from driftmodel.base.build import Neck
from driftmodel.base.records import Instrument, Scenario
from driftmodel.base.schema import Array
from driftmodel.climate.air import saturation_pressure_pa
from driftmodel.wood import diffusion, sorption

#: state at which the reference speed of moisture is stated
REFERENCE_C, REFERENCE_PCT = 20.0, 50.0


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
    return emc, [pace_of(temperature_c, emc, of_part, scenario) for of_part in paces(scenario.instrument)]


def pace_of(
    temperature_c: Array,
    emc_pct: Array,
    of_part: tuple[float, float],
    scenario: Scenario,
    step_days: float | None = None,
) -> Array:
    """How much faster than at the reference state moisture moves in parts of a pace (see `paces`), in hourly air or in
    air told in steps of so many days."""
    share, days = of_part
    return diffusion.pace(
        temperature_c,
        emc_pct,
        share,
        days / (step_days or 1.0),
        built_moisture(scenario),
        library.value("diffusion_activation_energy") * 1000.0,
        library.value("diffusion_moisture_exponent"),
        (REFERENCE_C, REFERENCE_PCT),
        24 if step_days is None else 1,
    )


def paces(instrument: Instrument) -> tuple[tuple[float, float], ...]:
    """For thin and for thick parts, by the top and the neck at the median unknowns: the film's share of what holds
    moisture up, and the mean time the slab lags its air, days, rounded."""
    found = []
    one = np.ones(1)
    for part in ("top", "neck"):
        slab = slab_of(instrument, part)
        whole, half = (
            float(diffusion.mean_response_days(slab.thickness_mm, *transport(slab, one, one, film))[0])
            for film in (one, 0.5 * one)
        )
        found.append((round(half / whole - 1.0, 2), round(whole, 1)))
    return tuple(found)


@dataclass(frozen=True)
class Slab:
    wood: str
    thickness_mm: float
    outside: str
    inside: str | None  # None: glued, no moisture passes


def slab_of(instrument: Instrument, part: str) -> Slab:
    """The slab a part is taken for: plates through their thickness, braces through their width, the neck as a
    one-sided slab of its section's area over its open perimeter, the fingerboard from above only."""
    body, neck = instrument.body, instrument.neck
    if part in ("top", "back"):
        plate = body.top if part == "top" else body.back
        return Slab(plate.wood, plate.thickness_mm, plate.finish_outside, plate.finish_inside)
    if part in ("top_braces", "back_braces"):
        plate = body.top if part == "top_braces" else body.back
        if not plate.braces:
            return Slab(plate.wood, plate.thickness_mm, plate.finish_outside, plate.finish_inside)
        width_mm = float(np.mean([brace.width_mm for brace in plate.braces]))
        return Slab(plate.braces[0].wood, width_mm, "bare", "bare")
    if part == "neck":
        return Slab(neck.wood, _area_over_open_perimeter_mm(neck), neck.finish, None)
    return Slab(neck.fingerboard_wood, neck.fingerboard_thickness_mm, neck.fingerboard_finish, None)


def _area_over_open_perimeter_mm(neck: Neck) -> float:
    """Half an ellipse, mean width by mean depth: area over its curved length (Ramanujan's perimeter)."""
    half_width = (neck.width_nut_mm + neck.width_body_mm) / 4.0
    depth = (neck.depth_nut_mm + neck.depth_body_mm) / 2.0
    curved = pi / 2.0 * (3.0 * (half_width + depth) - sqrt((3.0 * half_width + depth) * (half_width + 3.0 * depth)))
    return pi / 2.0 * half_width * depth / curved


def transport(
    slab: Slab, diffusion_factor: Array, surface_factor: Array, film_factor: Array
) -> tuple[Array, Array, Array]:
    """Diffusivity in m2/s and the faces' conductances in m/s, outside and inside, at the reference state, (draws,)."""
    reference_mc = float(sorption.equilibrium_moisture_content(REFERENCE_C, REFERENCE_PCT)) / 100.0
    wetter = np.exp(library.value("diffusion_moisture_exponent") * reference_mc)
    lightness = library.value("diffusion_reference_gravity") / library.wood_value(slab.wood, "specific_gravity_12")
    slower = lightness ** library.value("diffusion_density_exponent")
    diffusivity = library.value("diffusion_coefficient_20c") * wetter * slower * diffusion_factor
    emission = library.value("surface_emission_20c") * wetter * surface_factor
    outside, inside = (_face(finish, slab.wood, emission, film_factor) for finish in (slab.outside, slab.inside))
    return diffusivity, outside, inside


def _face(finish: str | None, wood: str, emission_m_s: Array, film_factor: Array) -> Array:
    """Conductance of a face in m/s, (draws,)."""
    if finish is None:
        return np.zeros_like(emission_m_s)
    permeance = library.finish_permeance(finish).value
    if np.isinf(permeance):
        return emission_m_s
    density = 1000.0 * library.wood_value(wood, "specific_gravity_12")
    slope = float(sorption.isotherm_slope(REFERENCE_C, REFERENCE_PCT))
    pressure = float(saturation_pressure_pa(REFERENCE_C))
    return diffusion.surface_conductance(
        emission_m_s, diffusion.film_conductance(permeance * film_factor, pressure, density, slope)
    )
