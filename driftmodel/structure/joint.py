"""The bolted joint: exact kinematics of a neck that turns about the top of the body-join fret; and the pull
of strings, stated or from Mersenne's law."""

from __future__ import annotations

import re
from collections.abc import Mapping
from math import pi
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from driftmodel.base import library
from driftmodel.base.build import Strings
from driftmodel.base.errors import BadInput
from driftmodel.base.records import Instrument, SpacerSet
from driftmodel.base.schema import Array
from driftmodel.base.units import MM_PER_INCH

_SEMITONES = {"C": -9, "D": -7, "E": -5, "F": -4, "G": -2, "A": 0, "B": 2}
CONCERT_A_HZ = 440.0  # ISO 16:1975


def frequency_hz(pitch: str) -> float:
    """Frequency of a pitch such as 'E2', 'F#3' or 'Bb3', equal temperament, A4 = 440 Hz (ISO 16).

    Raises BadInput for what is not a pitch."""
    found = re.fullmatch(r"([A-Ga-g])([#b]?)(\d)", pitch.strip())
    if not found:
        raise BadInput(f'"{pitch}" is not a pitch', "a letter A to G, # or b if needed, and the octave", mend='"E2"')
    letter, accidental, octave = found.groups()
    steps = _SEMITONES[letter.upper()] + {"#": 1, "b": -1, "": 0}[accidental] + 12 * (int(octave) - 4)
    return float(CONCERT_A_HZ * 2.0 ** (steps / 12.0))


def string_tension_n(gauge_mm: float, effective_density_kg_m3: float, length_mm: float, pitch_hz: float) -> float:
    """Tension in N of an ideal string, T = mu (2 L f)^2 (Mersenne's law), mu = density x pi/4 x gauge^2."""
    mass_per_length = effective_density_kg_m3 * pi / 4.0 * (gauge_mm / 1000.0) ** 2
    return mass_per_length * (2.0 * length_mm / 1000.0 * pitch_hz) ** 2


def over_top_at_join_mm(strings: Strings) -> float:
    """Height of the strings over the top's face at the body join, mm: as measured, or as usual."""
    usual = library.value("strings_over_top_at_join")
    return usual if strings.over_top_at_join_mm is None else strings.over_top_at_join_mm


def string_pull_n(strings: Strings) -> float:
    """Total pull in N: as stated, or the sum over the strings. Raises BadInput for what is not a pitch."""
    if strings.tension_n is not None:
        return strings.tension_n
    density = {False: library.value("plain_steel_density"), True: library.value("wound_effective_density")}
    return sum(
        string_tension_n(gauge * MM_PER_INCH, density[wound], strings.scale_mm, frequency_hz(pitch))
        for gauge, wound, pitch in zip(strings.gauges_in, strings.wound, strings.pitches, strict=True)
    )


def fret_to_saddle_mm(scale_mm: float, fret: int) -> float:
    """Distance from a fret to the saddle, scale / 2^(fret / 12): equal temperament; of the body-join fret, whose top is
    the pivot, that from the pivot."""
    return float(scale_mm / 2.0 ** (fret / 12.0))


def pivot_of(instrument: Instrument) -> float:
    """Distance from an instrument's pivot to its saddle, mm."""
    return fret_to_saddle_mm(instrument.strings.scale_mm, instrument.body_fret)


def saddle_rise_mm(moved: Mapping[str, Any], distance_mm: float) -> Any:
    """Saddle over the fret plane from top sinkage in mm and neck rotation in degrees, arrays of one shape: rotation x
    distance less sinkage. The arc stands for the tangent, to 1e-4 at one degree, so that parts add up."""
    rise = moved["neck_rotation"] * (np.pi / 180.0 * distance_mm)
    rise -= moved["top_sinkage"]
    return rise


def saddle_change_mm(rotation_deg: ArrayLike, distance_mm: float) -> Array:
    """How much the saddle stands higher over the fret plane after the neck turned: tan(rotation) x distance.

    rotation_deg: + raises the nut end. The saddle stays where it is, the plane swings below it."""
    return np.asarray(np.tan(np.radians(np.asarray(rotation_deg, dtype=float))) * distance_mm, dtype=float)


def action_change_mm(saddle_change: ArrayLike, fret: int = 12) -> Array:
    """Change of action at a fret for a change at the saddle, mm: similar triangles from the nut, 1 - 2^(-fret / 12)."""
    return np.asarray(np.asarray(saddle_change, dtype=float) * (1.0 - 2.0 ** (-fret / 12.0)), dtype=float)


def spacer_rotation_deg(taper_mm: ArrayLike, joint_length_mm: float) -> Array:
    """Neck rotation a taper gives over the joint's length, atan(taper / length); larger taper, nut end higher."""
    return np.asarray(np.degrees(np.arctan(np.asarray(taper_mm, dtype=float) / joint_length_mm)), dtype=float)


def grade_rotations_deg(spacers: SpacerSet) -> Array:
    """Rotation each grade of a set gives, in the set's order."""
    return spacer_rotation_deg(spacers.tapers_mm, spacers.joint_length_mm)


def tongue_thickness_mm(heel_taper_mm: ArrayLike, spacers: SpacerSet) -> Array:
    """Change in thickness of the tongue's spacer, at its far end, that keeps the pivot in place, mm.

    Heel and tongue turn by one angle about the pivot: at the tongue's length the underside moves by
    tan(rotation) x tongue length, down for a nut end that goes up (-: the spacer is thinner there)."""
    rotation = np.radians(spacer_rotation_deg(heel_taper_mm, spacers.joint_length_mm))
    return np.asarray(-np.tan(rotation) * spacers.tongue_length_mm, dtype=float)


def speaking_length_mm(scale_mm: float, body_fret: int, rotation_deg: float, saddle_height_mm: float) -> float:
    """Straight distance from nut to saddle top after the neck turned about the pivot (0: fret plane level).

    Pivot at the origin; nut at -(scale - distance) along the fret plane; saddle at `distance`, its top
    `saddle_height_mm` over the plane at 0 degrees."""
    distance = fret_to_saddle_mm(scale_mm, body_fret)
    neck, turn = scale_mm - distance, np.radians(rotation_deg)
    return float(np.hypot(distance + neck * np.cos(turn), saddle_height_mm - neck * np.sin(turn)))


def intonation_shift_cents(
    scale_mm: float, body_fret: int, rotation_deg: float, saddle_height_mm: float, fret: int = 12
) -> float:
    """How far the pitch at a fret moves against the open string when the neck turns, cents; + sharper.

    The pivot keeps fret-to-saddle distances to second order: frets on the neck keep their distance from the nut and
    the speaking length changes as the chord does."""

    def stopped_over_open(rotation: float) -> float:
        distance = fret_to_saddle_mm(scale_mm, body_fret)
        turn = np.radians(rotation)
        place = fret_to_saddle_mm(scale_mm, fret) - distance  # along the neck from the pivot, + towards the nut
        stopped = np.hypot(distance + place * np.cos(turn), saddle_height_mm - place * np.sin(turn))
        return float(stopped / speaking_length_mm(scale_mm, body_fret, rotation, saddle_height_mm))

    return float(-1200.0 * np.log2(stopped_over_open(rotation_deg) / stopped_over_open(0.0)))


def bow_relief_mm(curvature_per_m: ArrayLike, length_mm: float) -> Array:
    """Relief at the middle of an even bow over a length, curvature x length^2 / 8, mm; + hollow under the strings."""
    return np.asarray(np.asarray(curvature_per_m, dtype=float) / 1000.0 * length_mm**2 / 8.0, dtype=float)


def bow_action_mm(
    curvature_per_m: ArrayLike, scale_mm: float, body_fret: int, fret: int = 12, held_mm: float = 0.0
) -> Array:
    """Change of action at a fret from an even bow of the neck held at the body, or held_mm before it, mm.

    With n = nut to body join and d = fret to body join, the nut rises by k n^2 / 2 and the board by k d^2 / 2; the
    string over the fret rises by the nut's rise x (fret to saddle) / scale. A fret at or past the body does not rise.
    """
    k = np.asarray(curvature_per_m, dtype=float) / 1000.0
    nut_to_body = scale_mm - fret_to_saddle_mm(scale_mm, body_fret) - held_mm
    to_saddle = fret_to_saddle_mm(scale_mm, fret)
    fret_to_body = max(to_saddle - fret_to_saddle_mm(scale_mm, body_fret) - held_mm, 0.0)
    string = nut_to_body**2 / 2.0 * to_saddle / scale_mm
    return np.asarray(k * (string - fret_to_body**2 / 2.0), dtype=float)
