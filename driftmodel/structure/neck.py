"""Neck and fingerboard: two glued layers that bow each other with moisture, and the bow from string pull."""

from __future__ import annotations

from math import pi

import numpy as np
from numpy.typing import ArrayLike

from driftmodel.base import library
from driftmodel.base.build import Neck, Strings
from driftmodel.base.types import Array
from driftmodel.structure.joint import bow_action_mm, bow_relief_mm, pivot_to_saddle_mm
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
    + hollow on the side of layer 1.
    """
    t1, t2 = np.asarray(thickness_1_mm, dtype=float), np.asarray(thickness_2_mm, dtype=float)
    m, n = t1 / t2, np.asarray(modulus_1_gpa, dtype=float) / np.asarray(modulus_2_gpa, dtype=float)
    height_m = (t1 + t2) / 1000.0
    shape = 3.0 * (1.0 + m) ** 2 + (1.0 + m * n) * (m**2 + 1.0 / (m * n))
    return np.asarray(6.0 * np.asarray(strain_mismatch, dtype=float) * (1.0 + m) ** 2 / (height_m * shape), dtype=float)


def neck_section(neck: Neck, width_mm: float, depth_mm: float) -> tuple[float, float]:
    """Bending stiffness in N mm2 and depth of the neutral axis under the fingerboard's face, mm.

    The neck's half-round section is taken as a rectangle of its width and of the depth that has its area.
    """
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
    its root of length root_mm, whose bend is a turn of the neck.
    """
    along = library.general("longitudinal_movement_mean").value
    board_gpa, neck_gpa = (_along_gpa(wood) for wood in (neck.fingerboard_wood, neck.wood))
    depth_mm, width_mm = (neck.depth_nut_mm + neck.depth_body_mm) / 2.0, (neck.width_nut_mm + neck.width_body_mm) / 2.0
    board_mm, neck_mm = neck.fingerboard_thickness_mm, pi / 4.0 * depth_mm
    per_mismatch = float(bimetal_curvature_per_m(board_mm, neck_mm, board_gpa, neck_gpa, along))
    bending, neutral_mm = neck_section(neck, width_mm, depth_mm)
    scale, nut_to_body = strings.scale_mm, strings.scale_mm - pivot_to_saddle_mm(strings.scale_mm, body_fret)
    return NeckResponse(
        curvature_per_pct_neck=per_mismatch,
        curvature_per_pct_fingerboard=-per_mismatch,
        curvature_per_newton=1000.0 * (neutral_mm + library.general("strings_over_board").value) / bending,
        relief_mm_per_curvature=float(bow_relief_mm(1.0, nut_to_body)),
        action_12th_mm_per_curvature=float(bow_action_mm(1.0, scale, body_fret)),
        string_action_12th_mm_per_curvature=float(bow_action_mm(1.0, scale, body_fret, held_mm=root_mm)),
    )


def _along_gpa(wood_name: str) -> float:
    """True modulus along the grain, GPa: the table's bending modulus times the shear correction."""
    bending = library.number(library.wood(wood_name), "modulus_of_elasticity_12").value
    return library.general("shear_correction_modulus").value * bending / 1000.0
