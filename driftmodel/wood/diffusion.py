"""Diffusion through the thickness: a slab between two films is a sum of first-order lags of the air.

A slab with a linear law, split in finite volumes, answers its equilibrium moisture content through as many modes as
it has cells. Each mode is one first-order lag, so any number of slabs in the same air share one basis of lags
(`lag_basis`) and differ only in the weights they put on it (`slab_modes`, `lag_weights`)."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from driftmodel.base.arrays import first_order_recursion
from driftmodel.base.schema import Array
from driftmodel.climate.air import ZERO_C_IN_K, saturation_pressure_pa
from driftmodel.wood import sorption

SECONDS_PER_DAY = 86400.0
GAS_CONSTANT = 8.314462618  # J/(mol K), exact in the SI
DAYS_AT_ONCE = 2000  # whose lags stay close to the processor


def surface_conductance(surface_emission_m_s: ArrayLike, film_conductance_m_s: ArrayLike) -> Array:
    """Conductance of a face in m/s: surface emission S in series with a film, 1 / (1/S + 1/film); infinite = bare."""
    with np.errstate(divide="ignore"):
        resistance = 1.0 / np.asarray(surface_emission_m_s, float) + 1.0 / np.asarray(film_conductance_m_s, float)
        return np.asarray(1.0 / resistance, dtype=float)


def film_conductance(
    permeance_kg_m2_s_pa: ArrayLike,
    saturation_pressure_pa: ArrayLike,
    dry_density_kg_m3: ArrayLike,
    isotherm_slope: ArrayLike,
) -> Array:
    """Conductance of a finish in m/s for a difference in moisture fraction: W p_sat / (density x du/dh).

    The vapour flux through the film is W p_sat dh; the same flux written with the wood's moisture is density x k x du.
    isotherm_slope: du/dh, moisture fraction per unit relative humidity (see sorption.isotherm_slope)."""
    flux = np.asarray(permeance_kg_m2_s_pa, float) * np.asarray(saturation_pressure_pa, float)
    return np.asarray(flux / (np.asarray(dry_density_kg_m3, float) * np.asarray(isotherm_slope, float)), dtype=float)


def _slab(
    thickness_mm: ArrayLike, diffusivity: ArrayLike, outside: ArrayLike, inside: ArrayLike, cells: int
) -> tuple[Array, Array, Array, Array]:
    """Conductance between cells, m/s; cell size, m; conductance from air to the outer cells' middles, m/s, twice."""
    length, d, k_out, k_in = np.broadcast_arrays(
        *(np.asarray(value, dtype=float) for value in (np.asarray(thickness_mm) / 1000.0, diffusivity, outside, inside))
    )
    size = length / cells
    with np.errstate(divide="ignore"):
        half_cell = size / (2.0 * d)
        face_out, face_in = 1.0 / (1.0 / k_out + half_cell), 1.0 / (1.0 / k_in + half_cell)
    return d / size, size, face_out, face_in


def slab_modes(
    thickness_mm: ArrayLike,
    diffusivity_m2_s: ArrayLike,
    conductance_outside_m_s: ArrayLike,
    conductance_inside_m_s: ArrayLike,
    cells: int = 8,
) -> tuple[Array, Array, Array]:
    """The modes of a slab whose faces see the same air: (rates per day, weights of the mean, weights of the gradient).

    Arguments broadcast to a shape (...,); each result is (..., cells). The face conductance may be infinite; half a
    cell of wood lies between a face and the first cell's middle. With lags F_m' = rate_m (EMC - F_m):
    mean moisture content = sum of mean weights x F (they sum to 1); gradient = sum of gradient weights x F (they sum to
    0), the outside face minus the inside face of the straight line fitted to the profile.
    Finite volumes: the symmetric tridiagonal eigenproblem, all draws at once."""
    between, size, face_out, face_in = _slab(
        thickness_mm, diffusivity_m2_s, conductance_outside_m_s, conductance_inside_m_s, cells
    )
    matrix = np.zeros((*size.shape, cells, cells))
    here = np.arange(cells)
    matrix[..., here[:-1], here[1:]] = matrix[..., here[1:], here[:-1]] = -between[..., None]
    matrix[..., here[:-1], here[:-1]] += between[..., None]
    matrix[..., here[1:], here[1:]] += between[..., None]
    matrix[..., 0, 0] += face_out
    matrix[..., -1, -1] += face_in
    rates, vectors = np.linalg.eigh(matrix / size[..., None, None])
    reach = vectors.sum(axis=-2)
    across = gradient_of_cells(cells)
    return (
        np.maximum(rates, 0.0) * SECONDS_PER_DAY,
        reach**2 / cells,
        reach * np.einsum("c,...cm->...m", across, vectors),
    )


def gradient_of_cells(cells: int) -> Array:
    """Weights (cells,) that turn a profile, outside first, into the fitted outside-minus-inside difference."""
    place = 0.5 - (np.arange(cells) + 0.5) / cells
    return np.asarray(place / np.sum(place**2), dtype=float)


def time_grid() -> Array:
    """Time constants of the lag basis in days (26,), evenly spaced on a log scale."""
    return np.geomspace(0.02, 4000.0, 26)


def heat_exponent(temperature_c: ArrayLike, activation_j_mol: float, reference_c: float) -> Array:
    """Logarithm of how much faster heat makes a process than at a reference temperature (Arrhenius)."""
    kelvin = np.asarray(temperature_c, dtype=float) + ZERO_C_IN_K
    return np.asarray(activation_j_mol / GAS_CONSTANT * (1.0 / (reference_c + ZERO_C_IN_K) - 1.0 / kelvin))


def rate_factor(
    temperature_c: ArrayLike,
    mc_pct: ArrayLike,
    activation_energy_j_mol: float,
    moisture_exponent: float,
    reference_temperature_c: float = 20.0,
    reference_mc_pct: float = 9.0,
) -> Array:
    """How much faster moisture moves in wood than at the reference state (1 there): Arrhenius times exp(exponent x du).

    The moisture, percent, is one common to the slab: this is what makes the law linear."""
    heat = heat_exponent(temperature_c, activation_energy_j_mol, reference_temperature_c)
    wet = moisture_exponent * (np.asarray(mc_pct, dtype=float) - reference_mc_pct) / 100.0
    return np.asarray(np.exp(heat + wet), dtype=float)


def pace(
    temperature_c: ArrayLike,
    emc_pct: ArrayLike,
    film_share: float,
    response_days: float,
    initial_pct: float,
    activation_energy_j_mol: float,
    moisture_exponent: float,
    reference: tuple[float, float] = (20.0, 50.0),
    steps_per_day: int = 24,
) -> Array:
    """How much faster than at the reference state (degC, % RH) moisture moves in slabs alike along air, (..., n) both.

    Wood and film stand in series, film_share the film's part of what holds moisture up. Wood goes by `rate_factor` at
    the middle of the slab's mean moisture and the day's equilibrium, a film by vapour: saturation pressure times the
    difference of humidity, so that it holds damp wood, whose isotherm is steep, the longer. The slab's mean moisture is
    here a lag of response_days that follows its own pace. Whole days."""
    warm, emc = np.asarray(temperature_c, dtype=float), np.asarray(emc_pct, dtype=float)
    humidity = np.linspace(0.0, 99.0, 400)
    isotherm = sorption.equilibrium_moisture_content(reference[0], humidity)
    reference_mc = float(sorption.equilibrium_moisture_content(*reference))
    by_day = (*warm.shape[:-1], -1, steps_per_day)
    heat = rate_factor(warm, 0.0, activation_energy_j_mol, 0.0, reference[0]).reshape(by_day)
    vapour = saturation_pressure_pa(warm).reshape(by_day) / float(saturation_pressure_pa(reference[0]))
    steep = 100.0 * float(sorption.isotherm_slope(*reference))
    air = emc.reshape(by_day).mean(axis=-1)
    air_at = np.interp(air, isotherm, humidity)
    state = np.full_like(air, initial_pct)
    for _ in range(4):  # the pace hangs by little on the state: each turn is some ten times nearer
        wet = np.exp(moisture_exponent * ((state + air) / 2.0 - reference_mc) / 100.0)
        apart = np.interp(state, isotherm, humidity) - air_at
        near = np.abs(apart) < 0.01
        apart[near] = 0.01
        level = np.where(near, np.interp(air_at + apart, humidity, isotherm), state)
        slope = 100.0 * (level - np.interp(air_at, humidity, isotherm)) / apart
        resistance = (1.0 - film_share) / (heat * wet[..., None]) + film_share * slope[..., None] / steep / vapour
        keep = np.exp(-(1.0 / resistance).mean(axis=-1) / response_days)
        state[..., 1:] = first_order_recursion(keep.T, ((1.0 - keep) * air).T, initial_pct).T[..., :-1]
    return np.asarray(1.0 / resistance).reshape(warm.shape)


def lag_basis(
    emc_pct: ArrayLike,
    rate_factor_hourly: ArrayLike,
    time_constants_days: ArrayLike,
    initial_pct: ArrayLike,
    steps_per_day: int = 24,
) -> Array:
    """First-order lags of the equilibrium moisture content, percent, (k, days + 1): the state at 00:00 of every day.

    The first column is the start, the last the end of the last day. F' = factor(t) (EMC(t) - F) / time constant, exact
    for drivers that are constant over each step. emc_pct, rate_factor_hourly: (days x steps_per_day,); the factor may
    be a scalar. time_constants_days: (k,). initial_pct: scalar or (k,). Raises ValueError for part days."""
    emc = np.asarray(emc_pct, dtype=float)
    if emc.ndim != 1 or emc.size % steps_per_day:
        raise ValueError(f"{emc.shape} values cannot be cut into days of {steps_per_day} steps")
    hours = np.ascontiguousarray(emc.reshape(-1, steps_per_day).T)
    factor = np.broadcast_to(np.asarray(rate_factor_hourly, dtype=float), emc.shape)
    passed = np.ascontiguousarray(factor.reshape(-1, steps_per_day).T) / -steps_per_day
    rates = 1.0 / np.asarray(time_constants_days, dtype=float)[:, None]
    first = np.broadcast_to(np.asarray(initial_pct, dtype=float), rates.shape[:1])
    states = np.empty((rates.size, hours.shape[1] + 1))
    states[:, 0] = first
    gained = states[:, 1:]
    gained[:] = 0.0
    for start in range(0, hours.shape[1], DAYS_AT_ONCE):
        own = gained[:, start : start + DAYS_AT_ONCE]
        keep = np.empty(own.shape)
        for air, day in zip(hours[:, start:], passed[:, start:], strict=True):  # all lags at once, hour by hour
            np.exp(np.multiply(rates, day[: own.shape[1]], out=keep), out=keep)
            own -= air[: own.shape[1]]
            own *= keep
            own += air[: own.shape[1]]
    for lag, kept in enumerate(np.exp(rates * passed.sum(axis=0)) if emc.size else ()):
        gained[lag] = first_order_recursion(kept, gained[lag], first[lag])
    return states


def lag_weights(rates_per_day: ArrayLike, weights: ArrayLike, time_constants_days: ArrayLike) -> Array:
    """Weights on the lag basis (..., k) that stand for modes of any rate: sum_m w_m F(rate_m) = sum_k W_k F_k.

    rates_per_day, weights: (..., modes). Cubic Lagrange interpolation over the four nearest nodes of the logarithm of
    the time constant (evenly spaced, ascending, at least 4). Rates beyond the ends of the grid are set to its end."""
    grid = np.log(np.asarray(time_constants_days, dtype=float))
    rates, share = np.broadcast_arrays(np.asarray(rates_per_day, dtype=float), np.asarray(weights, dtype=float))
    with np.errstate(divide="ignore"):
        place = (np.clip(-np.log(rates), grid[0], grid[-1]) - grid[0]) / (grid[1] - grid[0])
    first = np.clip(np.floor(place).astype(np.intp) - 1, 0, grid.size - 4)
    s = place - first
    cubic = (
        (s - 1.0) * (s - 2.0) * (s - 3.0) / -6.0,
        s * (s - 2.0) * (s - 3.0) / 2.0,
        s * (s - 1.0) * (s - 3.0) / -2.0,
        s * (s - 1.0) * (s - 2.0) / 6.0,
    )
    lead, modes = rates.shape[:-1], rates.shape[-1]
    rows = int(np.prod(lead, dtype=np.intp))
    slot = np.arange(rows)[:, None] * grid.size + first.reshape(rows, modes)
    total = np.zeros(rows * grid.size)
    for step, part in enumerate(cubic):
        total += np.bincount((slot + step).ravel(), (part * share).ravel(), minlength=total.size)
    return total.reshape(*lead, grid.size)


def mean_response_days(
    thickness_mm: ArrayLike,
    diffusivity_m2_s: ArrayLike,
    conductance_outside_m_s: ArrayLike,
    conductance_inside_m_s: ArrayLike,
) -> Array:
    """Mean time a slab lags its air, days: the time constant of the one lag that stands for it. Arguments broadcast.

    First moment of the answer to a step, in the resistances R = 1 / conductance and Rw = L / D:
    L [(R1 + Rw/2) (R2 + Rw/2) / (R1 + R2 + Rw) - Rw/6]. One face sealed: L R + L^2 / (3 D); two like faces:
    L R / 2 + L^2 / (12 D). Up to Biot numbers of about 1.2 the 63 % answer of the slab comes within 2 % of it."""
    length = np.asarray(thickness_mm, dtype=float) / 1000.0
    outside, inside = np.asarray(conductance_outside_m_s, dtype=float), np.asarray(conductance_inside_m_s, dtype=float)
    wood = length / np.asarray(diffusivity_m2_s, dtype=float)
    # conductances, not resistances, so that a sealed face (0) is an ordinary value
    through = (1.0 + outside * wood / 2.0) * (1.0 + inside * wood / 2.0)
    with np.errstate(divide="ignore"):
        seconds = length * (through / (inside + outside + outside * inside * wood) - wood / 6.0)
    return np.asarray(seconds / SECONDS_PER_DAY, dtype=float)
