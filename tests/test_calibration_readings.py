"""The readings file: what a bench may write, and one clear message for what cannot be used. All readings invented."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import pytest

from driftmodel.base.datafiles import scenarios_dir
from driftmodel.base.errors import BadInput
from driftmodel.base.records import Scenario
from driftmodel.base.scenarios import load_scenario
from driftmodel.calibration.readings import read_readings, reading_of
from driftmodel.calibration.work import known_step
from driftmodel.outlook.regrade import grade_lifts_mm

TODAY = date(2026, 11, 1)
HEAD = "date;what;value;tool"


@pytest.fixture(scope="module")
def scenario() -> Scenario:
    return load_scenario("two-winters")


def book(tmp_path: Path, scenario: Scenario, *rows: str):  # type: ignore[no-untyped-def]
    file = tmp_path / "bench.csv"
    file.write_text("\n".join(rows), encoding="utf-8")
    return read_readings(file, scenario, TODAY)


@pytest.mark.parametrize(
    "rows",
    [
        (HEAD, "2025-02-10;action bass;2,54 mm;feeler gauge"),
        (HEAD, "2025-02-10;action bass;0.1 in;feeler gauge"),
        ("date,what,value_in,tool", "2025-02-10,Bass action,0.1,feeler gauge"),
        ("date\twhat\tvalue\tunit\ttool", "10.02.2025\taction_bass\t2.54\tmm\tfeeler_gauge"),
        ("date;what;value_mm;uncertainty_mm", "2025-02-10;action bass;2,54;0,05"),
    ],
)
def test_one_reading_written_many_ways(tmp_path: Path, scenario: Scenario, rows: tuple[str, ...]) -> None:
    reading = book(tmp_path, scenario, *rows).readings[0]
    assert (reading.date, reading.what) == (date(2025, 2, 10), "action_bass")
    assert reading.value == pytest.approx(2.54) and reading.sd == pytest.approx(0.05)


@pytest.mark.parametrize(
    ("row", "said"),
    [
        ("2025-02-10;action bass;2.54;feeler gauge", "no unit"),
        ("2027-02-10;action bass;2.54 mm;feeler gauge", "in the future"),
        ("2024-01-10;action bass;2.54 mm;feeler gauge", "before it was strung"),
        ("2025-02-10;acton bass;2.54 mm;feeler gauge", 'Did you mean "action bass"'),
        ("2025-02-10;action bass;2.54 mm;feler gauge", 'Did you mean "feeler gauge"'),
        ("2025-02-10;action bass;0.1 mm;feeler gauge", "if it was read in inches"),
        ("2025-02-10;weight;2100 mm;scale", "g or kg"),
        ("2025-02-10;weight;2.1 kg;rule", "a tool for the quantity"),
        ("2025-02-10;action bass;two;rule", "not one number"),
        ("02/10/2025;action bass;2.5 mm;rule", "year-month-day"),
        ("2025-02-10;action bass;2.5 mm;", "neither a tool nor an uncertainty"),
    ],
)
def test_bad_rows_get_one_message(tmp_path: Path, scenario: Scenario, row: str, said: str) -> None:
    with pytest.raises(BadInput) as fault:
        book(tmp_path, scenario, HEAD, row)
    message = str(fault.value)
    assert said in message and "bench.csv" in message and "row 2" in message and "Mend:" in message


def test_decimal_comma_between_commas(tmp_path: Path, scenario: Scenario) -> None:
    with pytest.raises(BadInput, match="decimal comma"):
        book(tmp_path, scenario, "date,what,value,tool", "2025-02-10,action bass,2,54 mm,feeler gauge")


def test_bench_air_is_whole_or_not_at_all(tmp_path: Path, scenario: Scenario) -> None:
    with pytest.raises(BadInput, match="bench's air is not given"):
        book(tmp_path, scenario, HEAD + ";hours_at_bench", "2025-02-10;action bass;2.5 mm;rule;24")


def test_a_step_of_5_mm_is_kept_and_said(tmp_path: Path, scenario: Scenario) -> None:
    found = book(tmp_path, scenario, HEAD, "2025-02-10;action;2.4 mm;rule", "2025-05-10;action;7.5 mm;rule")
    assert len(found.readings) == 2 and "step of +5.1 mm" in found.readings[1].doubt
    assert len(found.remarks) == 1 and "row 3" in found.remarks[0]


def test_work_is_an_event(tmp_path: Path, scenario: Scenario) -> None:
    found = book(
        tmp_path,
        scenario,
        HEAD + ";spacer;work",
        "2025-02-10;action;2.4 mm;rule;J;saddle -0,4 mm",
        "2025-05-10;action;2.2 mm;rule;K;",
    )
    assert [one.kind for one in found.work] == ["saddle", "spacer"]
    labels = scenario.instrument.spacers.labels
    lift = grade_lifts_mm(scenario)[labels.index("K")]
    assert known_step("action", date(2025, 2, 10), found.work, scenario) == 0.0
    assert known_step("action", date(2025, 5, 10), found.work, scenario) == pytest.approx((lift - 0.4) / 2.0)
    assert known_step("projection", date(2025, 5, 10), found.work, scenario) == pytest.approx(-lift)


def test_words_on_the_command_line(scenario: Scenario) -> None:
    assert reading_of("action = 0.114 in", scenario, TODAY).value == pytest.approx(2.8956)
    with pytest.raises(BadInput):
        reading_of("action 2.9 mm", scenario, TODAY)


def test_the_shipped_readings_are_read(scenario: Scenario) -> None:
    found = read_readings(scenarios_dir() / "readings" / "two-winters.csv", scenario, TODAY)
    assert len(found.readings) == 11 and found.work[0].amount_mm == pytest.approx(-0.2)
