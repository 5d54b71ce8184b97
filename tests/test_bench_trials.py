"""A luthier's first week with the tool, told as it once went wrong: each story fails if the old fault comes back.

No outside values: shifts of the action are worked by hand from spacer and saddle.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from datetime import date
from pathlib import Path
from typing import Any

import pytest

from driftmodel.base.errors import BadInput
from driftmodel.base.scenarios import load_instrument
from driftmodel.calibration.fit import learn
from driftmodel.outlook.calendar import grade_lifts_mm
from driftmodel.record.add import add, create
from driftmodel.record.case import open_case

pytestmark = pytest.mark.usefixtures("undrawn", "few_particles", "short")
TOLD = {
    "design": "large_x_braced",
    "home": "cold_city_heated",
    "set_up": "2024-09-25",
    "action": "2.3 mm",
    "spacer": "J",
}


@pytest.fixture(scope="module")
def ada(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two years of readings that a spacer and a saddle stand between; before and after on the day of the work."""
    folder = tmp_path_factory.mktemp("trials") / "ada"
    create(folder, TOLD)
    scenario = open_case(folder).scenario
    lift = float(grade_lifts_mm(scenario)[scenario.instrument.spacers.labels.index("G")])
    for day, *words in (
        ("2025-02-01", "action 2.45 mm"),
        ("2025-08-01", "action 2.6 mm", "spacer G", f"action {2.6 + lift / 2.0:.2f} mm"),
        ("2026-02-01", "action 2.35 mm", "saddle -0.4 mm", "action 2.15 mm"),
        ("2026-08-01", "action 2.25 mm"),
    ):
        add(folder, tuple(words), date.fromisoformat(day))
    return folder


def test_readings_before_and_after_work_are_no_slips(ada: Path) -> None:
    """Six tenths of a millimetre apart within a day, and all of it is the work."""
    case = open_case(ada, date(2026, 9, 1))
    posterior = learn(case.scenario, case.book, particles=200, now=date(2026, 9, 1))
    assert len(posterior.slips) == 6 and posterior.slips.max() < 0.5


def test_the_forecast_knows_the_spacer_fitted_and_counts_from_today(
    run: Callable[..., Any], ada: Path, world: Path
) -> None:
    ran = run("forecast", str(ada), "--draws", "12", "--no-pictures", "--date", "2026-09-01", "--json")
    assert ran.code == 0, ran.err
    told = json.loads(ran.out)
    assert told["fitted_grade"] == "G" and (world / "forecast-ada" / "report.html").exists()
    assert all(day is None or day >= "2026-09-01" for day in told["regrade_due_date"].values())


@pytest.mark.parametrize(
    ("line", "came"), [('wood = "cedar"', "redcedar"), ('finish_outside = "nitro"', "nitrocellulose lacquer")]
)
def test_a_design_is_answered_with_what_was_meant(tmp_path: Path, line: str, came: str) -> None:
    (tmp_path / "own.toml").write_text(f'like = "large_x_braced"\n[body.top]\n{line}\n', encoding="utf-8")
    with pytest.raises(BadInput) as fault:
        load_instrument(tmp_path / "own.toml")
    assert came in str(fault.value) and "key ``" not in str(fault.value) and "?" not in fault.value.mend


def test_a_taper_says_its_unit(tmp_path: Path) -> None:
    (tmp_path / "own.toml").write_text(
        'like = "large_x_braced"\n[joint.spacer_tapers_thou]\n"-4" = -4\n"0" = 0\n"+4" = 4\n', encoding="utf-8"
    )
    assert load_instrument(tmp_path / "own.toml").spacers.tapers_mm == pytest.approx((-0.1016, 0.0, 0.1016))
