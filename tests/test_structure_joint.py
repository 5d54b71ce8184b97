"""Joint, strings and neck against arithmetic and Timoshenko (1925)."""

from __future__ import annotations

from dataclasses import replace
from math import atan, degrees

import numpy as np
import pytest

from driftmodel.base.build import Strings
from driftmodel.base.errors import BadInput
from driftmodel.base.records import SpacerSet
from driftmodel.base.scenarios import load_scenario
from driftmodel.structure import joint
from driftmodel.structure.joint import frequency_hz, string_pull_n, string_tension_n
from driftmodel.structure.neck import bimetal_curvature_per_m, bow
from driftmodel.structure.response import design_response

SPACERS = SpacerSet(("low", "flat", "high"), (-0.0508, 0.0, 0.0508), 75.0, 110.0)


def test_distance_from_pivot_to_saddle() -> None:
    assert joint.fret_to_saddle_mm(645.0, 14) == pytest.approx(287.3, abs=0.05)  # equal temperament
    assert joint.fret_to_saddle_mm(630.0, 12) == 315.0


def test_one_step_of_taper() -> None:
    """0.002 in over 75 mm: four hundredths of a degree (common practice, no source), the rest is trigonometry."""
    turn = joint.spacer_rotation_deg(0.0508, 75.0)
    assert turn == pytest.approx(0.0388, abs=5e-5)
    at_saddle = joint.saddle_change_mm(turn, joint.fret_to_saddle_mm(645.0, 14))
    assert at_saddle == pytest.approx(0.195, abs=5e-4)
    assert joint.action_change_mm(at_saddle) == pytest.approx(0.098, abs=1e-3)


def test_action_at_any_fret_by_similar_triangles() -> None:
    assert joint.action_change_mm(1.0, 12) == 0.5
    assert joint.action_change_mm(1.0, 0) == 0.0
    assert joint.action_change_mm(1.0, 1) == pytest.approx(1 - 2 ** (-1 / 12))


@pytest.mark.parametrize("height_mm", [10.0, 14.0])
def test_a_step_does_not_hurt_intonation(height_mm: float) -> None:
    cents = [joint.intonation_shift_cents(645.0, 14, turn, height_mm) for turn in (-0.0388, 0.0388)]
    assert max(map(abs, cents)) < 0.1
    assert cents[0] * cents[1] < 0


def test_speaking_length_moves_to_second_order_only() -> None:
    flat = joint.speaking_length_mm(645.0, 14, 0.0, 0.0)
    small, twice = (flat - joint.speaking_length_mm(645.0, 14, turn, 0.0) for turn in (0.5, 1.0))
    assert flat == pytest.approx(645.0)
    assert twice / small == pytest.approx(4.0, rel=1e-3)


def test_two_spacers_keep_the_pivot() -> None:
    """Heel and tongue turn by the same angle: taper over length is the same slope in both."""
    slope = 0.0508 / 75.0
    assert joint.tongue_thickness_mm(0.0508, SPACERS) == pytest.approx(-slope * 110.0, rel=1e-9)
    assert degrees(atan(slope)) == pytest.approx(float(joint.spacer_rotation_deg(0.0508, 75.0)))


def test_bimetal_of_timoshenko() -> None:
    """Timoshenko (1925): equal layers, k = 3 e / (2 h): 1 + 1 mm and 1e-3 give 0.75 1/m."""
    assert bimetal_curvature_per_m(1.0, 1.0, 10.0, 10.0, 1e-3) == pytest.approx(0.75, abs=1e-12)
    # 6 mm board (15 GPa, 0.012 % per %) on 16 mm (10 GPa, 0.006 %), 3 % drier: hollow under the strings
    k = bimetal_curvature_per_m(6.0, 16.0, 15.0, 10.0, -3.0 * (0.00006 - 0.00012))
    assert k == pytest.approx(0.010706, abs=5e-7)
    assert joint.bow_relief_mm(k, 400.0) == pytest.approx(0.214, abs=5e-4)


def test_bow_lifts_the_action_at_the_12th() -> None:
    """Circle of 1 / (0.01 1/m) drawn exactly: board points and string as chords, against the formula."""
    scale, fret, k = 645.0, 14, 0.01 / 1000.0
    join = joint.fret_to_saddle_mm(scale, fret)

    def on_arc(from_body: float) -> tuple[float, float]:
        return (-np.sin(k * from_body) / k, (1 - np.cos(k * from_body)) / k)

    nut, twelfth = on_arc(scale - join), on_arc(scale / 2 - join)
    share = (join - twelfth[0]) / (join - nut[0])
    exact = nut[1] * share - twelfth[1]
    assert joint.bow_action_mm(0.01, scale, fret) == pytest.approx(exact, rel=2e-3)


def test_a_neck_bows_with_its_woods() -> None:
    instrument = load_scenario("first-winter").instrument
    answer = bow(instrument.neck, instrument.strings, instrument.body_fret)
    assert answer.curvature_per_pct_neck > 0 > answer.curvature_per_pct_fingerboard
    relief = answer.relief_mm_per_curvature * answer.curvature_per_newton * 750.0
    assert 0.3 < relief < 3.0  # without a rod, string pull bows a bare neck by the order of 1 mm (from memory)


def test_pitches_and_pull() -> None:
    assert frequency_hz("A4") == 440.0 and frequency_hz("E2") == pytest.approx(82.407, abs=1e-3)
    assert frequency_hz("Bb3") == pytest.approx(frequency_hz("A#3"))
    # 0.012 in plain steel at E4 over 25.4 in: close to 23 lbf = 103 N in every maker's table (from memory)
    assert string_tension_n(0.3048, 7850.0, 645.0, frequency_hz("E4")) == pytest.approx(103.5, rel=0.02)
    light = load_scenario("first-winter").instrument.strings
    assert 650.0 < string_pull_n(light) < 800.0  # light steel sets pull 700-750 N (common practice, no source)
    assert string_pull_n(replace(light, tension_n=700.0)) == 700.0


@pytest.mark.parametrize("pitch", ["H4", "E", "4E", "E44", ""])
def test_not_a_pitch(pitch: str) -> None:
    with pytest.raises(BadInput, match="not a pitch"):
        string_pull_n(Strings(645.0, None, (0.012,), (False,), (pitch,)))


def test_signs_of_the_response() -> None:
    """Drying lowers the bridge; string pull turns the block so that the nut end comes up."""
    found = design_response(load_scenario("first-winter").instrument)
    assert found.top_sinkage["top"] < 0.0 and found.neck_rotation["strings"] > 0.0
    assert found.bow_action["neck"] > 0.0 > found.bow_action["fingerboard"]
