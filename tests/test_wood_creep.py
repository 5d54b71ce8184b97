"""Creep along the grain.

Sources: Kelvin chain and mechano-sorptive law after Toratti (1992), the chain refitted with positive compliances,
values from memory; against them Ranta-Maunus (2000), 0.3 to 1.0 after 7 to 8 years indoors; Maas and Wittel (2026),
0.215 to 0.235 at 30 days; EN 1995-1-1 Table 3.2, k_def 0.60 / 0.80 / 2.00 in service class 1 / 2 / 3, permanent load.
"""

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from driftmodel.wood import creep as c

TAUS = np.array([0.1, 1.0, 10.0, 100.0, 1000.0, 10000.0])
COMPLIANCES = np.array([0.0765, 0.0523, 0.0507, 0.1935, 0.0691, 0.7235])
YEAR = 365.25
CYCLES = np.tile([0.04, 0.04], 10)  # ten cycles of 4 % MC: down and up again


def test_creep_of_a_lasting_load() -> None:
    phi = c.kelvin_creep(np.ones(int(50 * YEAR)), TAUS, COMPLIANCES)
    assert phi[0] == 0.0
    assert phi[[30, int(7 * YEAR), int(20 * YEAR)]] == pytest.approx(np.array([0.23, 0.60, 0.82]), abs=0.01)
    assert (np.diff(phi) > 0.0).all()
    assert 0.215 <= phi[30] <= 0.235  # Maas and Wittel
    assert 0.3 < phi[int(7.5 * YEAR)] < 1.0  # Ranta-Maunus
    # a design life of 50 years with the middle mechano-sorptive part: between service classes 1 and 3
    assert 0.60 < phi[-1] < 2.00
    assert 0.80 < phi[-1] + 0.4 < 2.00


def test_kelvin_chain_is_exact_for_a_stepped_load() -> None:
    load = np.repeat([1.0, 0.0, 0.7], [20, 15, 25])
    taus, compliances = np.array([1.0, 12.0]), np.array([0.3, 0.5])
    phi = c.kelvin_creep(load, taus, compliances)

    state = np.zeros(2)
    for first, last, level in ((0, 20, 1.0), (20, 35, 0.0), (35, 60, 0.7)):
        run = solve_ivp(lambda _, s, g=level: (g - s) / taus, (first, last), state, rtol=1e-10, atol=1e-12)
        state = run.y[:, -1]
        assert phi[last] == pytest.approx(compliances @ state, abs=1e-8)


def test_kelvin_creep_comes_back_when_the_strings_are_off() -> None:
    load = np.r_[np.ones(1000), np.zeros(200_000)]
    phi = c.kelvin_creep(load, TAUS, COMPLIANCES)
    assert phi[1000] > 0.4
    assert phi[-1] < 1e-8
    assert (np.diff(phi[1000:]) <= 0.0).all()


def test_no_load_no_creep() -> None:
    assert not c.kelvin_creep(np.zeros(100), TAUS, COMPLIANCES).any()
    assert not c.mechano_sorptive(np.zeros(100), np.full(100, 0.01), 2.5).any()


def test_ten_cycles_of_four_percent() -> None:
    strain = c.mechano_sorptive(np.ones(20), CYCLES, 2.5)
    assert 0.7 * strain[-1] == pytest.approx(0.605, abs=5e-4)
    assert 0.7 * strain[-1] == pytest.approx(0.7 * (1.0 - np.exp(-2.5 * 0.8)), rel=1e-12)


def test_mechano_sorption_waits_for_moisture() -> None:
    """Time alone does nothing, loaded or not; unloaded it comes back only with further cycling."""
    load = np.r_[np.ones(20), np.zeros(50), np.zeros(20)]
    travel = np.r_[CYCLES, np.zeros(50), CYCLES]
    strain = c.mechano_sorptive(load, travel, 2.5)
    assert strain[20:71] == pytest.approx(np.full(51, strain[20]))
    assert strain[-1] == pytest.approx(strain[20] * np.exp(-2.0))


def test_mechano_sorption_matches_its_recursion_for_many_draws() -> None:
    rng = np.random.default_rng(7)
    load = np.repeat([1.0, 0.0, 1.0, 0.5], [40, 10, 30, 20])
    travel, rate = rng.uniform(0.0, 0.01, (5, 100)), rng.uniform(1.0, 5.0, 5)
    strain = c.mechano_sorptive(load, travel, rate)
    state = np.zeros(5)
    assert strain.shape == (5, 101)
    for day in range(100):
        state = state + (load[day] - state) * (1.0 - np.exp(-rate * travel[:, day]))
        assert strain[:, day + 1] == pytest.approx(state, abs=1e-12)


def test_moisture_travel_is_the_path_not_the_distance() -> None:
    moisture = np.array([[9.0, 11.0, 10.0, 10.0], [9.0, 9.0, 9.0, 9.0]])
    assert c.moisture_travel(moisture) == pytest.approx(np.array([[0.02, 0.01, 0.0], [0.0, 0.0, 0.0]]))
