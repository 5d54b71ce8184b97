"""Creep by component, clock, moisture range and relaxation against published tests and against arithmetic.

Sources beside each check. Where a published figure was read in an abstract only, species_data/sources.toml says so.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.integrate import solve_ivp

from driftmodel.base import library
from driftmodel.outlook import lasting
from driftmodel.outlook.calendar import trailing_mean
from driftmodel.wood import creep as c
from driftmodel.wood import diffusion
from driftmodel.wood.sorption import equilibrium_moisture_content

Array = NDArray[np.float64]
YEAR = 365.25


def number(name: str) -> float:
    return library.general(name).value


def curve(name: str) -> c.MasterCurve:
    return lasting._curve(name)


@dataclass(frozen=True)
class Timber:
    """Timber of a thickness, bare or under a film on both faces, in air of a mean and a yearly wave: humid when warm in
    a heated house (warmth_c below 0), when cold in the open; a wave of nine days goes with it."""

    thickness_mm: float
    humidity_pct: tuple[float, float]
    temperature_c: tuple[float, float]
    permeance: float = np.inf


#: EN 15026 Annex C, normal occupancy: 30 % in frost to 57 % in summer
HEATED = Timber(45.0, (45.0, 12.0), (20.0, 0.0))
#: monthly means of outdoor air in southern Finland, 65 to 90 %, -7 to 17 degC (from memory)
SHELTERED = Timber(45.0, (78.0, 10.0), (5.0, 12.0))
#: class 2: above 85 % only a few weeks a year (EN 1995-1-1 2.3.1.3)
CLASS_2 = Timber(45.0, (75.0, 9.0), (12.0, 8.0))
#: small clear pieces of 10 mm in the open of a temperate coast (from memory)
SMALL_OUTDOORS = Timber(10.0, (75.0, 12.0), (7.0, 10.0))
GLULAM_HEATED, GLULAM_SHELTERED = replace(HEATED, thickness_mm=90.0), replace(SHELTERED, thickness_mm=90.0)


def swing_of(timber: Timber, years: float) -> tuple[Array, Array]:
    """Moisture at 00:00, percent, and mean temperature of each day: through our own sorption and slab."""
    time = np.arange(round(max(years, 1.5) * YEAR) * 4) / 4.0
    wave = np.sin(2 * np.pi * time / YEAR)
    humidity = timber.humidity_pct[0] + timber.humidity_pct[1] * wave + 5.0 * np.sin(2 * np.pi * time / 9.0)
    temperature = timber.temperature_c[0] - timber.temperature_c[1] * wave
    emc = equilibrium_moisture_content(temperature, humidity)
    wet = np.exp(number("diffusion_moisture_exponent") * float(equilibrium_moisture_content(20.0, 50.0)) / 100.0)
    diffusivity, emission = (wet * number(name) for name in ("diffusion_coefficient_20c", "surface_emission_20c"))
    faces = [
        diffusion.surface_conductance(emission, diffusion.film_conductance(film, 2338.8, 450.0, 0.155))
        for film in (timber.permeance, timber.permeance / 2.0)
    ]
    days, half = (float(diffusion.mean_response_days(timber.thickness_mm, diffusivity, k, k)) for k in faces)
    activation = number("diffusion_activation_energy") * 1e3
    share = half / days - 1.0
    pace = diffusion.pace(temperature, emc, share, days, emc[0], activation, 4.0, steps_per_day=4)
    rates, mean, _ = diffusion.slab_modes(timber.thickness_mm, diffusivity, faces[0], faces[0])
    grid = diffusion.time_grid()
    lags = diffusion.lag_basis(emc, pace, grid, emc[0], 4)
    return diffusion.lag_weights(rates, mean, grid) @ lags, temperature.reshape(-1, 4).mean(axis=1)


def along(timber: Timber, years: float) -> float:
    """Creep along the grain after some years of a timber under load from the start."""
    moisture, temperature = swing_of(timber, years)
    days = round(years * YEAR)
    time = np.arange(days + 1)
    speed = c.clock_speed(temperature[:days], moisture[:days], number("creep_activation_energy") * 1e3,
                          number("creep_moisture_decade"), lasting._reference())  # fmt: skip
    clock = np.append(0.0, np.cumsum(speed))
    step = (c.LoadStep(0, 1.0),)
    month = trailing_mean(moisture[None, : days + 1], round(number("moisture_creep_memory")))
    scale = (number("creep_clock_moisture"), number("moisture_creep_scale"))
    first = number("moisture_creep_first_days")
    met = c.running_range(c.damp_weighted(month, *scale), time, step, first)[0, -1] / 100.0
    by_time = c.creep_by_time(curve("along"), step, clock, time[[-1]])[0]
    return float(by_time + number("moisture_creep_along") * met)


@pytest.mark.parametrize(
    ("component", "month", "year", "seven", "twenty"),
    [
        # Maas and Wittel 2026, creep of Norway spruce at constant climate: chains fitted to 100 days, carried on
        ("along", 0.21, 0.35, 0.39, 0.39),
        ("across", 0.97, 1.98, 2.84, 3.5),
        ("shear", 0.51, 0.90, 1.45, 1.55),
        ("through", 0.51, 0.94, 1.31, 1.33),
        ("rolling", 0.45, 0.61, 0.90, 1.03),
    ],
)
def test_constant_climate_is_the_published_table(
    component: str, month: float, year: float, seven: float, twenty: float
) -> None:
    found = curve(component).after([30.0, YEAR, 7 * YEAR, 20 * YEAR, 60 * YEAR])
    # along the grain at 30 days the measured creep, 0.215-0.235, stands over the chain fitted to all days
    assert found[0] == pytest.approx(month, abs=0.011 if component == "along" else 1e-9)
    assert found[1:3] == pytest.approx(np.array([year, seven]), rel=1e-9)
    # at 20 years the chains have come to their end and ours has not: at most an eighth above them
    assert twenty <= found[3] + 1e-3 and found[3] < 1.125 * twenty
    assert found[4] > 1.02 * found[3]  # no limit: long tests keep creeping (Ranta-Maunus and Kortesmaa 2000)


def test_master_curve_rises_evenly_from_nothing() -> None:
    times = np.geomspace(1e-3, 1e5, 400)
    for name in dict.fromkeys(lasting.CURVES.values()):
        found = curve(name).after(times)
        assert (np.diff(found) > 0.0).all() and found[0] < 0.3 * curve(name).at_points[0]
        slope = np.diff(found) / np.diff(times)
        assert (np.diff(slope) < 1e-12).sum() > 390  # ever more slowly, but for the joints of the curve
    assert curve("along").after([0.0, -3.0]).tolist() == [0.0, 0.0]


def test_thirty_days_along_the_grain() -> None:
    """0.215-0.235, measured in air held constant (Maas and Wittel 2026)."""
    assert 0.215 < curve("along").after(30.0) < 0.235


def test_seven_years_indoors_with_the_seasons() -> None:
    """Untreated timber 0.6 after seven years, "no practical difference in creep in heated room and in a sheltered
    space", all groups 0.3-1.0 (Ranta-Maunus and Kortesmaa 2000). The swing is that of the air through sorption and
    slab, not chosen: the mean of both places within a tenth, each within a quarter."""
    heated, sheltered = along(HEATED, 7.0), along(SHELTERED, 7.0)
    measured = 0.6
    assert (heated + sheltered) / 2.0 == pytest.approx(measured, rel=0.10)
    assert heated == pytest.approx(measured, rel=0.25) and sheltered == pytest.approx(measured, rel=0.25)
    moisture, _ = swing_of(HEATED, 3.0)
    assert 1.5 < np.ptp(moisture[-365:]) / 2.0 < 2.0


def test_the_first_year_is_two_thirds_of_seven() -> None:
    """A power of time through the measured 30 days (0.225) and seven years (0.6), the shape that a review of creep
    tests confirms (Tong and others 2020), is 0.39 after a year."""
    power = np.log(0.6 / 0.225) / np.log(7 * YEAR / 30.0)
    shape = (1.0 / 7.0) ** power
    for timber in (HEATED, SHELTERED):
        assert along(timber, 1.0) / along(timber, 7.0) == pytest.approx(shape, rel=0.15)


def test_coated_creeps_less_than_bare() -> None:
    """'A clear dependency on surface coating' (Ranta-Maunus and Kortesmaa 2000): alkyd or emulsion paint of some 1e-10
    kg/(m2 s Pa) on both faces takes a tenth to a third off the creep of seven years."""
    coated, bare = along(replace(SHELTERED, permeance=1e-10), 7.0), along(SHELTERED, 7.0)
    assert 0.67 < coated / bare < 0.90


def test_service_classes() -> None:
    """k_def of solid timber, EN 1995-1-1 Table 3.2: 0.60 heated, 0.80 sheltered; a design life of 50 years. A code's
    round numbers: within a sixth. Class 3, in the rain, is not asked for: the law ends at fibre saturation."""
    assert along(HEATED, 50.0) == pytest.approx(0.6, rel=1 / 6)
    assert along(CLASS_2, 50.0) == pytest.approx(0.8, rel=1 / 6)


def test_ten_years_of_outdoor_air_double_the_deflection() -> None:
    """'About doubled ... under ten years loading' in natural outdoor humidity (Mohager and Toratti 1992)."""
    assert along(SMALL_OUTDOORS, 10.0) == pytest.approx(1.0, rel=0.12)


def test_glued_beams_of_four_years() -> None:
    """Glulam after 33,000 h under load, heated and under a roof: 0.39-0.99 (published long tests; source not
    recorded); the same in both within a third ("creep of glulam was same", Gowda, Kortesmaa and Ranta-Maunus 1996)."""
    years = 33_000 / 24 / YEAR
    heated, sheltered = along(GLULAM_HEATED, years), along(GLULAM_SHELTERED, years)
    assert 0.39 < heated < sheltered < 0.99 and sheltered / heated < 1.34


def test_heat_multiplies_creep() -> None:
    """28 K more multiply creep by 2 to 3 (Wood Handbook chapter 5): month-long tests, by component, on average."""
    speed = c.clock_speed(48.0, 11.5, number("creep_activation_energy") * 1e3, 8.0, (20.0, 11.5))
    names = ("along", "across", "shear", "through", "rolling")
    times = [float(curve(name).after(30.0 * speed) / curve(name).after(30.0)) for name in names]
    assert 2.0 < np.mean(times) < 3.0 and min(times) > 1.4


def test_clock_runs_at_one_in_its_reference_state() -> None:
    assert c.clock_speed(20.0, 11.5, 120e3, 8.0, (20.0, 11.5)) == 1.0
    assert c.clock_speed(20.0, 19.5, 120e3, 8.0, (20.0, 11.5)) == pytest.approx(10.0)
    # exp[120000/8.314 (1/293.15 - 1/303.15)], by hand
    assert c.clock_speed(30.0, 11.5, 120e3, 8.0, (20.0, 11.5)) == pytest.approx(5.074, rel=1e-3)


def test_a_load_taken_off_recovers_slowly_and_never_wholly() -> None:
    steps = (c.LoadStep(0, 1.0), c.LoadStep(1000, -1.0))
    clock = np.arange(40_000.0)
    found = c.creep_by_time(curve("shear"), steps, clock, np.array([0, 999, 1000, 1001, 1100, 3000, 39_999]))
    assert found[0] == 0.0 and found[1] < found[2] and (np.diff(found[2:]) < 0.0).all()
    assert 0.0 < found[-1] < 0.1 * found[2]
    # Boltzmann: what is left is J(t) - J(t - 1000)
    assert found[4] == pytest.approx(float(curve("shear").after(1100.0) - curve("shear").after(100.0)), rel=1e-12)


def test_steps_of_a_load() -> None:
    steps = c.load_steps(np.repeat([0.0, 1.0, 0.0, 1.0], [3, 4, 2, 5]))
    assert steps == (c.LoadStep(3, 1.0), c.LoadStep(7, -1.0), c.LoadStep(9, 1.0))
    assert c.load_steps(np.zeros(9)) == ()


def test_range_of_moisture_under_load() -> None:
    moisture = np.array([[9.0, 4.0, 8.0, 10.0, 7.0, 6.0, 12.0, 9.0]])
    marks = np.arange(8)
    found = c.running_range(moisture, marks, (c.LoadStep(2, 1.0),))
    assert found.tolist() == [[0.0, 0.0, 0.0, 2.0, 3.0, 4.0, 6.0, 6.0]]
    off = c.running_range(moisture, marks, (c.LoadStep(2, 1.0), c.LoadStep(4, -1.0)))
    # taken off at day 4: stays, and goes back only with further cycling
    assert off.tolist() == [[0.0, 0.0, 0.0, 2.0, 3.0, 3.0, 0.0, 0.0]]


def test_the_same_cycles_go_on_ever_more_slowly_and_a_wider_one_adds_at_once() -> None:
    """No limit after very many cycles (Mohager and Toratti 1992), the size of a change counts most (Toratti, Svensson
    2000), more creep when wetter than ever before (Hanhijarvi and Hunt 1998)."""
    time = np.arange(4000)
    same = 9.0 + np.sin(time / 58.0)
    wider = same + np.where(time > 3000, 1.0, 0.0)
    step = (c.LoadStep(0, 1.0),)
    found = c.running_range(np.stack([same, wider]), time, step, 36.5)
    seven = round(7 * YEAR)
    assert found[0, seven] == pytest.approx(2.0, abs=2e-3)  # all of the range by then
    years = found[0, 365::365]
    assert years[0] == pytest.approx(2.0 * np.log(11.0) / np.log(1 + seven / 36.5), rel=2e-3)
    assert (np.diff(years) > 0.0).all() and (np.diff(years, 2) < 0.0).all() and years[-1] > 1.05 * 2.0
    assert found[1, -1] > found[0, -1] + 1.0
    at_once = c.running_range(same[None, :], time, step)
    assert at_once[0, 1000] == pytest.approx(at_once[0, -1], abs=2e-3)


def test_moisture_creep_of_a_plate_across_is_five_to_ten_times_its_elastic_strain() -> None:
    """Svensson and Toratti 2002: mechano-sorptive strain across the grain 5-10 times the elastic one at large cycles
    (range about 0.2 from 60 to 95 % RH under load): per unit 25-50."""
    assert 25.0 <= number("moisture_creep_across") <= 50.0


def test_relaxation_of_a_lasting_step() -> None:
    """16 % off after a month, a third after a year, 0.6-0.7 left in the end; a step acts in full at first."""
    numbers = [[number(f"relaxation_{kind}_{unit}") for unit in (1, 2, 3)] for kind in ("time", "share")]
    step = np.r_[0.0, np.full(9000, 1.0)][None, :]
    found = c.relaxed(step, *numbers)[0]
    assert found[0] == 0.0 and found[1] == pytest.approx(1.0, abs=0.02)
    assert found[31] == pytest.approx(0.84, abs=0.01)
    assert 0.60 < found[366] < 0.70 and 0.60 < found[-1] < found[366]
    assert (np.diff(found[1:]) <= 1e-15).all()


def test_relaxation_is_the_solution_of_its_equations() -> None:
    rng = np.random.default_rng(3)
    held = np.repeat(rng.normal(9.0, 1.0, 30), 10)
    times, shares = [10.0, 80.0], [0.2, 0.1]
    found = c.relaxed(held[None, :], times, shares)[0]

    def rate(time: float, state: np.ndarray) -> np.ndarray:
        return (held[int(time)] - held[0] - state) / np.array(times)

    run = solve_ivp(rate, (0, held.size - 1), np.zeros(2), max_step=0.25, rtol=1e-6, t_eval=np.arange(held.size))
    expected = held - np.array(shares) @ run.y
    assert found == pytest.approx(expected, abs=2e-3)


def test_a_range_met_grows_from_its_own_step() -> None:
    """A load from day 100 on: nothing of 3 % met is there on its day, all of it after seven years, and by log time."""
    marks, moisture = np.array([0, 100, 200, 100 + round(7 * 365.25)]), np.array([5.0, 9.0, 12.0, 10.0])
    met = c.running_range(moisture, marks, [c.LoadStep(100, 1.0)], 30.0)
    share = np.log(1.0 + 100.0 / 30.0) / np.log(1.0 + 7 * 365.25 / 30.0)
    assert met == pytest.approx([0.0, 0.0, 3.0 * share, 3.0], rel=1e-4)
