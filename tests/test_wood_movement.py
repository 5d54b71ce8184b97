"""Movement and its limits.

Sources: Wood Handbook (FPL-GTR-190, 2010) Eq. 13-2 and 13-3 with the worked white fir board of chapter 13, Tables 4-3
and 13-5 (shrinkage and coefficients), Eq. 5-3 and Table 5-3 (stiffness green and dry); strain limits 0.004 and 0.009 of
Mecklenburg, Tumosa and Erhardt (1998); coefficients 0.1816 and 0.3425 % per % MC and isotherms of Maas and Wittel
(2026), from which the restrained bands were worked out once.
"""

import numpy as np
import pytest

from driftmodel.base.errors import BadInput
from driftmodel.wood import movement as m
from driftmodel.wood.sorption import equilibrium_moisture_content


def test_white_fir_board_of_the_handbook() -> None:
    change = m.dimension_change(232.0, 8.0, 11.0, 0.00245)
    assert change == pytest.approx(1.7, abs=0.05)
    assert 232.0 + change == pytest.approx(233.7, abs=0.05)
    # the same board by Eq. 13-3; white fir shrinks 7.0 % tangentially (Table 4-3)
    assert m.dimension_change_from_shrinkage(232.0, 8.0, 11.0, 7.0) == pytest.approx(1.7, abs=0.05)


@pytest.mark.parametrize(
    ("shrinkage", "coefficient"),
    [(4.3, 0.00148), (7.5, 0.00263), (3.8, 0.00130), (7.1, 0.00248), (7.8, 0.00274)],
    ids=["Sitka R", "Sitka T", "Engelmann R", "Engelmann T", "red spruce T"],
)
def test_coefficients_of_table_13_5_follow_from_shrinkage(shrinkage: float, coefficient: float) -> None:
    assert m.coefficient_from_shrinkage(shrinkage) == pytest.approx(coefficient, abs=1.1e-5)
    step = m.dimension_change_from_shrinkage(1.0, 10.0, 10.01, shrinkage) / 0.01
    assert step == pytest.approx(float(m.coefficient_from_shrinkage(shrinkage)), rel=1e-3)


def test_no_change_of_moisture_no_movement() -> None:
    assert m.dimension_change(500.0, 9.0, 9.0, 0.0025) == 0.0
    assert m.dimension_change_from_shrinkage(500.0, 9.0, 9.0, 7.5) == 0.0
    assert m.restrained_strain(9.0, 9.0, 0.0025) == 0.0


def test_shrinkage_from_green_is_the_whole_shrinkage_and_stops_at_saturation() -> None:
    assert m.dimension_change_from_shrinkage(100.0, 30.0, 0.0, 7.5) == pytest.approx(-7.5)
    assert m.dimension_change_from_shrinkage(100.0, 80.0, 0.0, 7.5) == pytest.approx(-7.5)
    there = 100.0 + m.dimension_change_from_shrinkage(100.0, 12.0, 6.0, 7.5)
    assert there + m.dimension_change_from_shrinkage(there, 6.0, 12.0, 7.5) == pytest.approx(100.0)


def test_ring_angle_and_grain() -> None:
    assert m.ring_angle_coefficient(0.00148, 0.00263, [0.0, 45.0, 90.0]) == pytest.approx(
        np.array([0.00148, 0.002055, 0.00263])
    )
    # along the grain 0.1 to 0.2 % in all (Wood Handbook chapter 4): some twentieth of the radial coefficient
    along = m.longitudinal_coefficient([0.1, 0.2])
    assert along == pytest.approx(np.array([0.1, 0.2]) / 3000.0)
    assert (along < 0.00148 / 20.0).all()


def test_stiffness_of_sitka_spruce_by_equation_5_3() -> None:
    # Table 5-3: Sitka spruce modulus of elasticity 8,500 MPa green, 10,800 MPa at 12 %; Mp 25 % where none is measured
    assert m.stiffness_at(12.0, 10800.0, 8500.0) == pytest.approx(10800.0)
    assert m.stiffness_at([25.0, 40.0], 10800.0, 8500.0) == pytest.approx(np.array([8500.0, 8500.0]))
    rise = m.stiffness_at(11.0, 10800.0, 8500.0) / 10800.0 - 1.0
    assert 0.013 < rise < 0.0195


@pytest.mark.parametrize(
    ("coefficient", "limit", "band"),
    [
        (0.001816, 0.004, (29, 58)),
        (0.001816, 0.009, (12, 71)),
        (0.003425, 0.004, (37, 52)),
        (0.003425, 0.009, (26, 60)),
    ],
    ids=["quarter yield", "quarter failure", "flat yield", "flat failure"],
)
def test_bands_of_restrained_spruce_settled_at_45(coefficient: float, limit: float, band: tuple[int, int]) -> None:
    assert m.safe_humidity_band(45.0, coefficient, limit) == pytest.approx(band, abs=0.6)


def test_band_with_another_isotherm_and_without_end() -> None:
    low, high = m.safe_humidity_band(45.0, 0.00148, 0.004, lambda h: equilibrium_moisture_content(20.0, h))
    moisture = equilibrium_moisture_content(20.0, [low, 45.0, high])
    assert 0.00148 * np.diff(moisture) == pytest.approx(np.array([0.004, 0.004]))
    assert m.safe_humidity_band(45.0, 1e-5, 0.009) == (0.0, 100.0)
    with pytest.raises(BadInput):
        m.safe_humidity_band(45.0, -0.001, 0.004)
    assert m.restrained_strain(9.0, 7.0, 0.002) > 0.0  # drying pulls
