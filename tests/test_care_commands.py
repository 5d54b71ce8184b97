"""The commands advise and compare, and the folders they write. No outside reference values: what is checked is that
the files say what the numbers say, that a fault leaves nothing behind, and that the sheet prints on one page."""

from __future__ import annotations

import csv
import json
import re
import subprocess
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
import xarray as xr

Run = Callable[..., Any]
pytestmark = pytest.mark.usefixtures("undrawn", "short")


def test_advice_and_its_sheet_are_told_and_written(run: Run, tmp_path: Path, chromium: str | None) -> None:
    """The sheet says both units and the cautions, and prints on one page where there is a chromium to print it."""
    out = tmp_path / "care"
    ran = run("advise", "first-winter", "--draws", "30", "--out", str(out), "--units", "inch")
    code, text = ran.code, ran.out
    assert code == 0 and "Dry months are the danger here." in text and str(out / "sheet.html") in text
    told = json.loads((out / "advice.json").read_text())
    assert told["kind"] == "dry" and told["draws"] == 30 and len(told["historic"]["daily_pct"]) == 365
    rows = list(csv.reader((out / "measures.csv").open()))
    measures = [each for each in told["measures"] if each["key"] != "off the wall"]
    assert [row[0] for row in rows[2:]] == [each["words"] for each in measures]
    page = (out / "report.html").read_text()
    assert not re.search(r'(?:src|href)="(?!#)', page) and "<script" not in page
    assert page.count("<svg") == 3 and rows[2][3] in page
    sheet = (out / "sheet.html").read_text()
    for words in ("2.00 mm (0.079 in)", "local rules", "unplug", "invented"):
        assert words in sheet, words
    if chromium is not None:
        paper = tmp_path / "sheet.pdf"
        flags = ["--headless", "--no-sandbox", "--disable-gpu", "--disable-dev-shm-usage", "--no-pdf-header-footer"]
        command = [
            chromium,
            *flags,
            f"--user-data-dir={tmp_path}/b",
            f"--print-to-pdf={paper}",
            (out / "sheet.html").as_uri(),
        ]
        subprocess.run(command, check=True, capture_output=True, timeout=600)
        assert len(re.findall(rb"/Type\s*/Page\b", paper.read_bytes())) == 1


def test_comparison_is_told_and_written(run: Run, tmp_path: Path) -> None:
    out = tmp_path / "what-if"
    what_ifs = ["--what-if", "humidifier=45", "--what-if", "case=yes, string gauge=0.9"]
    ran = run("compare", "first-winter", "damp-coast", *what_ifs, "--draws", "20", "--out", str(out), "--json")
    code, text = ran.code, ran.out
    assert code == 0
    told = json.loads(text)
    assert told["draws"] == 20 and "wood-handbook" in " ".join(told["sources"])
    names = [each["scenario"] for each in told["scenarios"]]
    assert names[1] == "damp-coast" and names[2] == "first-winter, humidifier 45" and len(names) == 4
    rows = list(csv.DictReader((out / "comparison.csv").open()))
    with xr.open_dataset(out / "comparison.nc", engine="h5netcdf") as table:
        mean = table["difference_mean"].sel(outcome="season_swing").values
    swings = [float(row["difference_mean"]) for row in rows if row["outcome"] == "season_swing"]
    assert swings == pytest.approx(mean.tolist()) and swings[0] == 0.0 and swings[2] < 0.0
    assert (out / "report.html").read_text().count("<svg") == 4


def test_levers_are_listed(run: Run) -> None:
    ran = run("compare", "--levers")
    code, text = ran.code, ran.out
    assert code == 0 and all(word in text for word in ("place", "brace layout", "shipping", "warming", "finer spacers"))


@pytest.mark.parametrize(
    ("arguments", "told"),
    [
        (["compare"], "no scenario"),
        (["compare", "first-winter"], "two or more"),
        (["compare", "first-winter", "first-winter"], "named twice"),
        (["compare", "first-winter", "--what-if", "humidifer=45"], "humidifier"),
        (["compare", "first-winter", "--what-if", "humidifier"], "LEVER=VALUE"),
        (["compare", "first-winter", "--what-if", "humidifier=900"], "0 to 65"),
        (["compare", "first-winter", "--what-if", "finer spacers=1.5"], "whole number"),
        (["compare", "first-winter", "--what-if", "top wood=balsa wod"], "wood"),
        (["compare", "first-winter", "--what-if", "place=atlantis"], "damp_coast"),
        (["compare", "first-winter", "--what-if", "shipping=soon"], "year-month-day"),
        (["compare", "first-winter", "--what-if", "case=maybe"], "case"),
        (["compare", "first-winter", "--what-if", "humidifier outage=3"], "no humidifier"),
        (["advise", "no-such"], "no-such"),
        (["advise"], "SCENARIO"),
        (["page", "--port", "80"], "1024"),
    ],
)
def test_a_fault_is_one_message_and_leaves_nothing(
    run: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, arguments: list[str], told: str
) -> None:
    monkeypatch.chdir(tmp_path)
    ran = run(*arguments)
    code, text, fault = ran.code, ran.out, ran.err
    assert code == 2 and told in fault and "Traceback" not in fault and not text
    assert list(tmp_path.iterdir()) == []
