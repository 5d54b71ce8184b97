"""Neck and fingerboard: two glued layers that bow each other with moisture, and the bow from string pull; and what
turns besides the body: the joint between heel and block, and the root of the neck beyond the truss rod."""

from __future__ import annotations

from math import degrees, pi

import numpy as np
from numpy.typing import ArrayLike

from driftmodel.base import library
from driftmodel.base.build import Neck, Strings
from driftmodel.base.records import Instrument
from driftmodel.base.schema import Array
from driftmodel.structure.joint import (
    bow_action_mm,
    bow_relief_mm,
    fret_to_saddle_mm,
    over_top_at_join_mm,
    pivot_of,
    string_pull_n,
)
from driftmodel.structure.records import NeckResponse


def bimetal_curvature_per_m(
    thickness_1_mm: ArrayLike,
    thickness_2_mm: ArrayLike,
    modulus_1_gpa: ArrayLike,
    modulus_2_gpa: ArrayLike,
    strain_mismatch: ArrayLike,
) -> Array:
    """Curvature in 1/m of two bonded layers whose free strains differ by `strain_mismatch` (2 less 1).

    Timoshenko (1925), Eq. 4: k = 6 e (1 + m)^2 / (h [3 (1 + m)^2 + (1 + m n)(m^2 + 1/(m n))]), m = t1/t2, n = E1/E2.
    + hollow on the side of layer 1."""
    t1, t2 = np.asarray(thickness_1_mm, dtype=float), np.asarray(thickness_2_mm, dtype=float)
    m, n = t1 / t2, np.asarray(modulus_1_gpa, dtype=float) / np.asarray(modulus_2_gpa, dtype=float)
    height_m = (t1 + t2) / 1000.0
    shape = 3.0 * (1.0 + m) ** 2 + (1.0 + m * n) * (m**2 + 1.0 / (m * n))
    return np.asarray(6.0 * np.asarray(strain_mismatch, dtype=float) * (1.0 + m) ** 2 / (height_m * shape), dtype=float)


def neck_section(neck: Neck, width_mm: float, depth_mm: float) -> tuple[float, float]:
    """Bending stiffness in N mm2 and depth of the neutral axis under the fingerboard's face, mm.

    The neck's half-round section is taken as a rectangle of its width and of the depth that has its area."""
    board_gpa, neck_gpa = (_along_gpa(wood) for wood in (neck.fingerboard_wood, neck.wood))
    board_mm, neck_mm = neck.fingerboard_thickness_mm, pi / 4.0 * depth_mm
    axial = board_gpa * board_mm, neck_gpa * neck_mm
    neutral_mm = (axial[0] * board_mm / 2.0 + axial[1] * (board_mm + neck_mm / 2.0)) / sum(axial)
    bending = sum(
        modulus * 1000.0 * width_mm * (depth**3 / 12.0 + depth * (middle - neutral_mm) ** 2)
        for modulus, depth, middle in (
            (board_gpa, board_mm, board_mm / 2.0),
            (neck_gpa, neck_mm, board_mm + neck_mm / 2.0),
        )
    )
    return bending, neutral_mm


def bow(neck: Neck, strings: Strings, body_fret: int, root_mm: float = 0.0) -> NeckResponse:
    """How neck and fingerboard bow for +1 % MC in each, and for 1 N of string pull; curvature + hollow under strings.

    Fingerboard on top (layer 1), neck below (layer 2), both moving along the grain. String pull acts at the string's
    height over the section's neutral axis: moment / EI. Moisture bows the neck up to the body; the strings bow it up to
    its root of length root_mm, whose bend is a turn of the neck."""
    along = library.value("longitudinal_movement_mean")
    board_gpa, neck_gpa = (_along_gpa(wood) for wood in (neck.fingerboard_wood, neck.wood))
    depth_mm, width_mm = (neck.depth_nut_mm + neck.depth_body_mm) / 2.0, (neck.width_nut_mm + neck.width_body_mm) / 2.0
    board_mm, neck_mm = neck.fingerboard_thickness_mm, pi / 4.0 * depth_mm
    per_mismatch = float(bimetal_curvature_per_m(board_mm, neck_mm, board_gpa, neck_gpa, along))
    bending, neutral_mm = neck_section(neck, width_mm, depth_mm)
    scale, nut_to_body = strings.scale_mm, strings.scale_mm - fret_to_saddle_mm(strings.scale_mm, body_fret)
    return NeckResponse(
        curvature_per_pct_neck=per_mismatch,
        curvature_per_pct_fingerboard=-per_mismatch,
        curvature_per_newton=1000.0 * (neutral_mm + library.value("strings_over_board")) / bending,
        relief_mm_per_curvature=float(bow_relief_mm(1.0, nut_to_body)),
        action_12th_mm_per_curvature=float(bow_action_mm(1.0, scale, body_fret)),
        string_action_12th_mm_per_curvature=float(bow_action_mm(1.0, scale, body_fret, held_mm=root_mm)),
    )


def _along_gpa(wood_name: str) -> float:
    """True modulus along the grain, GPa: the table's bending modulus times the shear correction."""
    bending = library.wood_value(wood_name, "modulus_of_elasticity_12")
    return library.value("shear_correction_modulus") * bending / 1000.0


#: the number of species_data that says how a heel and a tongue so fastened turn, over a joint glued all over
_TURNS = {
    ("bolted", "glued"): "joint_turn_tongue_glued",
    ("bolted", "bolted"): "joint_turn_tongue_bolted",
    ("glued", "bolted"): "joint_turn_tongue_bolted",
    ("bolted", "free"): "joint_turn_heel_alone",
    ("glued", "free"): "joint_turn_heel_alone",
}


def string_moment_nm(instrument: Instrument) -> float:
    """Moment of the strings about the top's face at the body join, N m."""
    return string_pull_n(instrument.strings) * over_top_at_join_mm(instrument.strings) / 1000.0


def joint_turn_deg_per_nm(instrument: Instrument) -> float:
    """Turn of the neck on its block for 1 N m, over a joint glued all over: the fastening's, and the spacer's between
    heel and block, a pad of even pressure and bending (thickness / (modulus x second moment of its face))."""
    joint, depth = instrument.joint, instrument.spacers.joint_length_mm
    name = _TURNS.get((joint.heel, joint.tongue))
    own = library.value(name) if name else 0.0
    face = library.value("heel_width") * depth**3 / 12.0
    spacer = degrees(library.value("spacer_thickness") / (library.value("spacer_modulus") * face)) * 1000.0
    return own + (spacer if joint.heel == "bolted" else 0.0)


def root_length_mm(instrument: Instrument) -> float:
    """Stretch of the neck between the end of the truss rod and the body join; nought where the rod reaches the body."""
    rod = instrument.neck.rod_length_mm
    if rod is None:
        return library.value("neck_root_length")
    return max(instrument.strings.scale_mm - pivot_of(instrument) - rod, 0.0)


def neck_turns_deg_per_n(instrument: Instrument) -> dict[tuple[str, str], float]:
    """Elastic turn of the neck at the join per N of string pull, + raises the nut end, by (group, component) of
    records.GROUPS: of the joint, and of the root, which bends under the strings' moment about its own neutral axis."""
    bending, neutral_mm = neck_section(instrument.neck, instrument.neck.width_body_mm, instrument.neck.depth_body_mm)
    arm = neutral_mm + library.value("strings_over_board")
    joint = joint_turn_deg_per_nm(instrument) * over_top_at_join_mm(instrument.strings) / 1000.0
    joint *= float(opened(instrument, 0.0))
    return {("joint", "joint"): joint, ("root", "root"): degrees(arm / bending) * root_length_mm(instrument)}


def holding_moment_nm(instrument: Instrument) -> float:
    """Moment at which fresh bolts let the heel's lower edge go, N m: clamp force at half the heel's depth."""
    joint = instrument.joint
    preload = library.value("bolt_preload") if joint.bolt_preload_n is None else joint.bolt_preload_n
    return joint.bolts * preload * instrument.spacers.joint_length_mm / 2.0 / 1000.0


def clamp_lost(days: ArrayLike) -> Array:
    """Share of their clamp force that bolts lose so many days after they were tightened: wood across the grain relaxes
    by the logarithm of time. May pass 1 after centuries."""
    first = library.value("bolt_loss_first_days")
    return np.asarray(library.value("bolt_loss_per_decade") * np.log10(1.0 + np.asarray(days, dtype=float) / first))


def opened(instrument: Instrument, lost: ArrayLike) -> Array:
    """How many times as much a bolted joint turns under the strings when it has lost so much of its clamp force.

    A joint cannot pull: once moment over clamp force leaves the middle third of its depth, it opens at one edge and
    bears on 3 (1/2 - e) of the depth, e the eccentricity as a share of it, and turns 1 / (54 e (1/2 - e)^2) times as
    much (eccentric compression of a section that takes no tension: Timoshenko, Strength of Materials, part I). No more
    than joint_turn_slack: then it hangs on its bolts' stretch and the tongue. A glued heel stays as it is."""
    kept = np.maximum(1.0 - np.asarray(lost, dtype=float), 1e-6)
    own = joint_turn_deg_per_nm(instrument)
    if instrument.joint.heel != "bolted" or own <= 0.0:
        return np.ones_like(kept)
    off = np.clip(string_moment_nm(instrument) / (2.0 * holding_moment_nm(instrument)) / kept, 1.0 / 6.0, 0.4999)
    more = 1.0 / (54.0 * off * (0.5 - off) ** 2)
    return np.asarray(np.minimum(more, max(library.value("joint_turn_slack") / own, 1.0)))


def slack_turn_deg(instrument: Instrument) -> float:
    """Turn of the neck under the strings that slack bolts would add, degrees."""
    more = max(library.value("joint_turn_slack") - joint_turn_deg_per_nm(instrument), 0.0)
    return more * string_moment_nm(instrument)
