"""Gridded air: what comes out of a small invented grid, and every fault of a file told once and plainly.

No outside reference values: expectations follow from the grid each test writes.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import xarray as xr

from driftmodel.base.errors import BadInput
from driftmodel.base.scenarios import load_scenario
from driftmodel.climate.air import hours_from
from driftmodel.fleet.grid import hours_of, read_grid
from driftmodel.fleet.grid_map import map_of, write_netcdf
from driftmodel.fleet.run import Crew

DAYS = 366


def invented(humidity: np.ndarray, temperature_c: float = 18.0, start: str = "2021-01-01") -> xr.Dataset:
    """Daily air whose yearly mean humidity is given by point (lat, lon), %, with a season of 10 % and of 4 K."""
    season = np.cos(2.0 * np.pi * np.arange(DAYS) / 365.0)[:, None, None]
    dims = ("time", "lat", "lon")
    return xr.Dataset(
        {
            "t2m": (
                dims,
                temperature_c + 273.15 - 4.0 * season + np.zeros_like(humidity),
                {"units": "K", "standard_name": "air_temperature"},
            ),
            "rh": (dims, (humidity + 10.0 * season) / 100.0, {"units": "1", "standard_name": "relative_humidity"}),
        },
        coords={
            "time": np.datetime64(start, "ns") + np.arange(DAYS).astype("timedelta64[D]"),
            "lat": 50.0 - np.arange(humidity.shape[0]),
            "lon": 5.0 + np.arange(humidity.shape[1]),
        },
    )


def written(content: xr.Dataset, folder: Path, **encoding: Any) -> Path:
    file = folder / "air.nc"
    content.to_netcdf(file, engine="h5netcdf", encoding=encoding)
    return file


def scenario_outdoors() -> Any:
    """The shipped scenario whose last climate is outdoor air, with no room about it."""
    from dataclasses import replace

    base = load_scenario("first-winter")
    climate = replace(base.stays[-1].climate, room=None)
    return replace(base, stays=(base.stays[0], replace(base.stays[-1], climate=climate)), weather_members=2)


def test_damp_and_dry_corners(tmp_path: Path) -> None:
    """Set up at 45 % RH under a pull that lifts the action: damp air swells the top and creeps more, which adds to the
    lift; dry air sinks the top and creeps less, which takes from it. So regrades and the spacer wanted follow the
    humidity one way, 30, 45, 60, 80 %."""
    file = written(invented(np.array([[30.0, 45.0], [60.0, 80.0]])), tmp_path)
    seen: list[tuple[int, int]] = []
    found = map_of(file, scenario_outdoors(), years=4, draws=32, progress=lambda done, of: seen.append((done, of)))
    assert seen == [(1, 4), (2, 4), (3, 4), (4, 4)]
    assert found["regrade_chance"].dims == ("y", "x")
    assert found["y"].values.tolist() == [50.0, 49.0]
    chance = found["regrade_chance"].values
    assert chance[0, 0] < chance[0, 1] < chance[1, 0] <= chance[1, 1]
    number = found["best_grade_number"].values
    assert number[0, 0] > number[0, 1] > number[1, 0] >= number[1, 1]
    rate = found["regrades_per_thousand_per_year"].values
    assert np.all(rate >= 1000.0 * chance / 4.0 - 1e-9)
    assert found["best_grade"].values[0, 0] == load_scenario("first-winter").instrument.spacers.labels[number[0, 0]]
    assert "K to degC" in found.attrs["conversions"]
    assert "1 to %" in found.attrs["conversions"]


def test_equal_air_gives_equal_cells_and_checkpoints_change_no_bit(tmp_path: Path) -> None:
    file = written(invented(np.full((2, 2), 55.0)), tmp_path)
    crew = Crew(folder=tmp_path / "kept")
    found, again, plain = (map_of(file, scenario_outdoors(), years=2, draws=16, crew=use) for use in (crew, crew, None))
    for name in ("regrade_chance", "regrades_per_thousand_per_year", "best_grade_number", "best_grade_inside_pct"):
        assert np.unique(found[name].values).size == 1
        assert np.array_equal(found[name].values, again[name].values)
        assert np.array_equal(found[name].values, plain[name].values)


@pytest.mark.slow
def test_two_workers_change_no_bit(tmp_path: Path) -> None:
    pytest.importorskip("distributed")
    file = written(invented(np.array([[30.0, 45.0, 50.0], [60.0, 70.0, 80.0]])), tmp_path)
    one, two = (map_of(file, scenario_outdoors(), years=2, draws=16, crew=Crew(workers)) for workers in (1, 2))
    assert one.equals(two)


def test_written_whole_or_not_at_all(tmp_path: Path) -> None:
    found = xr.Dataset({"best_grade": (("y", "x"), np.array([["J", "K"]])), "n": (("y", "x"), np.array([[1, 2]]))})
    file = write_netcdf(found, tmp_path / "map.nc")
    with xr.open_dataset(file) as again:
        assert again["best_grade"].values.tolist() == [["J", "K"]]
    assert [path.name for path in tmp_path.iterdir()] == ["map.nc"]
    with pytest.raises(BadInput, match="cannot be written"):
        write_netcdf(found, tmp_path / "nowhere" / "map.nc")
    assert [path.name for path in tmp_path.iterdir()] == ["map.nc"]


def test_the_record_is_repeated_by_the_calendar() -> None:
    record = np.datetime64("2020-07-01", "ns") + np.arange(2 * 365 + 5).astype("timedelta64[D]")
    time = hours_from("2026-01-01", 24 * 365 * 3)
    picked = record[hours_of(record, 24, time)]
    assert np.array_equal(
        picked.astype("datetime64[M]").astype(int) % 12, time.astype("datetime64[M]").astype(int) % 12
    )
    years = {int(year) for year in picked.astype("datetime64[Y]").astype(int) + 1970}
    assert years == {2020, 2021, 2022}


def _without_units(content: xr.Dataset) -> None:
    del content["rh"].attrs["units"]


def _celsius_called_kelvin(content: xr.Dataset) -> None:
    content["t2m"].values[:] -= 273.15


def _a_gap(content: xr.Dataset) -> None:
    content["rh"].values[7, 1, 0] = np.nan


def _two_humidities(content: xr.Dataset) -> None:
    content["rh2"] = content["rh"]


def _no_humidity(content: xr.Dataset) -> None:
    content["rh"].attrs["standard_name"] = "specific_humidity"
    content["q"] = content["rh"]
    del content["rh"]


@pytest.mark.parametrize(
    ("spoil", "came", "place"),
    [
        (_without_units, "no units", "variable rh, attribute units"),
        (_celsius_called_kelvin, "degC at time 2021-01-01", "variable t2m"),
        (_a_gap, "1 missing values, the first at time 2021-01-08T00:00, lat 49.0, lon 5.0", "variable rh"),
        (_two_humidities, "2 variables for relative humidity", "variable rh, rh2"),
        (_no_humidity, "0 variables for relative humidity", "variable relative_humidity"),
    ],
)
def test_each_fault_has_one_message(spoil: Callable[[xr.Dataset], None], came: str, place: str, tmp_path: Path) -> None:
    content = invented(np.full((2, 2), 55.0))
    spoil(content)
    file = written(content, tmp_path)
    with pytest.raises(BadInput) as told:
        read_grid(file)
    assert came in str(told.value)
    assert place in str(told.value)
    assert "air.nc" in str(told.value)


def test_faults_of_time_dims_and_file(tmp_path: Path) -> None:
    whole = invented(np.full((2, 2), 55.0))
    for content, came in (
        (whole.isel(time=slice(0, 300)), "300 days"),
        (whole.isel(time=[*range(100), *range(101, DAYS)]), "a step of 48 h after 2021-04-10"),
        (whole.isel(time=slice(0, None, 2)), "steps of 48 h"),
        (whole.isel(lat=0, drop=True), "dims time, lon"),
        (whole.assign_coords(time=np.arange(DAYS)), "no dates on the time axis"),
    ):
        with pytest.raises(BadInput, match=came):
            read_grid(written(content, tmp_path))
    with pytest.raises(BadInput, match="no such file"):
        read_grid(tmp_path / "gone.nc")
    (tmp_path / "text.nc").write_text("not this")
    with pytest.raises(BadInput, match="not a NetCDF file"):
        read_grid(tmp_path / "text.nc")
