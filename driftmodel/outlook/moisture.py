"""From hourly air to the lags that every part of the instrument is made of, and each part's weights on them."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from driftmodel.base.records import Instrument, Scenario
from driftmodel.base.schema import PARTS, Array, Dataset
from driftmodel.outlook.draws import Draws
from driftmodel.outlook.room_lags import RoomRows, room_rows, room_weights
from driftmodel.outlook.wood_air import built_moisture, slab_of, transport, wood_air
from driftmodel.wood import diffusion

#: parts whose moisture moves at the neck's pace; all others at the top's
THICK = ("neck", "fingerboard")


@dataclass(frozen=True)
class Lags:
    """Equilibrium moisture content of an air, and its first-order lags at 00:00 of each day.

    emc_pct: (days + 1,), the day's mean; lags_pct: (lag, days + 1), from the built state at the start: one lag for
    each time constant at the speed of thin parts, then one for each at the speed of thick parts. rooms: where houses
    are drawn, more rows follow that tell a draw's own room from the median's (see room_lags); else None."""

    time_constants_days: Array
    emc_pct: Array
    lags_pct: Array
    rooms: RoomRows | None = None


@dataclass(frozen=True)
class PartWeights:
    """Weights on the lags: mean[part] and gradient[part] are (draws, lag); gradient is outside minus inside."""

    mean: dict[str, Array]
    gradient: dict[str, Array]


def air_lags(air: Dataset, scenario: Scenario, rooms: bool = False) -> Lags:
    """The lags of one hourly air history (whole days), starting in equilibrium with the air the body was built in.

    rooms: with the rows that other rooms than the median's need, for draws that know their room."""
    emc, speeds = wood_air(air["air_temperature"].values, air["relative_humidity"].values, scenario)
    lags = lags_of(emc, speeds, built_moisture(scenario))
    more = room_rows(air, speeds, scenario, lags.time_constants_days) if rooms else None
    if more is None:
        return lags
    return replace(lags, rooms=more[0], lags_pct=np.concatenate([lags.lags_pct, more[1]]))


def lags_of(emc_pct: Array, speeds: list[Array], start_pct: float) -> Lags:
    """The lags of an hourly equilibrium moisture content under the speeds of thin and of thick parts."""
    grid = diffusion.time_grid()
    bases = [diffusion.lag_basis(emc_pct, speed, grid, start_pct) for speed in speeds]
    daily = emc_pct.reshape(-1, 24).mean(axis=1)
    return Lags(grid, np.append(daily, daily[-1]), np.concatenate(bases))


def part_weights(
    instrument: Instrument, draws: Draws, time_constants_days: Array, rooms: RoomRows | None = None
) -> PartWeights:
    """Each part as a slab of 8 cells with a film on each face: its weights on the lags, for every draw in its room."""
    mean, gradient = {}, {}
    for part in PARTS:
        slab = slab_of(instrument, part)
        moves = transport(slab, *(draws.values[name] for name in ("diffusion", "surface", "film")))
        rates, mean_share, gradient_share = diffusion.slab_modes(slab.thickness_mm, *moves)
        scale = draws.values["moisture_level"][:, None]
        mean[part] = scale * _on_basis(part, diffusion.lag_weights(rates, mean_share, time_constants_days))
        gradient[part] = scale * _on_basis(part, diffusion.lag_weights(rates, gradient_share, time_constants_days))
    if rooms is not None:
        terms = rooms.terms(draws.values, draws.count)
        mean, gradient = ({part: room_weights(own, rooms, terms) for part, own in each.items()}
                          for each in (mean, gradient))  # fmt: skip
    return PartWeights(mean, gradient)


def _on_basis(part: str, weights: Array) -> Array:
    """Weights (draws, lag) on the thin or the thick half of the lags, nothing on the other."""
    none = np.zeros_like(weights)
    return np.concatenate([none, weights] if part in THICK else [weights, none], axis=1)
