"""Measured outdoor air drives a room: records of any length, their gaps, and `driftmodel air` on a climate file.

No outside values: the records are made here from a shipped typical year, put at dates of their own.
"""

from __future__ import annotations

import csv
from collections.abc import Callable
from datetime import date
from pathlib import Path

import numpy as np
import pytest

from driftmodel.base.errors import BadInput
from driftmodel.base.scenarios import load_climate
from driftmodel.climate.air import hour_of_year, hours_from
from driftmodel.climate.history import climate_air
from driftmodel.climate.place_air import record_span
from driftmodel.climate.room import indoor_air
from driftmodel.climate.weather import read_weather

CHICAGO = Path(__file__).parents[1] / "scenarios" / "weather" / "chicago.csv"
HEAD = "time,temperature_degc,relative_humidity_pct"


def record(folder: Path, first: str, days: int, head: str = HEAD, without: slice = slice(0, 0)) -> Path:
    """outdoor.csv of hourly outdoor air in UTC, some rows taken out."""
    year, stamps = read_weather(CHICAGO), hours_from(first, 24 * days)
    at = hour_of_year(stamps)
    rows = [
        f"{str(stamp)[:16]},{t:.1f},{h:.0f}"
        for stamp, t, h in zip(
            stamps, year["air_temperature"].values[at], year["relative_humidity"].values[at], strict=True
        )
    ]
    del rows[without]
    path = folder / "outdoor.csv"
    path.write_text("\n".join([head, *rows]) + "\n")
    return path


def climate(folder: Path, more: str = "", room: str = "") -> Path:
    path = folder / "home.toml"
    path.write_text(f'[outdoor]\nlogger_file = "outdoor.csv"\n{more}\n[room]\n{room}\n')
    return path


def table(path: Path) -> dict[str, list[str]]:
    with path.open(encoding="utf-8") as handle:
        rows = list(csv.DictReader(handle))
    return {name: [row[name] for row in rows] for name in rows[0]}


def test_a_measured_record_with_a_leap_day_drives_the_median_house(tmp_path: Path) -> None:
    record(tmp_path, "2023-10-05", 200)
    there = load_climate(climate(tmp_path))
    start, hours = record_span(there)
    assert (str(start)[:13], hours) == ("2023-10-05T00", 4800)
    air = climate_air(there, start, hours)
    assert there.room is not None
    whole = indoor_air(climate_air(load_climate(outdoor_only(tmp_path)), start, hours), there.room)
    np.testing.assert_allclose(air["relative_humidity"].values, whole["relative_humidity"].values, atol=1e-9)
    assert air["air_temperature"].values[24 * 100 :].min() == 20.5
    # inside the record the room has stood in it before: it knows no start
    late = climate_air(there, date(2024, 2, 29), 24 * 10)
    later = air.sel(time=slice("2024-02-29", "2024-03-09"))["relative_humidity"].values
    np.testing.assert_allclose(late["relative_humidity"].values, later, atol=0.02)


def outdoor_only(folder: Path) -> Path:
    path = folder / "outside.toml"
    path.write_text('[outdoor]\nlogger_file = "outdoor.csv"\n')
    return path


def test_air_runs_a_climate_file_and_reads_its_own_table_again(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, run: Callable[..., object]
) -> None:
    record(tmp_path, "2023-11-20", 40)
    climate(tmp_path)
    monkeypatch.chdir(tmp_path)
    ran = run("air", "home.toml", "--out", "inside")
    assert ran.code == 0, ran  # type: ignore[attr-defined]
    found = table(tmp_path / "inside" / "air.csv")
    assert list(found)[:3] == ["time", "temperature_degc", "relative_humidity_pct"]
    assert len(found["time"]) == 960 and found["time"][0] == "2023-11-20T00:00Z"
    middle, low, high = (
        np.array(found[f"relative_humidity{point}_pct"], float).mean() for point in ("", "_p10", "_p90")
    )
    # excess_cold with a log-sd of 0.43 about 2.3 g/m3 at 21 degC: -5 to +9 points; the set point adds some
    assert 3.0 < middle - low < 9.0 and 6.0 < high - middle < 13.0
    again = run("air", "inside/air.csv", "--out", "again")
    assert again.code == 0, again  # type: ignore[attr-defined]
    assert table(tmp_path / "again" / "air.csv")["relative_humidity_pct"] == found["relative_humidity_pct"]


def test_a_gap_is_filled_by_a_named_policy_up_to_a_named_limit(tmp_path: Path) -> None:
    record(tmp_path, "2024-01-01", 60, without=slice(24 * 20, 24 * 30))
    with pytest.raises(BadInput, match="gap_policy") as told:
        record_span(load_climate(climate(tmp_path)))
    with pytest.raises(BadInput, match="gap_limit_days") as told:
        record_span(load_climate(climate(tmp_path, 'gap_policy = "interpolate"')))
    mend = told.value.mend.split(",")[0]
    there = load_climate(climate(tmp_path, f'gap_policy = "interpolate"\n{mend}'))
    start, hours = record_span(there)
    assert int(climate_air(there, start, hours)["filled"].values.sum()) == 240


def test_years_of_a_record_are_repeated_only_when_told(tmp_path: Path) -> None:
    record(tmp_path, "2023-01-01", 500)
    with pytest.raises(BadInput, match="past the air"):
        climate_air(load_climate(climate(tmp_path)), date(2024, 1, 1), 24 * 365)
    there = load_climate(climate(tmp_path, "repeat_years = true"))
    air = climate_air(there, date(2024, 1, 1), 24 * 365)
    own = climate_air(there, date(2023, 1, 1), 24 * 365)
    part = slice(24 * 250, 24 * 300)
    np.testing.assert_allclose(
        air["relative_humidity"].values[24:][part], own["relative_humidity"].values[part], atol=0.05
    )


def test_years_past_a_record_are_drawn_anew_and_its_own_stay_as_read(tmp_path: Path) -> None:
    """A guitar set up long before its logger: what lies before is weather of the place, another in each member; the
    season's course is kept, and what was measured is the same in all."""
    from driftmodel.climate.place_air import is_measured

    days = 800
    stamps = hours_from("2023-01-01", 24 * days)
    random = np.random.default_rng(3)
    course = 45.0 - 12.0 * np.cos(2 * np.pi * np.arange(24 * days) / 8766.0)
    humid = course + np.repeat(random.normal(0.0, 4.0, days), 24)
    rows = [
        f"{str(at).replace('T', ' ')},21,{pct:.1f}"
        for at, pct in zip(stamps.astype("datetime64[m]"), humid, strict=True)
    ]
    (tmp_path / "room.csv").write_text(
        "time,temperature_degc,relative_humidity_pct\n" + "\n".join(rows), encoding="utf-8"
    )
    (tmp_path / "room.toml").write_text(
        '[logger]\nfile = "room.csv"\ntime_zone = "UTC"\nrepeat_years = true\n', encoding="utf-8"
    )
    there = load_climate(tmp_path / "room.toml")
    first, second = (climate_air(there, date(2018, 1, 1), 24 * 2557, member=member) for member in (1, 2))
    known = first["time"].values >= np.datetime64("2023-01-01")
    one, two = (air["relative_humidity"].values for air in (first, second))
    np.testing.assert_array_equal(one[known], two[known])
    np.testing.assert_allclose(one[known], humid[: known.sum()], atol=0.06)
    before = slice(0, 24 * 1826)
    assert np.mean(np.abs(one[before] - two[before])) > 3.0
    months = first["time"].values[before].astype("datetime64[M]").astype(int) % 12
    for month in range(12):  # 4 % a day over five years' month of some 150 days, a tenth of it independent
        assert abs(one[before][months == month].mean() - two[before][months == month].mean()) < 3.0
    assert is_measured(there, date(2023, 2, 1), date(2024, 5, 1)) and not is_measured(
        there, date(2022, 12, 1), date(2024, 5, 1)
    )
    plain = climate_air(there, date(2018, 1, 1), 24 * 400)["relative_humidity"].values
    np.testing.assert_allclose(
        plain[: 24 * 300], climate_air(there, date(2019, 1, 1), 24 * 400)["relative_humidity"].values[: 24 * 300]
    )


def test_the_netcdf_of_one_place_drives_a_room(tmp_path: Path) -> None:
    import xarray as xr

    stamps = hours_from("2024-02-20", 24 * 20)[::3]
    kelvin = 275.0 + 3.0 * np.sin(np.arange(stamps.size) / 4.0)
    there = xr.Dataset(
        {"t2m": (("time", "x"), kelvin[:, None], {"units": "K"}),
         "hurs": (("time", "x"), np.full((stamps.size, 1), 80.0), {"units": "%"})},
        coords={"time": stamps},
    )  # fmt: skip
    there.to_netcdf(tmp_path / "outdoor.nc", engine="h5netcdf")
    path = climate(tmp_path)
    path.write_text(path.read_text().replace("outdoor.csv", "outdoor.nc"))
    start, hours = record_span(load_climate(path))
    assert hours == 480
    outside = climate_air(load_climate(outdoor_only_nc(tmp_path)), start, hours)
    assert outside["air_temperature"].values[:3] == pytest.approx(kelvin[0] - 273.15)
    assert climate_air(load_climate(path), start, hours)["air_temperature"].values[-1] == 20.5
    two = xr.concat([there, there], "x")
    two.to_netcdf(tmp_path / "outdoor.nc", engine="h5netcdf")
    with pytest.raises(BadInput, match="one place"):
        record_span(load_climate(path))


def outdoor_only_nc(folder: Path) -> Path:
    path = folder / "outside.toml"
    path.write_text('[outdoor]\nlogger_file = "outdoor.nc"\n')
    return path
