"""What each spacer is worth over the next years. No outside values: relations, and sums done here by hand."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

import numpy as np
import pytest

from driftmodel.base.records import Scenario, WorkDone
from driftmodel.base.scenarios import climate_named, load_scenario
from driftmodel.outlook import place
from driftmodel.outlook.calendar import as_of, grade_lifts_mm
from driftmodel.outlook.chain import run_chain
from driftmodel.outlook.draws import draw_unknowns
from driftmodel.outlook.lived import lived, with_spacer
from driftmodel.outlook.place import PlaceTable, grade_for_place, grades_of
from driftmodel.report.grade_words import place_summary, shipment_summary


@pytest.fixture(scope="module")
def scenario() -> Scenario:
    return replace(load_scenario("first-winter"), weather_members=1)


@pytest.fixture(scope="module")
def leaving(scenario: Scenario) -> PlaceTable:
    return grade_for_place(scenario, years=2, count=30)


def test_a_dear_job_leaves_the_joint_closed_and_a_free_one_does_not(scenario: Scenario) -> None:
    with_owner = as_of(scenario, date(2028, 3, 1), (WorkDone(date(2028, 2, 1), spacer="G"),))
    free, dear = (grade_for_place(with_owner, years=2, count=30, job_days=days) for days in (0.0, 1e5))
    assert not free.joint_open and free.advised == free.if_open and dear.advised == dear.fitted == "G"
    row = free.of(free.advised)
    assert row.worth_days == pytest.approx(2 * row.inside_days) and row.inside_days >= free.of("G").inside_days
    assert row.inside_low <= row.inside_days <= 366.0 and free.advised_saddle_mm == 0.0
    assert "as fitted" not in place_summary(dear) and place_summary(dear).startswith("Leave spacer G in: inside its")


def test_draws_are_shared_out_to_homes(scenario: Scenario) -> None:
    """Two homes share the draws asked for; forty each at least."""
    homes = [scenario.stays[-1].climate, climate_named("damp_coast")]
    assert grade_for_place(scenario, years=1, count=100, homes=homes).draws == 100
    assert grade_for_place(scenario, years=1, count=30, homes=homes).draws == 80


def test_the_action_is_changed_only_where_that_wins_five_days_a_year(
    leaving: PlaceTable, scenario: Scenario, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Lives made up: each 0.1 mm higher wins so many days a year."""
    for days_per_tenth, by in ((1.0, 0.0), (1.6, 0.0), (1.7, 0.3)):  # 0.3 mm: 3, 4.8 and 5.1 days

        def life(_: object, label: str, saddle_mm: float = 0.0, won: float = days_per_tenth) -> tuple[np.ndarray, ...]:
            return np.array([200.0 + 5.0 * saddle_mm * won]), np.array([0.0]), np.array([False])

        monkeypatch.setattr(place, "_lived", life)
        assert place._best_change((), "J", 3, 60.0) == (
            pytest.approx(by),
            pytest.approx(200.0 + 10.0 * by * days_per_tenth),
        )


def test_before_it_leaves_another_spacer_costs_no_job(leaving: PlaceTable) -> None:
    assert leaving.joint_open and leaving.advised == leaving.if_open
    assert leaving.of(leaving.advised).worth_days == max(row.worth_days for row in leaving.grades)
    assert leaving.advised_days >= leaving.of(leaving.advised).inside_days - 1e-9
    told = place_summary(leaving)
    assert told.startswith(f"Let it leave with spacer {leaving.advised} and an action of ")
    assert shipment_summary([leaving]).splitlines()[1].split()[2] == leaving.advised


def test_each_row_is_what_its_own_draws_live_through(scenario: Scenario) -> None:
    """Days inside over two years less 60 for each job, the chance of none, counted from the chain with the spacer."""
    short = replace(scenario, horizon_years=2)
    chain = run_chain(short, draw_unknowns(short, 30, short.seed))
    table = grades_of(chain)
    jobs = {row.grade: (round(row.later_jobs, 3), -row.inside_days) for row in table.grades}
    assert table.steadiest == min(jobs, key=lambda label: jobs[label])
    lifts = dict(zip(scenario.instrument.spacers.labels, grade_lifts_mm(scenario), strict=True))
    own = np.array(table.of(table.fitted).action_mm)
    for row in table.grades[::4]:
        assert np.array(row.action_mm) - own == pytest.approx(lifts[row.grade] / 2.0)
        life = lived(with_spacer(chain, row.grade))
        assert row.inside_days == pytest.approx(life.inside_days.mean())
        assert row.no_regrade == pytest.approx((life.regrades == 0).mean())
        assert row.worth_days == pytest.approx(2 * life.inside_days.mean() - 60.0 * life.regrades.mean())
