"""The unknowns of an instrument and of its readings as standard normal values: their order, and back again."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from driftmodel.base.records import Scenario
from driftmodel.base.schema import Array, Frozen
from driftmodel.calibration.records import ReadingRow
from driftmodel.calibration.work import known_step, moment_of, stands_anew, truss_rod_turns
from driftmodel.outlook.draws import Draws, Unknown, members_of, unknowns_of

#: what is known beforehand of a level the scenario does not state, one standard deviation (from memory): wide
LEVEL_SD = {"projection": 1.5, "relief": 0.15, "top_sinkage": 1.5, "weight": 150.0}
#: half the difference of bass and treble action, mm: mean and standard deviation (common practice, no source)
LEAN_MM = (0.20, 0.15)
#: what a turn of the truss rod may do to relief, mm, one standard deviation (common practice, no source)
TRUSS_ROD_MM = 0.12
#: where a neck reset or damage may leave the saddle over the fret plane, mm, one standard deviation (from memory): wide
ANEW_MM = 1.5
#: what the unknowns of such work are called, before their number
ANEW, TRUSS_ROD = "anew_", "truss_rod_"
#: a design's wood mass from its sizes and mean densities is known to this, log (density: Wood Handbook Table 5-6, 10 %)
WOOD_MASS_LOG_SD = 0.10
#: how much more or less the seasons move a guitar than its wood says, logarithm, and the unknowns that carry it, which
#: move nothing else. Set by how well bands hold on truths of a larger season (docs/learning.md)
SEASON_LOG_SD = 0.3
SEASONAL = ("structure", "block", "movement_neck", "movement_fingerboard")

#: what a calibration takes for possible is wider than what a forecast draws, and more so far out: readings of
#: guitars past the usual must be able to say so (heavy tails: O'Hagan 1979, Journal of the Royal Statistical
#: Society B 41, 358-367)
WIDER, TAILS = 1.05, 0.05
#: unknowns of moisture transport are interpolated between their own bounds, and keep their plain scale
PLAIN = ("diffusion", "surface", "film")


def stretched(normals: Array) -> Array:
    """Standard normal values as multiples of an unknown's logarithmic sd: alike in the middle, further out in the
    tails."""
    return np.asarray(WIDER * normals * (1.0 + TAILS * normals**2))


@dataclass(frozen=True)
class Layout:
    """The order of the unknowns in a particle: those of the forecast, the set-up error, then what the readings add.

    multipliers are lognormal with heavier tails (see `stretched`); offsets normal with (mean, sd)."""

    multipliers: dict[str, Unknown]
    offsets: dict[str, tuple[float, float]]

    @property
    def names(self) -> tuple[str, ...]:
        return (*self.multipliers, *self.offsets)

    @property
    def size(self) -> int:
        return len(self.multipliers) + len(self.offsets)

    def values(self, normals: Array) -> dict[str, Array]:
        """Standard normal values (n, size) as multipliers and offsets, (n,) each, the season's carried by SEASONAL."""
        found = self.own(normals)
        return found | {name: found[name] * found["season"] for name in SEASONAL if name in found}

    def own(self, normals: Array) -> dict[str, Array]:
        """The same, each by itself."""
        found = {
            name: unknown.median
            * np.exp(unknown.log_sd * (normals[:, place] if name in PLAIN else stretched(normals[:, place])))
            for place, (name, unknown) in enumerate(self.multipliers.items())
        }
        shift = len(self.multipliers)
        for place, (name, (mean, sd)) in enumerate(self.offsets.items()):
            found[name] = mean + sd * normals[:, shift + place]
        return found


def layout_of(scenario: Scenario, readings: tuple[ReadingRow, ...]) -> Layout:
    """Unknowns of an instrument, of its work and of its readings. A level the scenario does not state is centred on the
    median of its readings, with LEVEL_SD about it."""
    multipliers = dict(unknowns_of(scenario))
    multipliers["season"] = Unknown("how much the seasons move it beyond what its wood says", 1.0, SEASON_LOG_SD)
    offsets = {"set_up_error": (0.0, scenario.setup.action_reading_sd_mm)}
    read = {reading.what for reading in readings}
    if read & {"action_treble", "action_bass"}:
        offsets["lean"] = LEAN_MM
    for what, sd in LEVEL_SD.items():
        if what in read:
            own = [one for one in readings if one.what == what]
            sound = [one for one in own if not one.doubt] or own
            levels = [one.value - known_step(what, moment_of(one), scenario.work, scenario) for one in sound]
            offsets[f"level_{what}"] = (float(np.median(levels)), sd)
    if "weight" in read:
        multipliers["wood_mass"] = Unknown("how much wood is in it", 1.0, WOOD_MASS_LOG_SD)
    for number, _ in enumerate(truss_rod_turns(scenario.work)):
        offsets[f"{TRUSS_ROD}{number}"] = (0.0, TRUSS_ROD_MM)
    for number, _ in enumerate(stands_anew(scenario.work)):
        offsets[f"{ANEW}{number}"] = (0.0, ANEW_MM)
    return Layout(multipliers, offsets)


def as_draws(layout: Layout, normals: Array, members: int, action_per_relief: float) -> Draws:
    """Particles as the forecast's draws; the weather members share them out in equal blocks. What the truss rod, a neck
    reset or damage did to the action, by an amount only the readings tell, goes with the error of the set-up."""
    values = layout.values(normals)
    own = {name: values[name] for name in layout.multipliers if name not in ("season", "wood_mass")}
    count = len(normals)
    member = members_of(members, count)
    told = values["set_up_error"] + by_work(ANEW, values) / 2.0 + by_work(TRUSS_ROD, values) * action_per_relief
    return Draws(Frozen(own), told, member)


def by_work(stem: str, values: Mapping[str, Array], before: int | None = None) -> Array:
    """What the first `before` pieces of work of unknown effect (all if None) did, mm (n,): neck resets and the like
    (ANEW) to the saddle over the fret plane, turns of the truss rod (TRUSS_ROD) to the relief."""
    total = np.zeros_like(values["set_up_error"])
    for name, value in values.items():
        if name.startswith(stem) and (before is None or int(name.removeprefix(stem)) < before):
            total = total + value
    return total
