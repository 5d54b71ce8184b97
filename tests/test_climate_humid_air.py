"""Moist air against published tables and the reference library psychrolib.

Sources: saturation pressures of IAPWS-95 / IAPWS ice (iapws library) and of ASHRAE Fundamentals 2017 ch. 1 Eq. 5 and 6
(psychrolib), rounded to 0.1 Pa. Tolerance 0.05 %: the two formulations differ by up to 0.02 %.
"""

from __future__ import annotations

import numpy as np
import psychrolib
import pytest

from driftmodel.climate.air import (
    relative_humidity_from_dew_point_pct,
    relative_humidity_pct,
    saturation_pressure_over_water_pa,
    saturation_pressure_pa,
    vapour_density_g_m3,
)


@pytest.mark.parametrize(
    ("temperature_c", "pressure_pa"),
    [(-20, 103.3), (-10, 259.9), (10, 1228.0), (20, 2338.8), (25, 3169.2), (30, 4246.0), (40, 7383.5)],
)
def test_saturation_pressure_is_the_published_one(temperature_c: float, pressure_pa: float) -> None:
    assert float(saturation_pressure_pa(temperature_c)) == pytest.approx(pressure_pa, rel=5e-4)


def test_saturation_pressure_follows_psychrolib_over_the_whole_range() -> None:
    psychrolib.SetUnitSystem(psychrolib.SI)
    temperature = np.arange(-40.0, 60.5, 0.5)
    reference = np.array([psychrolib.GetSatVapPres(float(t)) for t in temperature])
    ours = saturation_pressure_pa(temperature)
    # psychrolib changes from ice to water at 0.01 degC, here at 0: the two branches differ by less than 0.1 % there
    assert np.max(np.abs(ours / reference - 1)) < 5e-4


def test_water_branch_lies_above_ice_below_freezing_and_meets_it_at_zero() -> None:
    assert float(saturation_pressure_over_water_pa(-10.0)) / float(saturation_pressure_pa(-10.0)) == pytest.approx(
        1.1028, abs=2e-3
    )  # 286.6 Pa over 259.9 Pa
    assert float(saturation_pressure_over_water_pa(-1e-9)) == pytest.approx(
        float(saturation_pressure_pa(-1e-9)), rel=1e-3
    )


def test_vapour_density_at_room_conditions() -> None:
    """8.645 g/m3 at 20 degC, 50 % RH: IAPWS saturation pressure and the ideal gas law."""
    assert float(vapour_density_g_m3(20.0, 50.0)) == pytest.approx(8.645, rel=5e-4)


def test_density_and_humidity_are_inverse() -> None:
    t, h = np.array([-15.0, 0.0, 21.0]), np.array([30.0, 70.0, 45.0])
    assert relative_humidity_pct(t, vapour_density_g_m3(t, h)) == pytest.approx(h, rel=1e-12)


def test_dew_point_agrees_with_psychrolib() -> None:
    psychrolib.SetUnitSystem(psychrolib.SI)
    for t, dew in [(21.0, 2.0), (30.0, 25.0), (-5.0, -12.0)]:
        reference = 100 * psychrolib.GetRelHumFromTDewPoint(t, dew)
        assert float(relative_humidity_from_dew_point_pct(t, dew)) == pytest.approx(reference, rel=5e-4)
    assert float(relative_humidity_from_dew_point_pct(-12.2, -16.1, over_water=True)) == pytest.approx(73, abs=0.6)
