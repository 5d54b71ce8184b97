"""Movement and its limits.

Sources: Wood Handbook (FPL-GTR-190, 2010) Eq. 13-2 with the worked white fir board of chapter 13 and coefficients of
Table 13-5; strain limits 0.004 and 0.009 of Mecklenburg, Tumosa and Erhardt (1998); coefficients 0.1816 and 0.3425 %
per % MC and isotherms of Maas and Wittel (2026), from which the restrained bands were worked out once.
"""

import numpy as np
import pytest

from driftmodel.base.errors import BadInput
from driftmodel.wood import sorption as m
from driftmodel.wood.sorption import equilibrium_moisture_content


def test_white_fir_board_of_the_handbook() -> None:
    change = m.dimension_change(232.0, 8.0, 11.0, 0.00245)
    assert change == pytest.approx(1.7, abs=0.05)
    assert 232.0 + change == pytest.approx(233.7, abs=0.05)


def test_no_change_of_moisture_no_movement() -> None:
    assert m.dimension_change(500.0, 9.0, 9.0, 0.0025) == 0.0
    assert m.restrained_strain(9.0, 9.0, 0.0025) == 0.0


def test_ring_angle() -> None:
    assert m.ring_angle_coefficient(0.00148, 0.00263, [0.0, 45.0, 90.0]) == pytest.approx(
        np.array([0.00148, 0.002055, 0.00263])
    )


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
