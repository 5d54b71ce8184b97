"""What a design's drawing does to the way it moves: coefficients in words, sensitivities, what-ifs, the top's shape."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace
from math import radians, tan
from typing import Any

import numpy as np

from driftmodel.base.records import Instrument
from driftmodel.structure import box as boxes
from driftmodel.structure.body import SIZE_MM, box
from driftmodel.structure.box_movement import Answer, Shape, solve, solve_with_shares, top_shape
from driftmodel.structure.joint import over_top_at_join_mm, pivot_of, string_pull_n
from driftmodel.structure.neck import neck_turns_deg_per_n
from driftmodel.structure.records import LOADS

#: each input is moved by this share to either side
STEP = 0.05


@dataclass(frozen=True)
class Case:
    """What a design's behaviour follows from: its body, the turns of joint and root (degrees per N of string pull, by
    key of records.GROUPS), and what they are made of."""

    box: boxes.Box
    turns: dict[tuple[str, str], float]


Change = Callable[[Case, float], Case]


@dataclass(frozen=True)
class Behaviour:
    """What a maker sees of one design, per load of records.LOADS but under the full string pull for 'strings'.

    saddle_rise_mm: saddle over the fret plane for +1 % MC in the part, or for the strings coming to pitch; halve it
    for the action at the 12th fret. bridge_rise_mm: against the neck block. neck_turn_deg: + the nut end comes up.
    bridge_tilt_deg: + leans to the nut."""

    saddle_rise_mm: dict[str, float]
    bridge_rise_mm: dict[str, float]
    neck_turn_deg: dict[str, float]
    bridge_tilt_deg: dict[str, float]
    string_give_mm: dict[tuple[str, str], float] = field(default_factory=dict)


@dataclass(frozen=True)
class Sensitivity:
    """Percent by which a behaviour changes when one input grows by 10 % (linear, from 5 % to either side)."""

    input: str
    top_moisture_pct: float
    back_moisture_pct: float
    strings_pct: float
    bridge_tilt_pct: float


def behaviour(instrument: Instrument) -> Behaviour:
    """The design's behaviour at its own drawing. Raises BadInput where its parts do not fit."""
    case = case_of(instrument)
    answers, shares = solve_with_shares(case.box, SIZE_MM, LOADS)
    pull = string_pull_n(instrument.strings)
    distance = pivot_of(instrument)
    give = {key: pull * (distance * turn - shares["sinkage"][key]) for key, turn in shares["turn"].items()}
    give |= {key: pull * distance * radians(turn) for key, turn in case.turns.items()}
    return replace(_behaviour(answers, case, instrument), string_give_mm=give)


def case_of(instrument: Instrument) -> Case:
    """What a design's behaviour follows from, as drawn. Raises BadInput where its parts do not fit."""
    height_mm = over_top_at_join_mm(instrument.strings)
    return Case(box(instrument.body, height_mm), neck_turns_deg_per_n(instrument))


def _behaviour(answers: dict[str, Answer], case: Case, instrument: Instrument) -> Behaviour:
    pull = string_pull_n(instrument.strings)
    distance = pivot_of(instrument)
    size = {load: pull if load == "strings" else 1.0 for load in LOADS}
    bridge = {load: size[load] * (answer.bridge[1] - answer.block[1]) for load, answer in answers.items()}
    turn = {load: size[load] * answer.block_turn for load, answer in answers.items()}
    turn["strings"] += pull * radians(sum(case.turns.values()))
    return Behaviour(
        saddle_rise_mm={load: bridge[load] + tan(turn[load]) * distance for load in LOADS},
        bridge_rise_mm=bridge,
        neck_turn_deg={load: turn[load] / radians(1.0) for load in LOADS},
        bridge_tilt_deg={load: -size[load] * answer.bridge_tilt / radians(1.0) for load, answer in answers.items()},
    )


def _tried(case: Case, instrument: Instrument) -> Behaviour:
    return _behaviour(solve(case.box, SIZE_MM, LOADS), case, instrument)


def _times(value: Any, factor: float) -> Any:
    """A number, each number of a table, or what a function of the distance gives, times a factor."""
    if isinstance(value, dict):
        return {name: factor * share for name, share in value.items()}
    return (lambda reach: factor * value(reach)) if callable(value) else value * factor


def _scaled(of: Any, path: str, factor: float) -> Any:
    """A record with what stands at a path in it, of each of several, times a factor; what is not there stays so."""
    if of is None or not path:
        return None if of is None else _times(of, factor)
    if isinstance(of, tuple):
        return tuple(_scaled(one, path, factor) for one in of)
    name, _, rest = path.partition(".")
    return replace(of, **{name: _scaled(getattr(of, name), rest, factor)})


def _of_box(*paths: str) -> Change:
    def change(case: Case, factor: float) -> Case:
        for path in paths:
            case = _scaled(case, f"box.{path}", factor)
        return case

    return change


def _turned(key: str) -> Change:
    return lambda case, factor: replace(case, turns={**case.turns, (key, key): case.turns[key, key] * factor})


def _string_height(case: Case, factor: float) -> Case:
    """The strings' height over the top at the join: their line at the bridge, and their moment on the joint."""
    return _turned("joint")(_scaled(case, "box.strings.over_top_at_join_mm", factor), factor)


def _shaved(before: bool) -> Change:
    def change(case: Case, factor: float) -> Case:
        shares, top, bridge = (factor, 1.0) if before else (1.0, factor), case.box.top, case.box.bridge
        bars = tuple(boxes.shaved(bar, *shares, bridge.front_mm, bridge.back_mm) for bar in top.bars)
        return replace(case, box=replace(case.box, top=replace(top, bars=bars)))

    return change


#: every input of the structural model that a drawing or a choice of wood sets, in plain words
INPUTS: dict[str, Change] = {
    "top thickness": _of_box("top.thickness_mm"),
    "top dome radius": _of_box("top.radius_mm"),
    "top brace height": _of_box("top.bars.height_mm"),
    "top brace height before the bridge": _shaved(before=True),
    "top brace height behind the bridge": _shaved(before=False),
    "top brace width": _of_box("top.bars.width_mm"),
    "top brace stiffness": _of_box("top.bars.board.modulus_along"),
    "top stiffness along the grain": _of_box("top.board.modulus_along"),
    "top stiffness across the grain": _of_box("top.board.modulus_across"),
    "top shear stiffness": _of_box("top.board.shear_plane"),
    "top movement across the grain": _of_box("top.board.movement_across"),
    "top movement along the grain": _of_box("top.board.movement_along"),
    "back thickness": _of_box("back.thickness_mm"),
    "back dome radius": _of_box("back.radius_mm"),
    "back brace height": _of_box("back.bars.height_mm"),
    "back brace width": _of_box("back.bars.width_mm"),
    "back stiffness along the grain": _of_box("back.board.modulus_along"),
    "back stiffness across the grain": _of_box("back.board.modulus_across"),
    "back movement across the grain": _of_box("back.board.movement_across"),
    "side thickness": _of_box("side_thickness_mm"),
    "body depth": _of_box("depth_neck_mm", "depth_tail_mm"),
    "side stiffness along the grain": _of_box("side.modulus_along"),
    "lining width": _of_box("lining.width_mm"),
    "bridge thickness": _of_box("bridge.thickness_mm"),
    "bridge stiffness": _of_box("bridge.board.modulus_along"),
    "bridge plate thickness": _of_box("bridge_plate.thickness_mm"),
    "neck block length": _of_box("neck_block.length_mm"),
    "neck block stiffness": _of_box("neck_block.wood.shares"),
    "strings' height at the join": _string_height,
    "give of the joint": _turned("joint"),
    "length of the neck's root": _turned("root"),
}


def sensitivities(instrument: Instrument, inputs: tuple[str, ...] = tuple(INPUTS)) -> Iterator[Sensitivity]:
    """One Sensitivity an input, as it is found (about 2 s each): central difference of the logarithm, times 10 %."""
    own = case_of(instrument)
    for name in inputs:
        low, high = (_tried(INPUTS[name](own, 1.0 + sign * STEP), instrument) for sign in (-1.0, 1.0))

        def percent(kind: str, load: str, low: Behaviour = low, high: Behaviour = high) -> float:
            below, above = getattr(low, kind)[load], getattr(high, kind)[load]
            middle = (below + above) / 2.0
            return 100.0 * 0.1 * (above - below) / (2.0 * STEP * middle) if abs(middle) > 1e-6 else 0.0

        yield Sensitivity(
            name,
            percent("saddle_rise_mm", "top"),
            percent("saddle_rise_mm", "back"),
            percent("saddle_rise_mm", "strings"),
            percent("bridge_tilt_deg", "strings"),
        )


#: the what-ifs: input, and the factors it is tried at
WHAT_IFS: dict[str, tuple[float, ...]] = {
    "top brace height": (0.7, 0.85, 1.0, 1.15, 1.3),
    "top thickness": (0.8, 0.9, 1.0, 1.1, 1.2),
    "top dome radius": (0.5, 0.7, 1.0, 1.5, 3.0),
}


def what_if(instrument: Instrument, name: str) -> list[tuple[float, Behaviour]]:
    """The design with one input tried at each factor of WHAT_IFS."""
    own = case_of(instrument)
    return [(factor, _tried(INPUTS[name](own, factor), instrument)) for factor in WHAT_IFS[name]]


def top_movement(instrument: Instrument, moisture_change_pct: float) -> Shape:
    """How the top moves when every part of the body takes up `moisture_change_pct`; rise under the name 'all'."""
    parts = ("top", "top_braces", "back", "back_braces", "sides")
    shape = top_shape(case_of(instrument).box, SIZE_MM, parts)
    whole = np.sum([shape.rise[part] for part in parts], axis=0)
    return replace(shape, rise={"all": moisture_change_pct * whole})
