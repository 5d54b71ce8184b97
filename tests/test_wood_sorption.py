"""Sorption against published tables and measurements.

Sources: Wood Handbook (FPL-GTR-190, 2010), Eq. 4-5 and Table 4-2; Maas and Wittel (2026), Norway spruce isotherms and
the measured means they were fitted to; scanning sequences worked out apart from this code from the domain law of
Mualem (1974); ratio of adsorption to desorption 0.80 to 0.85 (Wood Handbook, chapter 4).
"""

import numpy as np
import pytest

from driftmodel.base.errors import BadInput
from driftmodel.wood import sorption as s

# Wood Handbook Table 4-2, percent MC; columns degF, rows % RH; "-" is not printed, or (110 degF, 20 %) a misprint
TABLE_4_2 = """
RH     30   40   50   60   70   80   90  100  110  120  130
  5   1.4  1.4  1.4  1.3  1.3  1.3  1.2  1.2  1.1  1.1  1.0
 10   2.6  2.6  2.6  2.5  2.5  2.4  2.3  2.3  2.2  2.1  2.0
 15   3.7  3.7  3.6  3.6  3.5  3.5  3.4  3.3  3.2  3.0  2.9
 20   4.6  4.6  4.6  4.6  4.5  4.4  4.3  4.2    -  3.9  3.7
 25   5.5  5.5  5.5  5.4  5.4  5.3  5.1  5.0  4.9  4.7  4.5
 30   6.3  6.3  6.3  6.2  6.2  6.1  5.9  5.8  5.6  5.4  5.2
 35   7.1  7.1  7.1  7.0  6.9  6.8  6.7  6.5  6.3  6.1  5.9
 40   7.9  7.9  7.9  7.8  7.7  7.6  7.4  7.2  7.0  6.8  6.6
 45   8.7  8.7  8.7  8.6  8.5  8.3  8.1  7.9  7.7  7.5  7.2
 50   9.5  9.5  9.5  9.4  9.2  9.1  8.9  8.7  8.4  8.2  7.9
 55  10.4 10.4 10.3 10.2 10.1  9.9  9.7  9.5  9.2  8.9  8.7
 60  11.3 11.3 11.2 11.1 11.0 10.8 10.5 10.3 10.0  9.7  9.4
 65  12.4 12.3 12.3 12.1 12.0 11.7 11.5 11.2 11.0 10.6 10.3
 70  13.5 13.5 13.4 13.3 13.1 12.9 12.6 12.3 12.0 11.7 11.3
 75  14.9 14.9 14.8 14.6 14.4 14.2 13.9 13.6 13.2 12.9 12.5
 80  16.5 16.5 16.4 16.2 16.0 15.7 15.4 15.1 14.7 14.4 14.0
 85  18.5 18.5 18.4 18.2 17.9 17.7 17.3 17.0 16.6 16.2 15.8
 90  21.0 21.0 20.9 20.7 20.5 20.2    -    -    -    -    -
"""


def table_cells() -> list[tuple[float, float, float]]:
    lines = [line.split() for line in TABLE_4_2.strip().splitlines()]
    fahrenheit = [float(word) for word in lines[0][1:]]
    return [
        (f, float(line[0]), float(word))
        for line in lines[1:]
        for f, word in zip(fahrenheit, line[1:], strict=True)
        if word != "-"
    ]


def test_every_printed_cell_of_table_4_2() -> None:
    fahrenheit, humidity, printed = np.array(table_cells()).T
    assert printed.size == 192
    error = s.equilibrium_moisture_content((fahrenheit - 32.0) / 1.8, humidity) - printed
    assert np.abs(error).max() < 0.06


def test_equation_4_5_worked_values() -> None:
    assert s.equilibrium_moisture_content(20.0, 50.0) == pytest.approx(9.271, abs=5e-4)
    assert s.equilibrium_moisture_content(25.0, 30.0) == pytest.approx(6.096, abs=5e-4)
    # the misprinted cell: the equation gives 4.0 at 110 degF and 20 %
    assert s.equilibrium_moisture_content((110.0 - 32.0) / 1.8, 20.0) == pytest.approx(4.0, abs=0.06)
    assert s.equilibrium_moisture_content(20.0, 0.0) == 0.0


@pytest.mark.parametrize(("temperature", "humidity"), [(20, -1), (20, 100.1), (20, np.nan), (np.nan, 50), (200, 50)])
def test_impossible_air_is_refused(temperature: float, humidity: float) -> None:
    with pytest.raises(BadInput):
        s.equilibrium_moisture_content(temperature, humidity)


def test_humidity_raises_and_heat_lowers_the_moisture() -> None:
    humidity = np.linspace(0.0, 100.0, 201)
    assert (np.diff(s.equilibrium_moisture_content(20.0, humidity)) > 0.0).all()
    assert (np.diff(s.equilibrium_moisture_content(np.linspace(10.0, 50.0, 41), 45.0)) < 0.0).all()
    slope = s.isotherm_slope(20.0, 50.0)
    assert slope == pytest.approx(0.155, abs=0.02)


def test_boundary_curves_against_measured_means() -> None:
    # Maas and Wittel (2026), means over specimens, tolerance 0.5 % MC
    wetted = np.array([(29.71, 5.43), (39.31, 6.68), (59.89, 9.85), (66.72, 11.16), (80.40, 14.63)])
    dried = np.array([(71.70, 14.34), (57.51, 11.23), (40.44, 8.10), (31.07, 6.70)])
    assert s.adsorption_boundary(wetted[:, 0]) == pytest.approx(wetted[:, 1], abs=0.5)
    assert s.desorption_boundary(dried[:, 0]) == pytest.approx(dried[:, 1], abs=0.5)


def test_boundary_ratio_and_scale() -> None:
    humidity = np.arange(40.0, 70.0, 5.0)
    ratio = s.adsorption_boundary(humidity) / s.desorption_boundary(humidity)
    assert ratio.min() > 0.80 and ratio.max() < 0.85
    factor = s.equilibrium_moisture_content(20.0, humidity) / s.middle_moisture(humidity)
    assert factor.min() > 1.03 and factor.max() < 1.08
    everywhere = np.linspace(0.0, 100.0, 1001)
    assert (s.desorption_boundary(everywhere) >= s.adsorption_boundary(everywhere)).all()
    assert s.desorption_boundary(100.0) == s.adsorption_boundary(100.0)


@pytest.mark.parametrize(
    ("humidity", "moisture"),
    [
        ([45, 60, 30, 60, 30, 60], [8.757, 11.003, 6.486, 10.637, 6.486, 10.637]),
        ([50, 60, 55, 40, 45, 30, 45, 60, 45], [9.578, 11.135, 10.321, 7.981, 8.616, 6.486, 8.343, 10.637, 8.391]),
    ],
)
def test_scanning_sequences_from_desorption(humidity: list[float], moisture: list[float]) -> None:
    assert s.scanning_moisture(humidity) == pytest.approx(np.array(moisture), abs=6e-4)


def test_boundaries_are_followed_from_both_ends() -> None:
    up, down = np.linspace(1.0, 100.0, 100), np.linspace(100.0, 0.0, 101)
    assert s.scanning_moisture(up, memory=()) == pytest.approx(s.adsorption_boundary(up), abs=1e-9)
    assert s.scanning_moisture(down) == pytest.approx(s.desorption_boundary(down), abs=1e-9)
    there_and_back = s.scanning_moisture([0.0, 100.0, 0.0, 50.0, 100.0, 50.0])
    assert there_and_back[[0, 2]] == pytest.approx(0.0, abs=1e-9)
    assert there_and_back[3] == pytest.approx(s.adsorption_boundary(50.0), abs=1e-9)
    assert there_and_back[5] == pytest.approx(s.desorption_boundary(50.0), abs=1e-9)


def test_random_histories_stay_between_the_boundaries_and_forget_inner_loops() -> None:
    humidity = np.random.default_rng(3).uniform(5.0, 95.0, 400)
    moisture = s.scanning_moisture(humidity)
    assert (moisture >= s.adsorption_boundary(humidity) - 1e-9).all()
    assert (moisture <= s.desorption_boundary(humidity) + 1e-9).all()
    with_loop = s.scanning_moisture([30.0, 70.0, 45.0, 55.0, 48.0, 52.0, 40.0])
    without = s.scanning_moisture([30.0, 70.0, 40.0])
    assert with_loop[-1] == pytest.approx(without[-1], abs=1e-12)
    small_steps = s.scanning_moisture(np.r_[np.linspace(60, 30, 31), np.linspace(30, 60, 31)])
    assert small_steps[[30, -1]] == pytest.approx(s.scanning_moisture([60.0, 30.0, 60.0])[1:], abs=1e-12)
    assert s.scanning_moisture([40.0, 40.0, 40.0]) == pytest.approx(np.full(3, s.desorption_boundary(40.0)))


@pytest.mark.parametrize("humidity", [0.12, 10.0, 45.0, 60.0, 90.0, 98.9])
def test_middle_start_is_on_the_middle(humidity: float) -> None:
    start = s.scanning_moisture([humidity], memory=s.memory_at_middle(humidity))[0]
    assert start == pytest.approx(float(s.middle_moisture(humidity)), abs=1e-6)


@pytest.mark.parametrize("humidity", [0.0, 0.05, 99.5, 100.0])
def test_at_the_ends_the_curves_meet_and_the_start_is_either(humidity: float) -> None:
    assert s.memory_at_middle(humidity) == (100.0, humidity)


def test_offset_brings_each_boundary_to_its_share_of_equation_4_5() -> None:
    emc = s.equilibrium_moisture_content(20.0, 45.0)
    ratio = s.desorption_boundary(45.0) / s.middle_moisture(45.0)
    drying = s.hysteresis_offset(20.0, 45.0)
    wetting = s.hysteresis_offset(20.0, 45.0, memory=())
    assert emc + drying == pytest.approx(emc * ratio)
    assert drying == pytest.approx(-wetting)


def test_rival_laws_share_a_signature_and_differ_by_the_daily_offset() -> None:
    hours = np.arange(24 * 60)
    humidity = 45.0 + 15.0 * np.sin(2 * np.pi * hours / (24 * 30)) + 5.0 * np.sin(2 * np.pi * hours / 24)
    temperature = np.full(hours.size, 21.0)
    memory = s.memory_at_middle(45.0)
    plain = s.history_without_hysteresis(temperature, humidity, memory=memory)
    lagging = s.history_with_hysteresis(temperature, humidity, memory=memory)
    offset = (lagging - plain).reshape(-1, 24)
    assert np.ptp(offset, axis=1).max() < 1e-12
    daily = s.hysteresis_offset(np.full(60, 21.0), humidity.reshape(-1, 24).mean(1), memory=memory)
    assert offset[:, 0] == pytest.approx(daily)
    assert 0.2 < np.abs(offset).max() < 1.5
    days = np.stack([humidity.reshape(-1, 24).mean(1), np.linspace(70.0, 30.0, 60)])
    assert s.hysteresis_offset(np.full((2, 60), 21.0), days, memory=memory).tolist() == [
        s.hysteresis_offset(np.full(60, 21.0), each, memory=memory).tolist() for each in days]  # fmt: skip
    with pytest.raises(BadInput):
        s.history_with_hysteresis(temperature[:-1], humidity[:-1])
    assert (s.history_with_hysteresis(np.full(48, 21.0), np.zeros(48)) == 0.0).all()  # bone-dry air, bone-dry wood


def test_still_air_leaves_the_moisture_alone() -> None:
    still = s.history_with_hysteresis(np.full(240, 20.0), np.full(240, 45.0), memory=s.memory_at_middle(45.0))
    assert still == pytest.approx(np.full(240, s.equilibrium_moisture_content(20.0, 45.0)), abs=1e-6)


def test_curves_of_a_wood_without_a_loop_add_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    """Where wetting and drying go the same way there is no memory; the spruce's own curves have one."""
    air = np.array([40.0, 70.0, 30.0, 55.0])
    assert np.abs(s.hysteresis_offset(20.0, air)).max() > 0.3
    monkeypatch.setattr(s, "desorption_boundary", s.adsorption_boundary)
    assert s.hysteresis_offset(20.0, air) == pytest.approx(np.zeros(4), abs=1e-12)
