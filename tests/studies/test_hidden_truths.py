"""What bench work is worth, and what readings can tell of wrong physics, on guitars whose truth is known: drawn from
the prior with other seeds, in weather that the tool does not see. No outside values."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import numpy as np
import pytest
from bench_life import POLICIES, Life, live
from bench_life import truths as lives
from hidden_truth import read, truths

import driftmodel
from driftmodel.calibration.bench import make_bench
from driftmodel.calibration.diagnosis import compare, unusual, without_memory
from driftmodel.calibration.fit import learn
from driftmodel.calibration.options import costs_days

pytestmark = pytest.mark.study


def test_the_tool_is_worth_more_than_simple_policies_on_hidden_truth(monkeypatch: pytest.MonkeyPatch) -> None:
    """Three guitars of ten years each (docs/bench.md tells of thirty): days inside less what the work costs, against
    policies that do not ask for air; far behind, a rule is broken. Three guitars stand some 250 days apart."""
    monkeypatch.setattr("bench_life.PARTICLES", 60)
    costs = costs_days()

    def worth(life: Life) -> float:
        return 3652.0 * life.days_inside() - costs["spacer"] * life.jobs - costs["other work"] * life.resets

    found = {name: 0.0 for name in POLICIES}
    for truth in lives(driftmodel.load_scenario("damp-coast"), 3, 6):
        for name, policy in POLICIES.items():
            found[name] += worth(live(truth, policy)) / 3.0
    assert all(found["the tool"] > found[name] - 250.0 for name in ("today's reading", "nothing until outside"))
    assert found["the tool"] > 0.5 * 3652.0


def test_wrong_physics_is_told_or_said_to_be_beyond_the_readings() -> None:
    """Weekly dial gauge readings over two years beside a logger on a damp coast. Wood without memory swings a tenth
    wider than wood with it, less than the doubt that no guitar follows our law: it is told, or said not to be within
    what the readings can tell. Twice the creep is told as a guitar that settles far more than the usual, four times in
    ten; right physics raises no flag."""
    scenario = driftmodel.load_scenario("damp-coast")
    days = [scenario.setup.setup + timedelta(days=20 + 7 * week) for week in range(104)]
    bench = replace(make_bench(scenario, days[-1], None, (0, 0)), others=())
    other = replace(without_memory(bench), others=())
    settles = {}
    for name, law, times in (
        ("right", scenario, 1.0),
        ("memory", replace(scenario, hysteresis=False), 1.0),
        ("creep", scenario, 2.0),
    ):
        random = np.random.default_rng(5)
        settles[name] = 0
        for truth in truths(law, 1, 6, 999, times, known_weather=True):
            posterior = learn(scenario, read(truth, days, random, 0.03), bench=bench, particles=500)
            if name != "creep":
                (rival,) = compare(posterior, {"memory": lambda _: other})
                assert not rival.told if name == "right" else rival.told or not rival.can_tell
            guitar = unusual(posterior)[0]
            settles[name] += guitar.told and guitar.times[1] > 1.0
    assert settles["right"] == 0 and settles["creep"] >= 2, settles
