"""The nouns of a structure's answer: how body and neck move for each load, and what a design reduces to."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from driftmodel.base.schema import Record

#: the load cases of the structural response, in order: +1 % MC in a part, +1 % MC outside-minus-inside
#: difference through a plate, +1 N of total string pull
LOADS = ("top", "top_braces", "back", "back_braces", "sides", "top_gradient", "back_gradient", "strings")


#: (group of boards, component) -> part of an elastic answer to the strings; a group is one of GROUPS, a component one
#: of plate.COMPONENTS, or the group's own name where it is no board
Split = Mapping[tuple[str, str], float]


@dataclass(frozen=True, repr=False)
class BodyResponse(Record):
    """Elastic response of a body, one number per load of LOADS (mappings keyed by load name).

    bridge_height_mm: + the bridge rises relative to the neck block. bridge_tilt_deg: + the saddle leans to the nut.
    block_rotation_deg: + raises the nut end of the neck. body_width_mm: + wider at the bridge.
    string_shares: where the give under 1 N of string pull comes from, by 'top_sinkage' (mm, + sinks), 'neck_rotation'
    and 'bridge_tilt' (degrees)."""

    bridge_height_mm: Mapping[str, float]
    bridge_tilt_deg: Mapping[str, float]
    block_rotation_deg: Mapping[str, float]
    body_width_mm: Mapping[str, float]
    string_shares: Mapping[str, Split]


@dataclass(frozen=True)
class NeckResponse:
    """Bow of neck and fingerboard: curvature in 1/m, + the strings' side hollow (more relief). The strings' bow counts
    for the action only up to the neck's root, whose bend is a turn."""

    curvature_per_pct_neck: float
    curvature_per_pct_fingerboard: float
    curvature_per_newton: float
    relief_mm_per_curvature: float
    action_12th_mm_per_curvature: float
    string_action_12th_mm_per_curvature: float


@dataclass(frozen=True, repr=False)
class Coefficients(Record):
    """The small linear response a design reduces to; mappings by part of schema.PARTS, 'top_gradient',
    'back_gradient' (per +1 % outside-minus-inside difference) and 'strings' (elastic, per N of total pull).

    top_sinkage: mm per +1 % MC, + sinks. neck_rotation: degrees, + raises the nut end (of block, joint and the neck's
    root). bow_action: mm of action at the
    12th fret by the bow of neck and fingerboard. relief: mm at the middle of nut and body join. bridge_tilt: degrees.
    string_shares: 'top_sinkage', 'neck_rotation' and 'bridge_tilt' under the strings split by where the give comes
    from; each adds up to the elastic number, and each part creeps with its own factor."""

    top_sinkage: Mapping[str, float]
    neck_rotation: Mapping[str, float]
    bow_action: Mapping[str, float]
    relief: Mapping[str, float]
    bridge_tilt: Mapping[str, float]
    string_shares: Mapping[str, Split]
