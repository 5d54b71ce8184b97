"""The readings file: what a bench may write, and one clear message for what cannot be used. All readings invented.

No outside values: conversions by hand.
"""

from __future__ import annotations

from dataclasses import asdict, replace
from datetime import date
from pathlib import Path

import pytest

from driftmodel.base.errors import BadInput
from driftmodel.base.opened import scenarios_dir
from driftmodel.base.records import Scenario, WorkDone
from driftmodel.base.scenarios import load_scenario
from driftmodel.calibration.forward import fitting
from driftmodel.calibration.readings import read_readings
from driftmodel.calibration.said import reading_said
from driftmodel.calibration.work import UNDATED, Asked, known_step, moment_of, pieces_of, understood
from driftmodel.outlook.calendar import grade_lifts_mm

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
        ("2025-02-10;action bass;0.1 mm;feeler gauge", "Mend: 0.1 in"),
        ("2025-02-10;weight;2100 mm;scale", "g, kg, lb or oz"),
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
    assert len(found.remarks) == 2 and "row 3" in found.remarks[0] and "blank" in found.remarks[1]


def test_work_is_an_event(tmp_path: Path, scenario: Scenario) -> None:
    found = book(
        tmp_path,
        scenario,
        HEAD + ";spacer;work",
        "2025-02-10;action;2.4 mm;rule;J;saddle -0,4 mm",
        "2025-05-10;action;2.2 mm;rule;K;",
    )
    assert [(one.saddle_mm, one.spacer) for one in found.work] == [(-0.4, ""), (0.0, "K")]
    labels = scenario.instrument.spacers.labels
    lift = grade_lifts_mm(scenario)[labels.index("K")]
    assert known_step("action", moment_of(found.readings[0]), found.work, scenario) == 0.0
    assert known_step("action", moment_of(found.readings[1]), found.work, scenario) == pytest.approx((lift - 0.4) / 2.0)
    assert known_step("projection", moment_of(found.readings[1]), found.work, scenario) == pytest.approx(-lift)


@pytest.mark.parametrize(
    ("rows", "steps"),
    [
        # work on a row of its own between two readings of one day
        (("2025-05-10;action;2.90 mm;rule;", "2025-05-10;;;;saddle -0.5 mm", "2025-05-10;action;2.65 mm;rule;"),
         [0.0, -0.25]),
        # work on the row of the reading before it
        (("2025-05-10;action;2.90 mm;rule;saddle -0.5 mm", "2025-05-10;action;2.65 mm;rule;"), [0.0, -0.25]),
        # work on the row of the reading after it
        (("2025-05-10;action;2.90 mm;rule;", "2025-05-10;action;2.65 mm;rule;saddle -0.5 mm"), [0.0, -0.25]),
        # read twice, then worked on
        (("2025-05-10;action;2.90 mm;rule;", "2025-05-10;action;2.91 mm;rule;saddle -0.5 mm"), [0.0, 0.0]),
        # alone: read, then worked on
        (("2025-05-10;action;2.90 mm;rule;saddle -0.5 mm",), [0.0]),
        # two pieces of work in one day
        (("2025-05-10;;;;saddle -0.5 mm", "2025-05-10;action;2.65 mm;rule;", "2025-05-10;;;;saddle -0.2 mm",
          "2025-05-10;action;2.55 mm;rule;"), [-0.25, -0.35]),
    ],
)  # fmt: skip
def test_order_within_a_day_is_kept(
    tmp_path: Path, scenario: Scenario, rows: tuple[str, ...], steps: list[float]
) -> None:
    found = book(tmp_path, scenario, HEAD + ";work", *rows)
    told = [known_step("action", moment_of(one), found.work, scenario) for one in found.readings]
    assert told == pytest.approx(steps)


@pytest.mark.parametrize(
    ("words", "expected"),
    [
        ("saddle -0.4 mm", {"saddle_mm": -0.4}),
        ("saddle -0,4 mm", {"saddle_mm": -0.4}),
        ("lowered saddle 0.030 in", {"saddle_mm": -0.762}),
        ("took 30 thou off the saddle", {"saddle_mm": -0.762}),
        ("saddle sanded down 1/64", {"saddle_mm": -0.396875}),
        ("raised the saddle by 0.5 mm", {"saddle_mm": 0.5}),
        ("shimmed saddle 0.3mm", {"saddle_mm": 0.3}),
        ("spacer K", {"spacer": "K"}),
        ("fitted a K spacer", {"spacer": "K"}),
        ("swapped spacer J to K", {"spacer": "K"}),
        ("spacer J -> L", {"spacer": "L"}),
        ("spacer 0.15 mm", {"spacer": "M"}),
        ("truss rod 1/4 turn", {"truss_rod": True}),
        ("adjusted relief", {"truss_rod": True}),
        ("strings off", {"strings_on": False}),
        ("took the strings off", {"strings_on": False}),
        ("strings back on", {"strings_on": True}),
        ("new strings", {}),
        ("fret dress", {"anew": True}),
        ("neck reset", {"anew": True}),
        ("action +0.1 mm by the nut", {"action_mm": 0.1}),
        ("anew: hit by a door", {"anew": True}),
        ("note: owner was happy", {}),
    ],
)
def test_work_in_a_benchs_words(scenario: Scenario, words: str, expected: dict[str, object]) -> None:
    piece = understood(words, scenario.instrument.spacers, "J")
    assert isinstance(piece, WorkDone), piece
    wanted = {name: pytest.approx(value) if isinstance(value, float) else value for name, value in expected.items()}
    assert asdict(piece) == asdict(WorkDone(UNDATED, words=words)) | wanted


@pytest.mark.parametrize(
    "words",
    [
        "saddle 0.4 mm", "saddle -0.4", "lowered saddle", "saddle to 9 mm", "raised saddle -0.4 mm", "spacer",
        "spacer Q", "spacer +2", "spacer J K", "did the usual", "strings", "saddle -30 mm",
    ],
)  # fmt: skip
def test_work_not_understood_is_asked_about_and_the_mend_works(scenario: Scenario, words: str) -> None:
    asked = understood(words, scenario.instrument.spacers, "J")
    assert isinstance(asked, Asked)
    assert isinstance(understood(asked.mend, scenario.instrument.spacers, "J"), WorkDone), asked.mend


def test_two_grades_up_is_told_by_its_label() -> None:
    spacers = load_scenario("two-winters").instrument.spacers
    asked = understood("swapped spacer to +2", spacers, "J")
    assert isinstance(asked, Asked) and asked.mend == "spacer L"
    own = replace(spacers, labels=("-2", "-1", "0", "+1", "+2"), tapers_mm=(-0.1, -0.05, 0.0, 0.05, 0.1))
    assert understood("swapped spacer to +2", own, "0") == WorkDone(UNDATED, words="swapped spacer to +2", spacer="+2")
    assert understood("spacer -2", own, "0") == WorkDone(UNDATED, words="spacer -2", spacer="-2")


def test_several_pieces_of_work_in_one_cell() -> None:
    assert pieces_of("saddle -0,4 mm + spacer +2; truss rod, new strings and strings on") == [
        "saddle -0,4 mm", "spacer +2", "truss rod", "new strings", "strings on",
    ]  # fmt: skip


def test_the_shipped_readings_are_read(scenario: Scenario) -> None:
    found = read_readings(scenarios_dir() / "readings" / "two-winters.csv", scenario, TODAY)
    assert len(found.readings) == 11 and found.work[0].saddle_mm == pytest.approx(-0.2)


@pytest.mark.parametrize(
    ("said", "value_mm"),
    [
        ("action=2.8 mm", 2.8),
        ("action 7/64 in", 2.778125),
        ("action 5/64", 1.984375),
        ("action 0.109in", 2.7686),
        ("action 90 thou", 2.286),
        ('action 1/8"', 3.175),
        ("bass action 2,6 mm", 2.6),
        ("projection -1 mm", -1.0),
    ],
)
def test_a_reading_is_read_as_a_bench_says_it(scenario: Scenario, said: str, value_mm: float) -> None:
    reading, _ = reading_said(said, scenario, TODAY, "J")
    assert reading.value == pytest.approx(value_mm)


def test_a_reading_takes_the_benchs_air_hours_and_tool(scenario: Scenario) -> None:
    reading, taken = reading_said("action=2.9mm at 38% and 70 F after 2 h with rule", scenario, TODAY, "J")
    assert (reading.relative_humidity_pct, reading.hours_at_bench, reading.tool) == (38.0, 2.0, "rule")
    assert reading.temperature_c == pytest.approx(21.11, abs=0.01) and taken == ()
    reading, taken = reading_said("action 2.9 mm at 38 %", scenario, TODAY, "J")
    assert (reading.temperature_c, reading.hours_at_bench, reading.tool) == (21.0, 24.0, "feeler gauge")
    assert len(taken) == 3 and "24 hours" in " ".join(taken)


@pytest.mark.parametrize(
    ("said", "mend"),
    [
        ("action=0.125", "action 0.125 in"),
        ("action 90", "action 90 thou"),
        ("action 90 mm", "action 90 thou"),
        ("action 2.8", "action 2.8 mm"),
        ("weight 2.1", "weight 2.1 kg"),
        ("acton 2.8 mm", "action 2.8 mm"),
    ],
)
def test_a_missing_or_wrong_unit_is_asked_for_by_what_can_be_true(scenario: Scenario, said: str, mend: str) -> None:
    with pytest.raises(BadInput) as fault:
        reading_said(said, scenario, TODAY, "J")
    assert fault.value.mend.removeprefix("--reading ").strip('"') == mend
    reading_said(mend, scenario, TODAY, "J")


def test_hours_are_read_and_blanks_are_told(tmp_path: Path, scenario: Scenario) -> None:
    head = "date;hour;what;value;tool;temperature_degc;relative_humidity_pct;hours_at_bench"
    lines = ("2025-02-10;14:30;action;2.4 mm;rule;;;0", "2025-05-10;9,5;action;2.5 mm;rule;21;45;24",
             "2025-06-10;;action;2.5 mm;rule;;;", "2025-06-10;;action;2.5 mm;rule;;;")  # fmt: skip
    found = book(tmp_path, scenario, head, *lines)
    assert [one.hour for one in found.readings] == [14.5, 9.5, None, None]
    assert [one.hours_at_bench for one in found.readings] == [0.0, 24.0, None, None]
    assert "2 of 4 readings" in found.remarks[0] and "exact copy" in found.remarks[1]
    assert len(fitting(found)) == 3
    with pytest.raises(BadInput, match="14:30"):
        book(tmp_path, scenario, head, "2025-02-10;25;action;2.4 mm;rule;;;0")
