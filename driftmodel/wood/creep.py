"""Creep along the grain: what wood gives way under a lasting load, with time (Kelvin units) and with moisture cycling.

Both parts are relative to the elastic answer of the full load; the load is a share of it (1 strings at pitch, 0 off).
States are daily, at 00:00, with the end of the last day added: n days give n + 1 states.
"""

from __future__ import annotations

from itertools import pairwise

import numpy as np
from numpy.typing import ArrayLike, NDArray

from driftmodel.base.recursion import first_order_recursion

Array = NDArray[np.float64]


def kelvin_creep(load_daily: ArrayLike, time_constants_days: ArrayLike, compliances: ArrayLike) -> Array:
    """Relative creep (days + 1,) of a chain of Kelvin units under a daily load (days,) constant over each day.

    Each unit is a lag of the load, s' = (load - s) / tau, and adds compliance x s; exact. The wood starts unloaded.
    time_constants_days, compliances (relative to the elastic compliance): (units,).
    """
    load = np.asarray(load_daily, dtype=float)
    creep = np.zeros(load.size + 1)
    for tau, compliance in zip(np.atleast_1d(time_constants_days), np.atleast_1d(compliances), strict=True):
        keep = float(np.exp(-1.0 / tau))
        creep[1:] += float(compliance) * first_order_recursion(keep, (1.0 - keep) * load)
    return creep


def moisture_travel(moisture_pct: ArrayLike) -> Array:
    """Path of the moisture content, fraction per day: (..., days + 1) in percent -> (..., days), |du| between states.

    Swings that turn back within one day are not in it.
    """
    return np.asarray(np.abs(np.diff(np.asarray(moisture_pct, dtype=float), axis=-1)) / 100.0, dtype=float)


def mechano_sorptive(load_daily: ArrayLike, travel_fraction: ArrayLike, rate: ArrayLike) -> Array:
    """Mechano-sorptive creep relative to its limit, (..., days + 1): a lag of the load in moisture travel, not in time.

    d eps = (load - eps) rate |du| (Toratti 1992). load_daily (days,); travel_fraction (..., days), see
    `moisture_travel`; rate per unit moisture fraction, broadcast over the leading axes. Multiply by J_inf / J_0.
    Exact: over a run of days with one load, eps = load + (eps_0 - load) exp(-rate x travel). Starts at 0.
    """
    load = np.asarray(load_daily, dtype=float)
    travel = np.asarray(travel_fraction, dtype=float)
    speed = np.asarray(rate, dtype=float)[..., None]
    lead = np.broadcast_shapes(travel.shape[:-1], speed.shape[:-1])
    strain = np.zeros((*lead, load.size + 1))  # first the travelled path, then turned into strain in place
    np.multiply(speed, travel, out=strain[..., 1:])
    np.cumsum(strain[..., 1:], axis=-1, out=strain[..., 1:])
    edges = [0, *(np.flatnonzero(np.diff(load)) + 1).tolist(), load.size]
    marks = strain[..., edges]
    state = np.zeros((*lead, 1))
    for number, (start, stop) in enumerate(pairwise(edges)):
        run = strain[..., start + 1 : stop + 1]
        np.exp(np.subtract(marks[..., number : number + 1], run, out=run), out=run)
        run *= state - load[start]
        run += load[start]
        state = run[..., -1:].copy()
    return strain
