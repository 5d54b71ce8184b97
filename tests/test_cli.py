"""The command line as a person uses it: what is printed, what is written, what is refused.

No outside values: what is checked is that what is written is what is said.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

import pytest
import xarray as xr

import driftmodel
from driftmodel.base.records import Scenario


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory, fc: xr.Dataset, scenario: Scenario) -> Path:
    """One small forecast's output, shared."""
    out = tmp_path_factory.mktemp("run") / "out"
    driftmodel.write_report(fc, scenario, out, "metric", pictures=False)
    return out


@pytest.fixture
def world(world: Path, undrawn: None) -> Path:
    """The user's folder, its scenario three years long; pictures stay blank."""
    file = world / "mine.toml"
    text = file.read_text(encoding="utf-8")
    assert "horizon_years = 20\n" in text
    file.write_text(text.replace("horizon_years = 20\n", "horizon_years = 3\nweather_members = 1\n"), encoding="utf-8")
    return world


def test_forecast_prints_a_verdict_in_inch_throughout_and_writes_a_folder(
    run: Callable[..., object], world: Path
) -> None:
    ran = run("forecast", "mine.toml", "--draws", "12", "--units", "inch")
    assert ran.code == 0, ran.err
    lines = ran.out.splitlines()
    assert len(lines) <= 30 and max(map(len, lines)) <= 110
    assert " mm" not in ran.out and " in" in ran.out
    assert (world / "forecast-mine" / "report.html").is_file()
    again = run("forecast", "mine.toml", "--draws", "12", "--quiet")
    assert (again.code, again.out, again.err) == (0, "", ""), "a second run may renew its own folder"


def test_json_has_units_in_its_names(run: Callable[..., object], world: Path) -> None:
    ran = run("forecast", "mine.toml", "--draws", "12", "--json", "--out", "here")
    found = json.loads(ran.out)
    assert found["folder"] == "here" and any(key.endswith("_mm") for key in json.dumps(found).replace('"', " ").split())


def test_the_data_can_be_read_back(folder: Path) -> None:
    data = xr.open_dataset(folder / "forecast.nc", engine="h5netcdf")
    assert data.attrs["seed"] == 11 and data.attrs["draws"] == 20
    inputs = json.loads((folder / "inputs.json").read_text())
    assert "large_x_braced" in json.dumps(inputs) and "sitka spruce" in json.dumps(inputs)


@pytest.mark.parametrize("place", ["taken.txt", "taken.txt/inside"])
def test_a_folder_that_cannot_be_written(place: str, run: Callable[..., object], world: Path) -> None:
    (world / "taken.txt").write_text("mine")
    ran = run("forecast", "mine.toml", "--draws", "12", "--out", place)
    assert ran.code == 2 and "taken.txt" in ran.err and "--out" in ran.err and "Traceback" not in ran.err
    assert (world / "taken.txt").read_text() == "mine"


def test_the_folder_one_stands_in_is_not_replaced(run: Callable[..., object], world: Path) -> None:
    ran = run("forecast", "mine.toml", "--draws", "12", "--out", ".")
    assert ran.code == 2 and "stand in" in ran.err and (world / "mine.toml").is_file()


def test_the_place_is_named_as_the_cause(run: Callable[..., object], world: Path, short: None) -> None:
    """Built damp, a dry highland holds the action low; under a light pull little else moves: no word blames it."""
    light = "build humidity=70, string tension=20"
    told = " ".join(run("forecast", "dry-highland", "--draws", "60", "--no-pictures", "--what-if", light).out.split())
    assert "not the air it was set up in" in told and "lower than at set-up" in told


def test_a_folder_of_someone_else_is_left_alone(run: Callable[..., object], world: Path) -> None:
    (world / "letters").mkdir()
    (world / "letters" / "note.txt").write_text("mine")
    ran = run("forecast", "mine.toml", "--draws", "12", "--out", "letters")
    assert ran.code == 2 and "letters" in ran.err
    assert [path.name for path in (world / "letters").iterdir()] == ["note.txt"]


def test_air_of_a_shipped_file(run: Callable[..., object], world: Path) -> None:
    ran = run("air", "weather/chicago.csv")
    assert ran.code == 0 and "January" in ran.out and (world / "air-chicago" / "air.png").is_file()
    assert json.loads(run("air", "weather/chicago.csv", "--json").out)


def test_air_tells_the_flag_that_mends(run: Callable[..., object], world: Path) -> None:
    (world / "room.csv").write_text("Time;Temp (°C);RH (%)\n2026-01-01 00:00;21,0;45\n2026-01-01 01:00;21,0;46\n")
    ran = run("air", "room.csv")
    assert ran.code == 2 and "--time-zone" in ran.err and "room.csv, row 2" in ran.err
    assert run("air", "room.csv", "--time-zone", "UTC").code == 0
    assert run("air", "room.csv", "--time-zone", "UTC", "--humidity-column", "RH (%)").code == 0


def test_woods_to_a_file(run: Callable[..., object], world: Path) -> None:
    ran = run("woods", "honduran mahogany", "--out", "lists")
    assert ran.code == 0 and "mahogany" in (world / "lists" / "wood.txt").read_text()
    assert json.loads(run("woods", "koa", "--json").out)


def test_a_scenario_in_inches_is_the_same_scenario(world: Path) -> None:
    text = (world / "instruments" / "large_x_braced.toml").read_text()
    assert "thickness_mm = 2.8" in text
    (world / "instruments" / "large_x_braced.toml").write_text(
        text.replace("thickness_mm = 2.8", f"thickness_in = {2.8 / 25.4!r}")
    )
    top = driftmodel.load_scenario(world / "mine.toml").instrument.body.top
    assert top.thickness_mm == pytest.approx(2.8, abs=1e-12)
