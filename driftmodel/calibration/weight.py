"""How much heavier an instrument grows with the moisture of its parts."""

from __future__ import annotations

from collections.abc import Mapping
from math import pi

import numpy as np

from driftmodel.base import library
from driftmodel.base.build import Brace
from driftmodel.base.records import Instrument
from driftmodel.base.schema import PARTS
from driftmodel.base.types import Array
from driftmodel.structure.joint import pivot_to_saddle_mm


def grams_per_pct(instrument: Instrument) -> Mapping[str, float]:
    """Grams of water that +1 % MC puts into each part: a hundredth of its dry mass, from sizes and mean densities.

    The sides take moisture with the back; blocks, bridge and bindings are left out, they follow too slowly.
    """
    body, neck = instrument.body, instrument.neck
    outline = np.array(body.outline_mm)
    area = _area(outline)
    around = 2.0 * float(np.sum(np.hypot(*np.diff(outline, axis=0).T)))
    depth = (body.sides.depth_neck_mm + body.sides.depth_tail_mm) / 2.0
    width = (neck.width_nut_mm + neck.width_body_mm) / 2.0
    length = instrument.strings.scale_mm - pivot_to_saddle_mm(instrument.strings.scale_mm, instrument.body_fret)
    volumes = {
        "top": (body.top.wood, area * body.top.thickness_mm),
        "back": (body.back.wood, area * body.back.thickness_mm),
        "neck": (neck.wood, pi / 4.0 * width * (neck.depth_nut_mm + neck.depth_body_mm) / 2.0 * length),
        "fingerboard": (neck.fingerboard_wood, width * neck.fingerboard_thickness_mm * length * 1.35),
    }
    grams = {part: _dry_g_per_mm3(wood) * volume / 100.0 for part, (wood, volume) in volumes.items()}
    grams["back"] += _dry_g_per_mm3(body.sides.wood) * around * depth * body.sides.thickness_mm / 100.0
    grams["top_braces"] = sum(_brace_g(brace) for brace in body.top.braces) / 100.0
    grams["back_braces"] = sum(_brace_g(brace) for brace in body.back.braces) / 100.0
    return {part: grams[part] for part in PARTS}


def _area(outline: Array) -> float:
    return float(np.sum(np.diff(outline[:, 0]) * (outline[1:, 1] + outline[:-1, 1])))


def _brace_g(brace: Brace) -> float:
    length = float(np.sum(np.hypot(*np.diff(np.array(brace.path_mm), axis=0).T)))
    return _dry_g_per_mm3(brace.wood) * length * brace.width_mm * brace.height_mm


def _dry_g_per_mm3(wood: str) -> float:
    return library.number(library.wood(wood), "specific_gravity_12").value / 1000.0
