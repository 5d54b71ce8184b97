"""Calibrate and grade from the command line; sensitivity; a shipment; recovery of what the data can tell.

No outside values: the truths are drawn and moved by the forecast's own chain.
"""

from __future__ import annotations

import json
import shutil
from collections.abc import Callable
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import numpy as np
import pytest
from hidden_truth import read, truths

import driftmodel
from driftmodel.calibration.bench import make_bench
from driftmodel.calibration.fit import learn
from driftmodel.calibration.shown import as_calibration, worth_reading

pytestmark = pytest.mark.usefixtures("undrawn", "few_particles", "short")
SHIPPED = Path(__file__).parents[1] / "scenarios" / "readings" / "two-winters.csv"


@pytest.mark.usefixtures("few_particles", "short")
def test_calibrate_prints_and_writes(run: Callable[..., object], world: Path) -> None:
    shutil.copy(SHIPPED, world / "bench.csv")
    ran = run("calibrate", "two-winters", "--readings", "bench.csv")
    assert ran.code == 0 and "before" in ran.out and "now" in ran.out
    assert {path.name for path in (world / "calibration-two-winters").iterdir()} == {
        "calibration.txt",
        "calibration.json",
        "calibration.png",
    }


@pytest.mark.parametrize(
    ("before", "after", "words"),
    [
        ("1,95 mm", "1,95", "unit"),
        ("2024-11-20;action treble", "2094-11-20;action treble", "future"),
        ("2024-11-20;action treble", "1994-11-20;action treble", "row 3"),
        ("action treble", "acton treble", "action"),
        ("feeler gauge", "feller gauge", "feeler gauge"),
    ],
)
def test_bad_readings_are_told(before: str, after: str, words: str, run: Callable[..., object], world: Path) -> None:
    text = SHIPPED.read_text(encoding="utf-8")
    assert before in text
    (world / "bench.csv").write_text(text.replace(before, after, 1), encoding="utf-8")
    ran = run("calibrate", "two-winters", "--readings", "bench.csv")
    assert ran.code == 2 and words in ran.err and "bench.csv" in ran.err and "Traceback" not in ran.err
    assert not (world / "calibration-two-winters").exists()


def test_a_reading_is_not_judged_where_it_may_go(run: Callable[..., object], world: Path) -> None:
    ran = run("grade", "first-winter", "--reading", "action 2.9 mm", "--home", "damp-coast")
    assert ran.code == 2 and "--home" in ran.err and "driftmodel grade first-winter --home damp-coast" in ran.err


@pytest.mark.usefixtures("few_particles", "short")
def test_grade_for_a_place_a_shipment_and_a_reading(run: Callable[..., object], world: Path) -> None:
    place = run("grade", "first-winter")
    assert place.code == 0 and "fitted" in place.out
    both = json.loads(run("grade", "first-winter", "damp-coast", "--json").out)
    assert len(both) == 2
    dry = run("grade", "two-winters", "--reading", "action=1.9mm", "--date", "2026-02-10")
    assert dry.code == 0 and "better air" in dry.out
    wrong = run("grade", "two-winters", "--reading", "action=1.9")
    assert wrong.code == 2 and "unit" in wrong.err
    assert run("grade", "two-winters", "--reading", "action=1.9mm", "--date", "10.2.2026").code == 2


@pytest.mark.slow
def test_recovery_without_bias_where_the_data_can_tell() -> None:
    """Twenty guitars read often and well: truth less the posterior's middle, in the posterior's own spread, has mean 0
    and spread 1 for the level of action (set-up), which the readings tell to a few hundredths of a millimetre."""
    scenario = replace(driftmodel.load_scenario("two-winters"), horizon_years=4)
    start = scenario.setup.setup
    bench = make_bench(scenario, start + timedelta(days=1200))
    days = [start + timedelta(days=each) for each in (20, 150, 240, 330, 420, 520, 610, 700)]
    random = np.random.default_rng(4)
    scores = []
    for truth in truths(scenario, 5, 4, 555):
        posterior = learn(scenario, read(truth, days, random, 0.03, 0.0), bench=bench, particles=150)
        found = as_calibration(posterior)
        guess, true = found.draws.set_up_error_mm, float(truth.draws.set_up_error_mm[truth.number])
        scores.append((true - guess.mean()) / guess.std())
    assert abs(np.mean(scores)) < 3.0 / np.sqrt(len(scores))
    assert 0.6 < np.std(scores) < 1.5


def test_a_better_tool_is_worth_more() -> None:
    scenario = driftmodel.load_scenario("two-winters")
    worth = worth_reading(scenario, particles=200)
    assert worth and list(worth) == sorted(worth, key=lambda each: each.left)
    assert all(0.0 < each.left <= 1.01 for each in worth)


def worked_guitar(world: Path) -> None:
    rows = [
        "date;what;value;tool;work",
        "2024-11-20;action;2.25 mm;feeler gauge;",
        "2025-02-12;action;2.05 mm;feeler gauge;",
    ]
    rows += ["2025-08-01;action;2.75 mm;feeler gauge;", "2025-08-01;;;;spacer F + saddle -0.2 mm"]
    rows += ["2025-08-01;action;2.27 mm;feeler gauge;", "2026-02-12;action;1.70 mm;feeler gauge;"]
    (world / "bench.csv").write_text("\n".join(rows), encoding="utf-8")


@pytest.mark.usefixtures("few_particles", "short")
def test_the_calibrated_forecast_has_the_work_and_counts_from_the_last_reading(
    run: Callable[..., object], world: Path
) -> None:
    """The spacer is F since the work: the report says so, years count from the last reading and no regrade is due
    before it. The day's own before and after are no slips."""
    worked_guitar(world)
    ran = run("calibrate", "two-winters", "--readings", "bench.csv", "--forecast")
    assert ran.code == 0 and "slip" not in ran.out
    report = (world / "calibration-two-winters" / "forecast" / "report.html").read_text(encoding="utf-8")
    assert "spacer F" in report
    import xarray as xr

    with xr.open_dataset(world / "calibration-two-winters" / "forecast" / "forecast.nc") as fc:
        assert fc.attrs["fitted_grade"] == "F" and fc["year"].size == 2
        first = fc["regrade_date"].values[:, 0]
        assert (first[~np.isnat(first)] >= np.datetime64("2026-02-12")).all()


@pytest.mark.usefixtures("few_particles", "short")
@pytest.mark.parametrize("day", ["2028-06-01", "2035-03-01"])
def test_grade_past_the_horizon_and_of_an_old_guitar(day: str, run: Callable[..., object], world: Path) -> None:
    """Set up in 2024 with a horizon of four years: in its last and past it there still is a next dry and a next damp
    season, and they are not the same."""
    ran = run("grade", "two-winters", "--reading", "action=2.5mm", "--date", day, "--json")
    assert ran.code == 0, ran.err
    told = json.loads(ran.out)
    assert abs(told["next_damp_mm"][1] - told["next_dry_mm"][1]) > 0.1
