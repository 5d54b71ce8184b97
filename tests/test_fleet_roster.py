"""Rosters, claims, plans and rates as users spoil them: every fault is told with file, row, column and a mend.

No outside reference values here: the tables are made for the tests.
"""

from __future__ import annotations

import csv
from pathlib import Path

import pytest

from driftmodel.base.errors import BadInput
from driftmodel.fleet import reading

UNITS = """serial,count,design,build_date,ship_date,sale_date,region,exposure,grade,cover_months,last_regrade
A1,1,large,2022-03-01,2022-04-01,2022-05-01,north,open,E,60,
A2,1,small,2023-01-10,2023-02-01,2023-03-01,south,open,F,60,2025-02-01
,40,large,2024-06-01,2024-07-01,2024-08-01,north,cased,E,24,
,25,small,2026-05-01,2026-06-01,,south,open,E,60,
"""
CLAIMS = (
    "claim,serial,design,region,event_date,report_date,close_date,"
    "action_mm,grade_before,grade_after,hours,cost,disposition\n"
    "K1,A2,small,south,2024-12-01,2025-01-05,2025-02-01,2.9,F,E,1.5,110,regrade\n"
    "K2,,large,north,2025-01-01,2025-01-20,,,,,,,seasonal\n"
)
PLAN = """design,region,exposure,build_date,sale_date,cover_months,count
large,north,open,2026-05-01,2026-08-01,60,30
"""
RATES = """region,hours_regrade,hours_seasonal,cost_per_hour,cost_per_part,cost_freight
south,1.5,0.25,55,8,30
north,1.4,0.25,60,8,25
"""
FLEET = """title = "Invented: two regions"
invented = true
cutoff = 2026-06-30
horizon_months = 24
seed = 1
currency = "EUR"
rejects_most_pct = 60.0
grades = ["D", "E", "F"]

[files]
units = "units.csv"
claims = "claims.csv"
plan = "plan.csv"
rates = "rates.csv"

[habits]
report_lag_shares = [0.6, 0.4]
job_lag_months = 1
sale_lag_months = 3

[designs.large]
scenario = "first-winter"

[designs.small]
scenario = "damp-coast"

[regions.north]
climates = { open = "cold_city_heated", cased = "cold_city_case" }
seasonal_complaints_per_thousand = [2, 2, 1, 0.5, 0.2, 0.2, 0.2, 0.2, 0.2, 0.5, 1, 2]

[regions.south]
climates = { open = "damp_coast" }
seasonal_complaints_per_thousand = [0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0]
"""
GOOD = {"units.csv": UNITS, "claims.csv": CLAIMS, "plan.csv": PLAN, "rates.csv": RATES, "fleet.toml": FLEET}


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    for name, text in GOOD.items():
        (tmp_path / name).write_text(text.replace("= [2, 2,", "= [2.0, 2.0,").replace(" 1, 2]", " 1.0, 2.0]"))
    toml = (tmp_path / "fleet.toml").read_text().replace("[0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0]", str([0.0] * 12))
    (tmp_path / "fleet.toml").write_text(toml)
    return tmp_path


def spoil(folder: Path, file: str, old: str, new: str) -> None:
    text = (folder / file).read_text()
    assert old in text
    (folder / file).write_text(text.replace(old, new, 1))


def test_a_good_fleet_is_read_whole(folder: Path) -> None:
    fleet = reading.read_fleet(folder / "fleet.toml")
    assert not fleet.faults
    assert fleet.regions == ("north", "south")
    assert fleet.exposures == ("open", "cased")
    assert fleet.units.count.tolist() == [1, 1, 40, 25, 30]
    assert fleet.units.planned.tolist() == [False, False, False, True, True]
    assert fleet.rates.hours_regrade.tolist() == [1.4, 1.5]
    assert fleet.claims.report.size == 2
    unsold = fleet.units.sale[3]
    assert unsold == 12 * 2026 + 5 + 3  # shipped in June, three months on the shelf


def test_a_claim_is_joined_to_its_unit_by_serial(folder: Path) -> None:
    fleet = reading.read_fleet(folder / "fleet.toml")
    assert fleet.claims.cover_end.tolist() == [12 * 2023 + 2 + 60, -1]  # sold in March 2023, 60 months; no serial
    assert fleet.claims.hours[0] == 1.5
    assert fleet.claims.hours[1] != fleet.claims.hours[1]  # not told is not 0


def test_a_serial_that_no_unit_has_is_a_fault_only_where_every_unit_has_one(folder: Path) -> None:
    spoil(folder, "claims.csv", "K1,A2", "K1,A9")
    assert not reading.read_fleet(folder / "fleet.toml").faults
    spoil(folder, "units.csv", ",40,large", "A3,1,large")
    spoil(folder, "units.csv", ",25,small", "A4,1,small")
    fleet = reading.read_fleet(folder / "fleet.toml")
    assert [(fault.row, fault.column, fault.value) for fault in fleet.faults] == [(2, "serial", "A9")]
    spoil(folder, "claims.csv", "K1,A9", "K1,A4")
    assert "not sold" in reading.read_fleet(folder / "fleet.toml").faults[0].reason


#: (file, what stands there, what the user wrote, row told, column told, a word of the reason)
ROW_FAULTS = [
    ("units.csv", "A1,1,large", "A1,1,lrage", 2, "design", 'Did you mean "large"'),
    ("units.csv", "A1,1,large", "A1,1,", 2, "design", "empty"),
    ("units.csv", "2022-03-01", "03/01/2022", 2, "build_date", "2026-07-15"),
    ("units.csv", "2022-03-01", "", 2, "build_date", "empty"),
    ("units.csv", "2022-03-01", "1822-03-01", 2, "build_date", "year"),
    ("units.csv", "2022-03-01", "2022-13-01", 2, "build_date", "date"),
    ("units.csv", "2022-04-01", "2021-04-01", 2, "ship_date", "before build_date"),
    ("units.csv", "2022-05-01", "2021-05-01", 2, "sale_date", "before"),
    ("units.csv", "2022-05-01", "2027-05-01", 2, "sale_date", "cutoff"),
    ("units.csv", "2025-02-01", "2022-02-01", 3, "last_regrade", "before sale_date"),
    ("units.csv", "2025-02-01", "2027-02-01", 3, "last_regrade", "cutoff"),
    (
        "units.csv",
        "2026-06-01,,south,open,E,60,",
        "2026-06-01,,south,open,E,60,2026-06-01",
        5,
        "last_regrade",
        "not sold",
    ),
    ("units.csv", "A2,1", "A1,1", 3, "serial", "earlier row"),
    ("units.csv", "A1,1", "A1,3", 2, "count", "one unit"),
    ("units.csv", ",40,", ",-40,", 4, "count", "between"),
    ("units.csv", ",40,", ",4.5,", 4, "count", "whole"),
    ("units.csv", ",40,", ",many,", 4, "count", "not a number"),
    ("units.csv", "E,60,", "E,,", 2, "cover_months", "empty"),
    ("units.csv", "E,60,", "E,9999,", 2, "cover_months", "between"),
    ("units.csv", "north,open", "nrth,open", 2, "region", "north"),
    ("units.csv", "south,open,F", "south,cased,F", 3, "exposure", "no climate"),
    ("units.csv", "open,F", "open,Q", 3, "grade", "D, E, F"),
    ("claims.csv", "2025-01-05", "2024-01-05", 2, "report_date", "before event_date"),
    ("claims.csv", "2025-01-05,2025-02-01", "2025-01-05,2024-12-20", 2, "close_date", "before report_date"),
    ("claims.csv", "2025-01-20", "2026-09-20", 3, "report_date", "cutoff"),
    ("claims.csv", "K2", "K1", 3, "claim", "earlier row"),
    ("claims.csv", "110,regrade", "110,regrde", 2, "disposition", 'Did you mean "regrade"'),
    ("claims.csv", "1.5,110", '"1,5",110', 2, "hours", "decimal point"),
    ("claims.csv", "2.9,F", "290,F", 2, "action_mm", "between"),
    ("claims.csv", "K2,", ",", 3, "claim", "own number"),
    ("claims.csv", "K1,A2,small", "K1,A1,small", 2, "design", "unit with this serial"),
    ("plan.csv", "2026-08-01", "2026-05-20", 2, "sale_date", "units table"),
    ("plan.csv", "60,30", "60,0", 2, "count", "between"),
    ("plan.csv", "2026-05-01", "2026-09-01", 2, "sale_date", "before build_date"),
]


@pytest.mark.parametrize(("file", "old", "new", "row", "column", "reason"), ROW_FAULTS)
def test_bad_rows_are_listed_and_totals_reconcile(
    folder: Path, file: str, old: str, new: str, row: int, column: str, reason: str
) -> None:
    spoil(folder, file, old, new)
    spoil(folder, "fleet.toml", "rejects_most_pct = 60.0", "rejects_most_pct = 100.0")
    if file == "plan.csv":
        with (folder / file).open("a") as more:
            more.write("small,south,open,2026-06-01,2026-09-01,60,5\n")
    rejects = folder / "rejects.csv"
    fleet = reading.read_fleet(folder / "fleet.toml", rejects)
    told = [fault for fault in fleet.faults if (fault.row, fault.column) == (row, column)]
    assert told, fleet.faults
    assert reason in told[0].reason
    assert {fault.row for fault in fleet.faults} == {row}
    listed = list(csv.DictReader(rejects.open()))
    assert listed[0]["file"].endswith(file)
    assert {"file", "row", "column", "reason", "value"} == set(listed[0])
    sold, plan, claims = (
        next(t for t in fleet.tallies if t.file.endswith(n)) for n in ("units.csv", "plan.csv", "claims.csv")
    )
    assert sum(tally.rows_rejected for tally in fleet.tallies) == 1
    assert fleet.units.count.size == sold.rows - sold.rows_rejected + plan.rows - plan.rows_rejected
    assert fleet.units.count.sum() == sold.units - sold.units_rejected + plan.units - plan.units_rejected
    assert fleet.claims.report.size == claims.rows - claims.rows_rejected


#: (file, what stands there, what the user wrote, words of the message): faults that stop the run
WHOLE_FAULTS = [
    ("fleet.toml", 'units = "units.csv"', 'units = "unit.csv"', ("unit.csv", "no such file")),
    ("fleet.toml", "horizon_months = 24", "horizn_months = 24", ("line 4", "horizn_months", "horizon_months")),
    ("fleet.toml", "[0.6, 0.4]", "[0.6, 0.6]", ("report_lag_shares", "add up to 1")),
    ("fleet.toml", 'grades = ["D", "E", "F"]', 'grades = ["D", "E", "E"]', ("grades that all differ",)),
    ("fleet.toml", "seed = 1", "seed = 1\nmembers = 20\ndraws = 16", ("draw for each weather member",)),
    ("fleet.toml", "seed = 1", "seed = 1\nclaims_since = 2027-01-01", ("claims_since before",)),
    ("units.csv", "serial,count", "serial,cuont", ("row 1", "cuont", "count")),
    ("units.csv", "serial,count,design", "serial,count,count", ("column `count`", "twice")),
    ("units.csv", "A1,1,large", "A1,1,large,large", ("row 2", "11")),
    ("claims.csv", ",cost,disposition", ",cost,dispositin", ("claims.csv", "disposition")),
    ("rates.csv", "north,1.4", "south,1.4", ("rates.csv", "row 3", "column region", "earlier")),
    ("rates.csv", "\nnorth,1.4,0.25,60,8,25", "", ("no rates for the region north",)),
    ("rates.csv", "1.5,0.25,55", "1.5,0.25,-55", ("rates.csv", "row 2", "cost_per_hour")),
    ("rates.csv", "1.5,0.25,55", '"1,5",0.25,55', ("row 2", "decimal point")),
    ("rates.csv", "region,", "region;", ("rates.csv", "region;hours_regrade")),
]


@pytest.mark.parametrize(("file", "old", "new", "words"), WHOLE_FAULTS)
def test_faults_that_stop_the_run(folder: Path, file: str, old: str, new: str, words: tuple[str, ...]) -> None:
    spoil(folder, file, old, new)
    with pytest.raises(BadInput) as told:
        reading.read_fleet(folder / "fleet.toml")
    message = str(told.value)
    assert "Mend:" in message
    for word in words:
        assert word in message, message


def test_too_many_bad_rows_stop_the_run_after_listing_them(folder: Path) -> None:
    spoil(folder, "fleet.toml", "rejects_most_pct = 60.0", "rejects_most_pct = 10.0")
    spoil(folder, "units.csv", "A1,1,large", "A1,1,lrage")
    rejects = folder / "rejects.csv"
    with pytest.raises(BadInput, match=r"1 of 4 rows.*row 2, column design|row 2, column design.*1 of 4 rows"):
        reading.read_fleet(folder / "fleet.toml", rejects)
    assert len(rejects.read_text().splitlines()) == 2


def test_every_fault_of_a_row_is_told(folder: Path) -> None:
    spoil(folder, "units.csv", "A1,1,large,2022-03-01", "A1,1,lrage,March")
    fleet = reading.read_fleet(folder / "fleet.toml")
    assert [fault.column for fault in fleet.faults] == ["design", "build_date"]


def test_short_rows_and_empty_tables(folder: Path) -> None:
    spoil(folder, "units.csv", "A1,1,large,2022-03-01,2022-04-01,2022-05-01,north,open,E,60,", "A1,1,large")
    fleet = reading.read_fleet(folder / "fleet.toml")
    assert any((fault.row, fault.column) == (2, "build_date") and "empty" in fault.reason for fault in fleet.faults)
    (folder / "units.csv").write_text(UNITS.splitlines()[0] + "\n")
    with pytest.raises(BadInput, match="only a header"):
        reading.read_fleet(folder / "fleet.toml")
    (folder / "units.csv").write_text("")
    with pytest.raises(BadInput, match="empty"):
        reading.read_fleet(folder / "fleet.toml")
