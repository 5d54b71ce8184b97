"""Strain of wood held across the grain: how much of its movement the body holds, and what the air does to it.

Strain is counted from the state the wood has settled at: a first-order lag of its own moisture, from the state it was
closed in. + is tension, from drying. Damp lends no tension: wood that has grown used to damp air gives that back on
its way down, and is in tension only below the state it was closed in. A set taken in swelling, which would shorten that
way, is not modelled.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from driftmodel.base import library
from driftmodel.base.arrays import first_order_recursion
from driftmodel.base.build import Plate
from driftmodel.base.records import Instrument
from driftmodel.base.types import Array, Flags, Single
from driftmodel.outlook.calendar import day_of
from driftmodel.outlook.chain import Chain, Weather
from driftmodel.structure.response import body_response
from driftmodel.wood.movement import ring_angle_coefficient

PLATES = ("top", "back")


def plate_of(instrument: Instrument, name: str) -> Plate:
    """The plate called 'top' or 'back'."""
    return instrument.body.top if name == "top" else instrument.body.back


def across_coefficient(plate: Plate) -> float:
    """Strain across the grain per 1 % moisture of a plate as it is cut."""
    wood = library.wood(plate.wood)
    radial, tangential = (library.number(wood, f"coefficient_{way}").value for way in ("radial", "tangential"))
    return float(ring_angle_coefficient(radial, tangential, plate.ring_angle_deg))


def restrained_share(instrument: Instrument) -> float:
    """Share of the top's free movement across the grain that the body takes from it at the bridge, averaged over
    its width: 1 - computed widening / (coefficient x width), from the plate model's answer to +1 % in the top alone."""
    body = instrument.body
    at, half = zip(*body.outline_mm, strict=True)
    width = 2.0 * float(np.interp(body.bridge.saddle_mm, at, half))
    free = across_coefficient(body.top) * width
    return float(np.clip(1.0 - body_response(instrument).body_width_mm["top"] / free, 0.0, 1.0))


@dataclass(frozen=True)
class Held:
    """Daily strain from set-up on, the greater tension of top and back, (draws, days); limits drawn per draw."""

    strain: Single
    set_strain: Array
    failure_strain: Array

    def past_set(self) -> Flags:
        """Where strain is past the limit at which wood takes a set, drying or swelling, (draws, days)."""
        return np.asarray(np.abs(self.strain) > self.set_strain[:, None])

    def splits(self) -> Flags:
        """Draws that pass the strain of failure in tension on any day, (draws,)."""
        return np.asarray(self.strain.max(axis=1) > self.failure_strain)


def held_strain(chain: Chain, seed: int) -> Held:
    """Strain where a plate is glued fast (restrained_share_held), and its limits drawn by their spread."""
    count = chain.draws.count
    random = np.random.default_rng([seed, *b"strain limits"])
    limits = [
        datum.value * np.exp(datum.log_sd * np.clip(random.standard_normal(count), -3, 3))
        for datum in (library.general("strain_yield_across_grain"), library.general("strain_failure_across_grain"))
    ]
    share = library.general("restrained_share_held").value
    strain = np.concatenate([_greater_tension(chain, weather) for weather in chain.weathers]) * np.float32(share)
    return Held(strain, limits[0], limits[1])


def _greater_tension(chain: Chain, weather: Weather) -> Single:
    since = day_of(chain.scenario, chain.scenario.setup.setup)
    keep = float(np.exp(-1.0 / library.general("stress_relaxation_time").value))
    # both lags are linear: the lag of a part's moisture is the same weights on the lags of the lags
    change = weather.lags.lags_pct - weather.lags.lags_pct[:, [0]]  # from the state the body was closed in
    settled = first_order_recursion(keep, (1.0 - keep) * change.T).T
    behind, below = (lags[:, since:].astype(np.float32) for lags in (settled - change, -change))
    worst: Single | None = None
    for name in PLATES:
        coefficient = across_coefficient(plate_of(chain.scenario.instrument, name))
        moved = coefficient * weather.draws.values[f"movement_{name}"]
        weights = (moved[:, None] * weather.weights.mean[name]).astype(np.float32)
        tension = np.maximum(weights @ below, np.float32(0.0))
        strain = np.minimum(weights @ behind, tension)
        worst = strain if worst is None else np.where(np.abs(strain) > np.abs(worst), strain, worst)
    assert worst is not None
    return worst
