"""What each spacer is worth over the next years. No outside values."""

from __future__ import annotations

from dataclasses import replace

import pytest

from driftmodel.base.scenarios import load_scenario
from driftmodel.outlook.lookahead import look_ahead


def test_a_dear_job_leaves_the_joint_closed_and_a_free_one_does_not() -> None:
    scenario = replace(load_scenario("first-winter"), weather_members=1)
    free, dear = (look_ahead(scenario, years=2, count=30, job_days=days) for days in (0.0, 1e5))
    assert free.best == free.best_opened and dear.best == dear.fitted
    row = free.of(free.best)
    assert row.worth_days == pytest.approx(row.inside_days) and row.inside_days >= free.of(free.fitted).inside_days
    assert row.inside_low <= row.inside_days <= free.days
