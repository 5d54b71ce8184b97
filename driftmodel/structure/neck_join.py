"""What turns besides the body: the joint between heel and block, and the root of the neck beyond the truss rod."""

from __future__ import annotations

from math import degrees

import numpy as np
from numpy.typing import ArrayLike

from driftmodel.base import library
from driftmodel.base.records import Instrument
from driftmodel.base.types import Array
from driftmodel.structure.joint import pivot_to_saddle_mm
from driftmodel.structure.neck import neck_section
from driftmodel.structure.strings import over_top_at_join_mm, string_pull_n

#: the number of species_data that says how a heel and a tongue so fastened turn, over a joint glued all over
_TURNS = {
    ("bolted", "glued"): "joint_turn_tongue_glued",
    ("bolted", "bolted"): "joint_turn_tongue_bolted",
    ("glued", "bolted"): "joint_turn_tongue_bolted",
    ("bolted", "free"): "joint_turn_heel_alone",
    ("glued", "free"): "joint_turn_heel_alone",
}


def _number(name: str) -> float:
    return library.general(name).value


def string_moment_nm(instrument: Instrument) -> float:
    """Moment of the strings about the top's face at the body join, N m."""
    return string_pull_n(instrument.strings) * over_top_at_join_mm(instrument.strings) / 1000.0


def joint_turn_deg_per_nm(instrument: Instrument) -> float:
    """Turn of the neck on its block for 1 N m, over a joint glued all over: the fastening's, and the spacer's between
    heel and block, a pad of even pressure and bending (thickness / (modulus x second moment of its face))."""
    joint, depth = instrument.joint, instrument.spacers.joint_length_mm
    name = _TURNS.get((joint.heel, joint.tongue))
    own = _number(name) if name else 0.0
    face = _number("heel_width") * depth**3 / 12.0
    spacer = degrees(_number("spacer_thickness") / (_number("spacer_modulus") * face)) * 1000.0
    return own + (spacer if joint.heel == "bolted" else 0.0)


def root_length_mm(instrument: Instrument) -> float:
    """Stretch of the neck between the end of the truss rod and the body join; nought where the rod reaches the body."""
    rod, scale = instrument.neck.rod_length_mm, instrument.strings.scale_mm
    if rod is None:
        return _number("neck_root_length")
    return max(scale - pivot_to_saddle_mm(scale, instrument.body_fret) - rod, 0.0)


def neck_turns_deg_per_n(instrument: Instrument) -> dict[tuple[str, str], float]:
    """Elastic turn of the neck at the join per N of string pull, + raises the nut end, by (group, component) of
    records.GROUPS: of the joint, and of the root, which bends under the strings' moment about its own neutral axis."""
    bending, neutral_mm = neck_section(instrument.neck, instrument.neck.width_body_mm, instrument.neck.depth_body_mm)
    arm = neutral_mm + _number("strings_over_board")
    joint = joint_turn_deg_per_nm(instrument) * over_top_at_join_mm(instrument.strings) / 1000.0
    joint *= float(opened(instrument, 0.0))
    return {("joint", "joint"): joint, ("root", "root"): degrees(arm / bending) * root_length_mm(instrument)}


def holding_moment_nm(instrument: Instrument) -> float:
    """Moment at which fresh bolts let the heel's lower edge go, N m: clamp force at half the heel's depth."""
    joint = instrument.joint
    preload = _number("bolt_preload") if joint.bolt_preload_n is None else joint.bolt_preload_n
    return joint.bolts * preload * instrument.spacers.joint_length_mm / 2.0 / 1000.0


def clamp_lost(days: ArrayLike) -> Array:
    """Share of their clamp force that bolts lose so many days after they were tightened: wood across the grain relaxes
    by the logarithm of time. May pass 1 after centuries."""
    first = _number("bolt_loss_first_days")
    return np.asarray(_number("bolt_loss_per_decade") * np.log10(1.0 + np.asarray(days, dtype=float) / first))


def opened(instrument: Instrument, lost: ArrayLike) -> Array:
    """How many times as much a bolted joint turns under the strings when it has lost so much of its clamp force.

    A joint cannot pull: once moment over clamp force leaves the middle third of its depth, it opens at one edge and
    bears on 3 (1/2 - e) of the depth, e the eccentricity as a share of it, and turns 1 / (54 e (1/2 - e)^2) times as
    much (eccentric compression of a section that takes no tension: Timoshenko, Strength of Materials, part I). No more
    than joint_turn_slack: then it hangs on its bolts' stretch and the tongue. A glued heel stays as it is.
    """
    kept = np.maximum(1.0 - np.asarray(lost, dtype=float), 1e-6)
    own = joint_turn_deg_per_nm(instrument)
    if instrument.joint.heel != "bolted" or own <= 0.0:
        return np.ones_like(kept)
    off = np.clip(string_moment_nm(instrument) / (2.0 * holding_moment_nm(instrument)) / kept, 1.0 / 6.0, 0.4999)
    more = 1.0 / (54.0 * off * (0.5 - off) ** 2)
    return np.asarray(np.minimum(more, max(_number("joint_turn_slack") / own, 1.0)))


def slack_turn_deg(instrument: Instrument) -> float:
    """Turn of the neck under the strings that slack bolts would add, degrees."""
    more = max(_number("joint_turn_slack") - joint_turn_deg_per_nm(instrument), 0.0)
    return more * string_moment_nm(instrument)
