"""Room and case: published cases, water balance, and the exact lag against a plain loop.

Sources: Kalamees, Vinha and Kurnitski (2006) for production and excess; EN 15026:2007 Annex C; Thomson (1964, 1977).
"""

from __future__ import annotations

import time
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from driftmodel.base import library
from driftmodel.base.records import Case, Humidifier, Room
from driftmodel.climate.air import hours_from, in_months, make_air
from driftmodel.climate.enclosure import case_air, thomson_half_time
from driftmodel.climate.humid_air import saturation_density_g_m3, vapour_density_g_m3
from driftmodel.climate.lag import first_order_lag
from driftmodel.climate.room import (
    indoor_air,
    indoor_air_standard,
    litres_per_day,
    moisture_excess_g_m3,
    moisture_flows,
    room_temperature_c,
)
from driftmodel.climate.weather import read_weather

CHICAGO = Path(__file__).parents[1] / "scenarios" / "weather" / "chicago.csv"
HOUSE = Room(300.0, 0.5, 5.4, 21.0, 25.0, 60.0, 12.0)
WINTER = (10, 11, 12, 1, 2, 3, 4)


def steady(temperature_c: float, humidity_pct: float, hours: int = 24 * 60):  # type: ignore[no-untyped-def]
    shape = np.ones(hours)
    return make_air(hours_from("2026-01-01", hours), temperature_c * shape, humidity_pct * shape)


def excess(room: Room) -> float:
    """Room over outdoor vapour density in steady winter air, g/m3."""
    inside = indoor_air(steady(-5.0, 85.0), room)
    density = vapour_density_g_m3(inside["air_temperature"].values[-1], inside["relative_humidity"].values[-1])
    return float(density - vapour_density_g_m3(-5.0, 85.0))


def test_moisture_production_raises_the_room_by_the_published_excess() -> None:
    """5.4 kg/day in 300 m3 at 0.5 an hour: 5400 / 24 / 150 = 1.50 g/m3."""
    assert excess(HOUSE) == pytest.approx(1.50, abs=1e-3)


@pytest.mark.parametrize(("excess_g_m3", "humidity_pct"), [(4.0, 36.9), (2.0, 26.0)])
def test_winter_air_with_a_known_excess(excess_g_m3: float, humidity_pct: float) -> None:
    """-5 degC, 85 % outdoors (over ice), room at 21 degC: 36.9 % with 4 g/m3, 26.0 % with 2; rounded to 0.1."""
    room = replace(HOUSE, moisture_source_kg_per_day=excess_g_m3 * 150 * 24 / 1000)
    inside = indoor_air(steady(-5.0, 85.0), room)
    assert float(inside["relative_humidity"].values[-1]) == pytest.approx(humidity_pct, abs=0.1)


def test_a_house_without_moisture_gain_is_far_too_dry_in_a_northern_winter() -> None:
    outdoor = read_weather(CHICAGO)
    winter = in_months(outdoor["time"].values, (12, 1, 2))
    gain = 3.0 * 150 * 24 / 1000  # three quarters of the upper 10 % of dwellings (Kalamees 2006)
    means = [
        indoor_air(outdoor, replace(HOUSE, moisture_source_kg_per_day=g))["relative_humidity"].values[winter].mean()
        for g in (0.0, gain)
    ]
    assert 13 < means[1] - means[0] < 20


def test_water_balances_every_hour() -> None:
    outdoor = read_weather(CHICAGO)
    humidifier = Humidifier(45.0, 10.0, WINTER)
    t = outdoor["air_temperature"].values
    humidified = in_months(outdoor["time"].values, WINTER)
    saturation = saturation_density_g_m3(room_temperature_c(t, HOUSE))
    for room in (HOUSE, replace(HOUSE, buffer_hours=0.0, air_changes_per_hour=2.0)):
        f = moisture_flows(
            vapour_density_g_m3(t, outdoor["relative_humidity"].values), saturation, room, humidifier, humidified
        )
        gained = f.brought_in + f.source + f.humidifier - f.carried_out - f.removed
        np.testing.assert_allclose(gained, f.stored_end - f.stored_start, atol=1e-12)
        assert f.removed.min() >= -1e-12 and f.removed.max() > 0.01
        assert f.humidifier.max() == pytest.approx(10.0 / 24) and f.humidifier.min() == 0.0


def test_humidifier_holds_its_set_point_within_capacity_and_months() -> None:
    strong, weak = Humidifier(45.0, 100.0, (1,)), Humidifier(45.0, 5.0, (1,))
    outdoor = steady(-5.0, 85.0)
    held = indoor_air(outdoor, HOUSE, strong)
    january = in_months(outdoor["time"].values, (1,))
    assert held["relative_humidity"].values[january] == pytest.approx(45.0, abs=1e-6)
    assert held["humidifier_water"].values[~january].max() == 0.0
    # n V (v_set - v_out) - G, in litres a day
    wanted = 0.5 * 300 * float(vapour_density_g_m3(21.0, 45.0) - vapour_density_g_m3(-5.0, 85.0)) * 24 / 1000 - 5.4
    assert litres_per_day(held)[3] == pytest.approx(wanted, rel=1e-9)
    limited = indoor_air(outdoor, HOUSE, weak)
    assert litres_per_day(limited)[3] == pytest.approx(5.0)
    # 5 litres a day more: 5000 / 24 / 150 g/m3
    plain = indoor_air(outdoor, HOUSE)
    raised = limited["relative_humidity"].values[300] - plain["relative_humidity"].values[300]
    assert raised == pytest.approx(100 * 5000 / 24 / 150 / float(saturation_density_g_m3(21.0)), rel=1e-3)


def test_dehumidifier_and_saturation_cap_the_room() -> None:
    damp = steady(24.0, 95.0)
    assert indoor_air(damp, HOUSE)["relative_humidity"].values.max() == pytest.approx(60.0)
    bare = replace(HOUSE, dehumidified_to_pct=None, cooling_setpoint_c=None, heating_setpoint_c=None)
    assert indoor_air(damp, bare)["relative_humidity"].values.max() <= 100.0
    soaked = replace(bare, moisture_source_kg_per_day=100.0)
    assert indoor_air(damp, soaked)["relative_humidity"].values[-1] == pytest.approx(100.0)


def test_room_temperature_keeps_between_its_set_points() -> None:
    outdoor = read_weather(CHICAGO)
    inside = indoor_air(outdoor, HOUSE)["air_temperature"].values
    assert inside.min() == 21.0 and inside.max() == 25.0
    bare = replace(HOUSE, heating_setpoint_c=None, cooling_setpoint_c=None, dehumidified_to_pct=None)
    free = indoor_air(outdoor, bare)["air_temperature"].values
    assert free.mean() - outdoor["air_temperature"].values.mean() == pytest.approx(2.0, abs=0.05)


def test_lag_with_a_ceiling_is_that_of_a_plain_loop() -> None:
    rng = np.random.default_rng(3)
    driver = rng.normal(0.0, 3.0, 3000).cumsum() * 0.2
    ceiling = rng.normal(2.0, 1.0, 3000)
    for tau in (0.05, 4.0, 300.0):
        got = first_order_lag(driver, tau, 1.5, ceiling)
        a, x, ends, cuts = np.exp(-1.0 / tau), 1.5, [], []
        for d, c in zip(driver, ceiling, strict=True):
            free = a * x + (1 - a) * d
            x = min(free, c)
            ends.append(x)
            cuts.append(free - x)
        np.testing.assert_allclose(got.end, ends, atol=1e-10)
        np.testing.assert_allclose(got.removed, cuts, atol=1e-10)


def test_lag_without_drive_stays_and_halves_in_its_half_time() -> None:
    assert first_order_lag(np.full(50, 7.0), 12.0, 7.0).end == pytest.approx(7.0)
    step = first_order_lag(np.zeros(48), 24.0 / np.log(2.0), 1.0)
    assert step.end[[23, 47]] == pytest.approx([0.5, 0.25])
    # mean over the first hour: tau (1 - exp(-1/tau))
    tau = 24.0 / np.log(2.0)
    assert step.mean[0] == pytest.approx(tau * (1 - np.exp(-1 / tau)))


@pytest.mark.parametrize(
    ("outdoor_c", "indoor_c", "humidity_pct"), [(-15, 20, 30), (-5, 20, 35), (15, 22.5, 55), (25, 25, 60)]
)
def test_indoor_air_of_the_standard(outdoor_c: float, indoor_c: float, humidity_pct: float) -> None:
    """EN 15026:2007 Annex C."""
    t, h = indoor_air_standard([outdoor_c])
    assert (float(t[0]), float(h[0])) == (indoor_c, humidity_pct)
    assert float(indoor_air_standard([outdoor_c], high_occupancy=True)[1][0]) == humidity_pct + 10


def test_moisture_excess_curve() -> None:
    """Kalamees, Vinha and Kurnitski (2006), upper 10 % of 40 dwellings: 4 g/m3 to 5 degC, 1.5 from 15 degC."""
    cold, warm = library.general("moisture_excess_cold").value, library.general("moisture_excess_warm").value
    assert moisture_excess_g_m3([-20.0, 5.0, 10.0, 15.0, 30.0], cold, warm) == pytest.approx([4, 4, 2.75, 1.5, 1.5])


def test_thomson_half_time_and_its_four() -> None:
    """B 20 kg/m3, M 2 g/kg per %, N 1 a day: 160 days (Thomson 1977)."""
    assert thomson_half_time(2.0, 20.0, 1.0) == 160.0
    assert np.log(2) / (0.01 * float(saturation_density_g_m3(20.0))) == pytest.approx(4.009, abs=0.002)


CASE = Case(half_time_days=10.0, out_of_case_share=0.0, humidifier_pct=None)


def test_a_case_answers_a_step_with_its_half_time() -> None:
    hours = 24 * 60
    humidity = np.where(np.arange(hours) < 24, 60.0, 30.0)
    room = make_air(hours_from("2026-01-01", hours), np.full(hours, 20.0), humidity)
    inside = case_air(room, CASE)["relative_humidity"].values
    assert inside[24 + 240] == pytest.approx(45.0, abs=0.1)  # hourly mean just after the half-time
    mixed = case_air(room, replace(CASE, out_of_case_share=0.25))["relative_humidity"].values
    np.testing.assert_allclose(mixed, 0.75 * inside + 0.25 * humidity)


def test_a_case_moves_a_third_of_a_percent_per_kelvin_at_most() -> None:
    """Thomson (1964): a buffered closed box, a third of a % RH per K."""
    hours = 24 * 40
    warm = np.where(np.arange(hours) < 480, 20.0, 26.0)
    room = make_air(hours_from("2026-01-01", hours), warm, np.full(hours, 50.0))
    inside = case_air(room, CASE)["relative_humidity"].values
    assert 1.5 < inside.max() - 50.0 <= 6 / 3 + 1e-3
    assert inside[:480] == pytest.approx(50.0)
    assert abs(inside[-1] - 50.0) < abs(inside[500] - 50.0)


def test_a_case_humidifier_keeps_the_floor_in_its_months_only() -> None:
    held = case_air(steady(21.0, 25.0, 24 * 120), replace(CASE, humidifier_pct=45.0, humidifier_months=(1, 2)))
    inside, months = held["relative_humidity"].values, held["time"].dt.month.values
    assert inside[months <= 2] == pytest.approx(45.0)
    after = inside[months >= 3]
    assert after[240] == pytest.approx(35.0, abs=0.1)  # half way to the room after the half-time of 10 days
    assert np.all(np.diff(after) < 0)


def test_a_steady_room_is_a_fixed_point_of_the_case() -> None:
    inside = case_air(steady(21.0, 47.0), CASE)
    assert inside["relative_humidity"].values == pytest.approx(47.0)
    assert inside["air_temperature"].values == pytest.approx(21.0)


def test_twenty_years_of_room_and_case_are_quick() -> None:
    """Target 0.15 s on the reference machine for the room; 1 s here leaves room for a busy one."""
    hours = 20 * 8766
    rng = np.random.default_rng(1)
    outdoor = make_air(hours_from("2026-01-01", hours), rng.normal(8, 10, hours).clip(-30, 40), np.full(hours, 70.0))
    begin = time.perf_counter()
    case_air(indoor_air(outdoor, HOUSE, Humidifier(45.0, 10.0, WINTER)), CASE)
    assert time.perf_counter() - begin < 1.0
