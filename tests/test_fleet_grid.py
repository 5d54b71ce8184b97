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
from driftmodel.base.workers import Crew
from driftmodel.climate.air import hours_from
from driftmodel.climate.history import scenario_air
from driftmodel.climate.netcdf import write_netcdf
from driftmodel.climate.weather import read_weather
from driftmodel.maps.grid import hours_of, read_grid
from driftmodel.maps.grid_map import PointAir, map_of, point_air

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


def test_a_points_room_is_the_scenarios_own() -> None:
    """With the place's own weather file as a point, hour for hour what the scenario's forecast has: its room has stood
    in its outdoor air before the guitar comes."""
    scenario = load_scenario("first-winter")
    climate = scenario.stays[-1].climate
    assert climate.outdoor is not None and climate.outdoor.weather_file is not None and climate.room is not None
    year = read_weather(climate.beside(climate.outdoor.weather_file), gap_policy=climate.outdoor.gap_policy)
    one = PointAir(year["time"].values, 1, year["air_temperature"].values, year["relative_humidity"].values)
    found, wanted = point_air(one, scenario, 0), scenario_air(scenario)
    for name in ("air_temperature", "relative_humidity"):
        assert found[name].values == pytest.approx(wanted[name].values, abs=1e-9)


def test_equal_air_gives_equal_cells_and_checkpoints_change_no_bit(tmp_path: Path) -> None:
    file = written(invented(np.full((1, 2), 55.0)), tmp_path)
    crew = Crew(folder=tmp_path / "kept")
    found, again, plain = (map_of(file, scenario_outdoors(), years=1, draws=16, crew=use) for use in (crew, crew, None))
    for name in ("regrade_chance", "regrades_per_thousand_per_year", "best_grade_number", "best_grade_inside_pct"):
        assert np.unique(found[name].values).size == 1
        assert np.array_equal(found[name].values, again[name].values)
        assert np.array_equal(found[name].values, plain[name].values)


@pytest.mark.slow
def test_two_workers_change_no_bit(tmp_path: Path) -> None:
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
        write_netcdf(found, tmp_path / ("a name too long" * 20))
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
    del content["t2m"].attrs["units"]


def _celsius_called_kelvin(content: xr.Dataset) -> None:
    content["t2m"].values[:] -= 273.15


def _two_humidities(content: xr.Dataset) -> None:
    content["rh2"] = content["rh"]


def _no_humidity(content: xr.Dataset) -> None:
    content["rh"].attrs["standard_name"] = "specific_humidity"
    content["q"] = content["rh"]
    del content["rh"]


@pytest.mark.parametrize(
    ("spoil", "came", "place"),
    [
        (_without_units, "no units", "variable t2m, attribute units"),
        (_celsius_called_kelvin, "degC at time 2021-01-01", "variable t2m"),
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


@pytest.mark.parametrize(("units", "factor"), [("%", 1.0), ("1", 100.0), ("%", 100.0), (None, 1.0)])
def test_fractions_and_percent_are_told_apart_by_value(units: str | None, factor: float, tmp_path: Path) -> None:
    content = invented(np.full((2, 2), 55.0))
    content["rh"].values[:] *= factor
    content["rh"].attrs = {"standard_name": "relative_humidity"} | ({"units": units} if units else {})
    found = read_grid(written(content, tmp_path))
    assert found.humidity[0, 0, 0] == pytest.approx(65.0)
    assert ("rh: 1 to %" in found.conversions) == (factor == 1.0)


def test_fahrenheit_and_dew_point_are_read(tmp_path: Path) -> None:
    """68 degF is 20 degC. Over 20 degC a dew point of 10 degC is 52.5 % (1228.0 / 2339.3 Pa; steam tables, ASHRAE
    Handbook of Fundamentals 2021, ch. 1, table 3)."""
    content = invented(np.full((2, 2), 55.0))
    dims = content["t2m"].dims
    content["t2m"] = (dims, np.full(content["t2m"].shape, 68.0), {"units": "degF", "standard_name": "air_temperature"})
    content["d2m"] = (dims, np.full(content["t2m"].shape, 283.15), {"units": "K"})
    found = read_grid(written(content.drop_vars("rh"), tmp_path))
    assert found.temperature == pytest.approx(20.0)
    assert found.humidity == pytest.approx(52.5, abs=0.05)
    assert any("dew point" in line for line in found.conversions)


@pytest.mark.parametrize(("calendar", "days"), [("noleap", 365), ("360_day", 360)])
def test_calendars_of_climate_models_are_laid_on_real_days(calendar: str, days: int, tmp_path: Path) -> None:
    """Two years from 1 January 2019; the value is the day's place in its year, so each real day shows which stands for
    it: 29 February 2020 the 28th, and in a year of 360 days the last day is the last."""
    content = invented(np.full((2, 2), 55.0)).isel(time=[0] * 2 * days)
    content["t2m"] = (content["t2m"].dims, np.zeros(content["t2m"].shape) + 280.0 + np.tile(np.arange(days) * 0.05, 2)[
        :, None, None], {"units": "K", "standard_name": "air_temperature"})  # fmt: skip
    content = content.drop_vars("time").assign_coords(
        time=("time", np.arange(2.0 * days), {"units": "days since 2019-01-01", "calendar": calendar})
    )
    found = read_grid(written(content, tmp_path))
    assert found.time[0] == np.datetime64("2019-01-01") and found.time.size == 365 + 366 and found.step_hours == 24
    place = np.round((found.temperature[:, 0, 0] - 280.0 + 273.15) / 0.05).astype(int)
    by_day = dict(zip(found.time.astype("datetime64[D]").astype(str).tolist(), place.tolist(), strict=True))
    assert by_day["2019-01-01"] == by_day["2020-01-01"] == 0
    assert by_day["2019-12-31"] == by_day["2020-12-31"] == days - 1
    assert by_day["2020-02-29"] == by_day["2020-02-28"] == 58 * days // 365
    assert any(f"{days} days a year" in line for line in found.conversions)


def test_longitudes_past_180_and_across_0_rise_from_west_to_east(tmp_path: Path) -> None:
    for given, wanted in (([350.0, 355.0, 0.0, 5.0], [-10.0, -5.0, 0.0, 5.0]), ([170.0, 180.0, 190.0, 200.0], None)):
        content = invented(np.full((2, 4), 55.0)).assign_coords(lon=given)
        assert read_grid(written(content, tmp_path)).x.tolist() == (wanted or given)


def test_missing_points_are_left_out_and_counted_and_coordinates_stay(tmp_path: Path) -> None:
    """One point of sea, one with a gap: two of six. The error of a chance of n draws is sqrt(p (1 - p) / n)."""
    content = invented(np.array([[45.0, 45.0, 45.0], [80.0, 80.0, 80.0]]))
    for name in ("t2m", "rh"):
        content[name].values[:, 0, 0] = np.nan
    content["rh"].values[7, 1, 0] = np.nan
    content["lat"].attrs = {"units": "degrees_north", "standard_name": "latitude"}
    content = content.assign_coords(height=(("lat", "lon"), np.arange(6.0).reshape(2, 3), {"units": "m"}))
    found = map_of(written(content, tmp_path), scenario_outdoors(), years=1, draws=16)
    chance = found["regrade_chance"].values
    assert np.isnan(chance).tolist() == [[True, False, False], [True, False, False]]
    assert found.attrs["points_left_out"] == 2 and "1 without any air, 1 with gaps" in found.attrs["conversions"]
    assert found["best_grade"].values[0, 0] == "" and found["best_grade_number"].values[1, 0] == -1
    assert found["y"].attrs["standard_name"] == "latitude" and found["height"].values[1, 2] == 5.0
    error = found["regrade_chance_standard_error"].values[:, 1:]
    assert error == pytest.approx(np.sqrt(chance[:, 1:] * (1.0 - chance[:, 1:]) / 16.0))
    content["t2m"].values[3] = np.nan
    with pytest.raises(BadInput, match="no point has air at every time"):
        read_grid(written(content, tmp_path))
