"""String pull: stated, or from gauge, winding, pitch and scale length."""

from __future__ import annotations

import re
from math import pi

from driftmodel.base import library
from driftmodel.base.build import Strings
from driftmodel.base.errors import BadInput
from driftmodel.base.units import MM_PER_INCH

_SEMITONES = {"C": -9, "D": -7, "E": -5, "F": -4, "G": -2, "A": 0, "B": 2}
CONCERT_A_HZ = 440.0  # ISO 16:1975


def frequency_hz(pitch: str) -> float:
    """Frequency of a pitch such as 'E2', 'F#3' or 'Bb3', equal temperament, A4 = 440 Hz (ISO 16).

    Raises BadInput for what is not a pitch.
    """
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
    usual = library.general("strings_over_top_at_join").value
    return usual if strings.over_top_at_join_mm is None else strings.over_top_at_join_mm


def string_pull_n(strings: Strings) -> float:
    """Total pull in N: as stated, or the sum over the strings. Raises BadInput for what is not a pitch."""
    if strings.tension_n is not None:
        return strings.tension_n
    density = {
        False: library.general("plain_steel_density").value,
        True: library.general("wound_effective_density").value,
    }
    return sum(
        string_tension_n(gauge * MM_PER_INCH, density[wound], strings.scale_mm, frequency_hz(pitch))
        for gauge, wound, pitch in zip(strings.gauges_in, strings.wound, strings.pitches, strict=True)
    )
