"""What does not come back after twenty and thirty years, by where it is made: plates, blocks, joint, root, residual."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from driftmodel.base.records import Scenario
from driftmodel.outlook.calendar import YEAR_DAYS, day_of
from driftmodel.outlook.draws import Draws
from driftmodel.outlook.lasting import (
    BOW,
    LASTING,
    RISING,
    creep_by_component,
    creep_history,
    creeping_shares,
    lasting_pull_n,
)
from driftmodel.outlook.moisture import PartWeights
from driftmodel.structure.joint import pivot_of, saddle_rise_mm
from driftmodel.structure.records import Coefficients

Array = NDArray[np.float64]

#: years after set-up at which the parts are told, whatever the forecast's horizon
PART_YEARS = (20, 30)
#: groups of boards told together; the residual is what the residual gain adds to all of them
PART_GROUPS = {
    "plates": ("top", "top_braces", "bridge", "back", "back_braces", "sides"),
    "blocks": ("blocks",),
    "joint": ("joint",),
    "root": ("root",),
}
RESIDUAL = "residual"


def lasting_by_part(
    scenario: Scenario, coefficients: Coefficients, draws: Draws, lags_pct: Array, heat: Array, weights: PartWeights
) -> tuple[Array, Array]:
    """Lasting rise of the saddle over the fret plane, mm, (part of PART_GROUPS and RESIDUAL, year of PART_YEARS), of
    the middle guitar of an ensemble: every unknown at its median, in one weather whose last year goes on for ever. And
    what the neck's bow would add to the action at the 12th fret, mm (year,), were the truss rod never turned.

    lags_pct (lag, days + 1), heat (days,): as lasting.creep_history takes them; weights: of that weather's draws.
    """
    since = day_of(scenario, scenario.setup.setup)
    at = since + np.append(0, np.round(np.array(PART_YEARS) * 365.25)).astype(np.intp)
    days = _days(lags_pct.shape[1], int(at[-1]) + 1)
    never_turned = replace(scenario, work=())
    going_on = creep_history(never_turned, lags_pct[:, days], heat[_days(heat.size, int(at[-1]))], at)
    values = {name: np.array([float(np.median(value))]) for name, value in draws.values.items()}
    mean = {part: weight.mean(axis=0)[None] for part, weight in weights.mean.items()}
    gain, pivot = float(values["residual_gain"][0]), pivot_of(scenario.instrument)
    pull = {quantity: lasting_pull_n(scenario, values, quantity)[0] for quantity in LASTING}
    rises = []
    for groups in PART_GROUPS.values():
        shares = {
            quantity: {key: own for key, own in creeping_shares(coefficients, quantity).items() if key[0] in groups}
            for quantity in RISING
        }
        moved = creep_by_component(going_on, shares, mean, values)
        whole = {quantity: np.zeros((1, at.size)) + pull[quantity] / gain * path for quantity, path in moved.items()}
        rises.append(saddle_rise_mm(whole, pivot)[0, 1:])
    bow = pull[BOW] * creep_by_component(going_on, {BOW: creeping_shares(coefficients, BOW)}, mean, values)[BOW][0, 1:]
    return np.array([*rises, (gain - 1.0) * np.sum(rises, axis=0)]), bow


def _days(known: int, wanted: int) -> NDArray[np.intp]:
    """Numbers of `wanted` days of which the first `known` are there: after those, the last year again and again."""
    day = np.arange(wanted)
    year = min(YEAR_DAYS, known)
    return np.where(day < known, day, known - year + (day - known) % year)
