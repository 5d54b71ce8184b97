"""Faults put into a clean fleet's tables by hand: each must be found, with its rows. And exports of other shape.

No outside reference values: each expectation is the fault that was put in.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pandas as pd
import pytest
from invented_fleets import ToyDrift, invented_fleet, invented_settings, write_fleet

from driftmodel.base.errors import BadInput
from driftmodel.fleet.reading import read_fleet
from driftmodel.fleet.roster import Fleet

Change = Callable[[pd.DataFrame, pd.DataFrame], None]


@pytest.fixture
def file(tmp_path: Path) -> Path:
    settings = invented_settings(2, 1, 1, samples=60, draws=64, members=4, horizon_months=12)
    return write_fleet(invented_fleet(settings, ToyDrift(), 4000, years=5, seed=5, every=4)[0], tmp_path)


def changed(file: Path, change: Change) -> Fleet:
    units, claims = (
        pd.read_csv(file.parent / f"{n}.csv", dtype=str, keep_default_na=False) for n in ("units", "claims")
    )
    change(units, claims)
    units.to_csv(file.parent / "units.csv", index=False)
    claims.to_csv(file.parent / "claims.csv", index=False)
    return read_fleet(file)


def twice(units: pd.DataFrame, claims: pd.DataFrame) -> None:
    claims.loc[len(claims)] = claims.loc[3].to_dict() | {"claim": "AGAIN"}


def moved(units: pd.DataFrame, claims: pd.DataFrame) -> None:
    claims.loc[4, "region"] = "r1" if claims.loc[4, "region"] == "r0" else "r0"


def early(units: pd.DataFrame, claims: pd.DataFrame) -> None:
    row = units.index[units["serial"] == claims.loc[5, "serial"]][0]
    units.loc[row, ["build_date", "ship_date", "sale_date"]] = ["2026-05-01"] * 3
    units.loc[row, "last_regrade"] = ""


def stale(units: pd.DataFrame, claims: pd.DataFrame) -> None:
    claims["close_date"] = claims["report_date"]
    row = units.index[units["serial"] == claims.loc[6, "serial"]][0]
    units.loc[row, "last_regrade"] = ""


def dear(units: pd.DataFrame, claims: pd.DataFrame) -> None:
    claims.loc[7, "cost"] = "5000"


def foreign(units: pd.DataFrame, claims: pd.DataFrame) -> None:
    claims["currency"] = "EUR"
    claims.loc[8, "currency"] = "USD"


@pytest.mark.parametrize(
    ("check", "change", "rows"),
    [
        ("suspected duplicates", twice, None),
        ("region against serial", moved, (6,)),
        ("claim before sale", early, None),
        ("regrade dates against claims", stale, None),
        ("cost outliers", dear, (9,)),
        ("mixed currencies", foreign, (10,)),
    ],
)
def test_a_fault_put_in_is_found_with_its_row(
    file: Path, check: str, change: Change, rows: tuple[int, ...] | None
) -> None:
    assert read_fleet(file).findings == ()
    found = {each.check: each for each in changed(file, change).findings}
    assert check in found and 1 <= len(found[check].rows) <= 4
    assert rows is None or found[check].rows == rows
    assert f"row {found[check].rows[0]}" in found[check].told


def test_a_claims_file_given_twice_stops_the_run_and_says_how_to_go_on(file: Path) -> None:
    def all_twice(units: pd.DataFrame, claims: pd.DataFrame) -> None:
        for at, row in enumerate(claims.to_dict("records")):
            claims.loc[len(claims)] = row | {"claim": f"B{at}"}

    with pytest.raises(BadInput, match="alike in all but the number"):
        changed(file, all_twice)
    file.write_text(file.read_text().replace("suspects_most_pct = 10.0", "suspects_most_pct = 100"))
    assert read_fleet(file).findings


def test_claims_that_begin_late_are_told(file: Path) -> None:
    def late(units: pd.DataFrame, claims: pd.DataFrame) -> None:
        claims["report_date"] = claims["report_date"].clip(lower="2024-01-01")

    assert any(each.check == "first claim against first sale" for each in changed(file, late).findings)


@pytest.mark.parametrize(("mark", "cost"), [(";", "100,0"), ("\t", "100.0"), ("|", "100,0")])
def test_any_delimiter_is_read(file: Path, mark: str, cost: str) -> None:
    whole = read_fleet(file)
    claims = pd.read_csv(file.parent / "claims.csv", dtype=str, keep_default_na=False)
    claims["cost"] = cost
    claims.to_csv(file.parent / "claims.csv", index=False, sep=mark)
    again = read_fleet(file)
    assert again.claims.report.tolist() == whole.claims.report.tolist()
    assert set(again.claims.cost.tolist()) == {100.0}


def test_an_exports_own_names_are_mapped_and_its_other_columns_kept_out_with_a_word(file: Path) -> None:
    whole = read_fleet(file)
    claims = pd.read_csv(file.parent / "claims.csv", dtype=str, keep_default_na=False)
    claims = claims.rename(columns={"claim": "Claim No", "report_date": "Reported"})
    claims["Clerk"] = "a, b"
    claims.to_csv(file.parent / "claims.csv", index=False)
    text = file.read_text()
    file.write_text(text + '\n[columns.claims]\nclaim = "Claim No"\nreport_date = "Reported"\n')
    again = read_fleet(file)
    assert again.claims.report.tolist() == whole.claims.report.tolist()
    assert [each.check for each in again.findings] == ["columns not used"] and "Clerk" in again.findings[0].told
    file.write_text(text + '\n[columns.claims]\nclaim = "Claim Nr"\n')
    with pytest.raises(BadInput, match="Claim No"):
        read_fleet(file)
