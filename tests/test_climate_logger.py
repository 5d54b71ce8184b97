"""The logger reader: files as they come, and a table of faults. All readings are invented.

Conversions by hand; instants of zones by the tz database.
"""

from __future__ import annotations

from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest

from driftmodel.base.errors import BadInput
from driftmodel.climate.history import read_air
from driftmodel.climate.logger_time import _cut, _cut_days_and_hours

EVERY_20_MIN = [f"2026-01-05 {k // 3:02d}:{20 * (k % 3):02d}" for k in range(36)]


def write(tmp_path: Path, text: str, name: str = "log.csv", encoding: str = "utf-8") -> Path:
    path = tmp_path / name
    path.write_text(text, encoding=encoding)
    return path


def rows(line: str = "{t},{c:.1f},{h:.1f}", stamps: list[str] | None = None) -> str:
    return "\n".join(line.format(t=t, c=20 + 0.1 * k, h=40 + 0.1 * k) for k, t in enumerate(stamps or EVERY_20_MIN))


def test_hourly_means_of_a_plain_file(tmp_path: Path) -> None:
    air = read_air(write(tmp_path, "time,Temp (°C),RH (%)\n" + rows()), time_zone="UTC")
    assert air.sizes["time"] == 12
    assert str(air["time"].values[0])[:16] == "2026-01-05T00:00"
    assert air["air_temperature"].values[:2] == pytest.approx([20.1, 20.4])  # (20.0 + 20.1 + 20.2) / 3, ...
    assert air["relative_humidity"].values[:2] == pytest.approx([40.1, 40.4])
    assert air["filled"].values.sum() == 0


WAYS: dict[str, tuple[str, dict[str, Any]]] = {
    "semicolons and decimal commas, German": (
        "Datum;Uhrzeit;Temperatur [°C];rel. Feuchte [%]\n"
        + rows("{t};{c:.1f};{h:.1f}").replace(".", ",").replace(" ", ";"),
        {"time_zone": "UTC"},
    ),
    "tabs, French, comma in quotes": (
        "Date\tHeure\tTempérature (°C)\tHumidité (%)\n"
        + rows('{t}\t"{c:.1f}"\t"{h:.1f}"').replace(".", ",").replace(" ", "\t"),
        {"time_zone": "UTC"},
    ),
    "Spanish": ("Fecha hora;Temperatura °C;Humedad relativa %\n" + rows("{t};{c:.1f};{h:.1f}"), {"time_zone": "UTC"}),
    "Italian": (
        "Data|Ora|Temperatura (°C)|Umidità (%)\n" + rows("{t}|{c:.1f}|{h:.1f}").replace(" ", "|"),
        {"time_zone": "UTC"},
    ),
    "lines before the header": (
        "Device 7\nPlace: workshop\n\n#,Date Time,Temp (C),RH (%),Dew Point (C)\n" + rows("1,{t},{c:.1f},{h:.1f},6.0"),
        {"time_zone": "UTC"},
    ),
    "humidity first, zone in the header": ("RH %,Temp °C,Date Time UTC\n" + rows("{h:.1f},{c:.1f},{t}"), {}),
    "offset in the header": (
        "Date Time (GMT+02:00),Temp °C,RH %\n" + rows(stamps=[t.replace(" ", "T") for t in EVERY_20_MIN]),
        {"shift": -2},
    ),
    "offset in the stamps": ("time,Temp °C,RH %\n" + rows("{t}-05:00,{c:.1f},{h:.1f}"), {"shift": 5}),
    "Z stamps": ("timestamp,temperature_c,rh\n" + rows("{t}:00.000Z,{c:.1f},{h:.1f}"), {}),
    "a named zone": ("time,Temp °C,RH %\n" + rows(), {"time_zone": "America/Chicago", "shift": 6}),
    "units in a line of their own": ("time,Temp,RH\n,°C,%\n" + rows(), {"time_zone": "UTC"}),
    "an offset among the lines before the header": (
        "Exported 2026-02-01 10:00 UTC\nTime zone: GMT+0200\ntime,Temp °C,RH %\n" + rows(),
        {"shift": -2},
    ),
    "names given": (
        "time,probe 1,probe 2\n" + rows(),
        {
            "time_zone": "UTC",
            "columns": {"temperature": "probe 1", "relative_humidity": "probe 2", "temperature_unit": "C"},
        },
    ),
    "day first, told": (
        "time,Temp °C,RH %\n" + rows(stamps=["05/01/2026 " + t[11:] for t in EVERY_20_MIN]),
        {"time_zone": "UTC", "day_first": True},
    ),
    "day first, by dots": (
        "time,Temp °C,RH %\n" + rows(stamps=["05.01.2026 " + t[11:] for t in EVERY_20_MIN]),
        {"time_zone": "UTC"},
    ),
    "AM and PM, month first, short year": (
        "time,Temp °C,RH %\n" + rows(stamps=[f"01/05/26 {k // 3 or 12}:{20 * (k % 3):02d}:00 AM" for k in range(36)]),
        {"time_zone": "UTC", "day_first": False},
    ),
}


@pytest.mark.parametrize("way", WAYS)
def test_files_as_they_come(way: str, tmp_path: Path) -> None:
    text, told = WAYS[way]
    told = dict(told)
    shift = told.pop("shift", 0)
    air = read_air(write(tmp_path, text), **told)
    assert air["time"].values[0] == np.datetime64("2026-01-05T00:00") + np.timedelta64(shift, "h")
    assert air["air_temperature"].values[0] == pytest.approx(20.1)
    assert air["relative_humidity"].values[-1] == pytest.approx(43.4)


def test_fahrenheit_is_converted(tmp_path: Path) -> None:
    text = "time,Temp (°F),RH (%)\n" + "\n".join(f"{t},68.0,45" for t in EVERY_20_MIN)
    assert read_air(write(tmp_path, text), time_zone="UTC")["air_temperature"].values == pytest.approx(20.0)


def test_noon_and_midnight_on_a_twelve_hour_clock(tmp_path: Path) -> None:
    clock = ["11:00 AM", "12:00 PM", "1:00 PM", "2:00 p.m."]
    path = write(tmp_path, "time,Temp °C,RH %\n" + rows(stamps=[f"2026-01-05 {c}" for c in clock]))
    hours = read_air(path, time_zone="UTC")["time"].values
    assert [str(t)[11:13] for t in hours] == ["11", "12", "13", "14"]


@pytest.mark.parametrize("encoding", ["utf-8-sig", "utf-16", "cp1252"])
def test_encodings(encoding: str, tmp_path: Path) -> None:
    path = write(tmp_path, "time,Température (°C),Humidité (%)\n" + rows(), encoding=encoding)
    assert read_air(path, time_zone="UTC").sizes["time"] == 12


def test_a_number_above_twelve_settles_the_order_of_day_and_month(tmp_path: Path) -> None:
    stamps = [f"{day:02d}/03/2026 {hour:02d}:00" for day in (12, 13) for hour in range(24)]
    air = read_air(write(tmp_path, "time,Temp °C,RH %\n" + rows(stamps=stamps)), time_zone="UTC")
    assert str(air["time"].values[0])[:10] == "2026-03-12"


def test_the_hour_that_comes_twice_is_told_apart(tmp_path: Path) -> None:
    """Chicago, 1 November 2026: 01:00 CDT is 06:00 UTC, 01:00 CST 07:00 UTC (IANA time zone database)."""
    clock = ["00:00", "00:30", "01:00", "01:30", "01:00", "01:30", "02:00", "02:30"]
    text = "time,Temp °C,RH %\n" + rows(stamps=[f"2026-11-01 {c}" for c in clock])
    air = read_air(write(tmp_path, text), time_zone="America/Chicago")
    assert [str(t)[11:13] for t in air["time"].values] == ["05", "06", "07", "08"]
    assert air["air_temperature"].values == pytest.approx([20.05, 20.25, 20.45, 20.65])


def test_hourly_stamps_through_the_end_of_summer_time(tmp_path: Path) -> None:
    clock = ["00:00", "01:00", "01:00", "02:00", "03:00"]
    air = read_air(
        write(tmp_path, "time,Temp °C,RH %\n" + rows(stamps=[f"2026-11-01 {c}" for c in clock])),
        time_zone="America/Chicago",
    )
    assert air.sizes["time"] == 5 and air["filled"].values.sum() == 0


def test_irregular_steps_and_one_missing_hour(tmp_path: Path) -> None:
    clock = ["00:05", "00:50", "01:10", "03:05", "03:06", "04:40"]
    air = read_air(
        write(tmp_path, "time,Temp °C,RH %\n" + rows(stamps=[f"2026-01-05 {c}" for c in clock])), time_zone="UTC"
    )
    assert list(air["filled"].values) == [0, 0, 1, 0, 0]  # 02:00 had no reading; its neighbours are under 2 h apart
    assert air["air_temperature"].values == pytest.approx([20.05, 20.2, 20.275, 20.35, 20.5])


def test_a_long_gap_is_filled_only_by_a_named_policy(tmp_path: Path) -> None:
    stamps = [f"2026-01-05 {h:02d}:00" for h in (0, 1, 2, 8, 9)]
    path = write(tmp_path, "time,Temp °C,RH %\n" + rows(stamps=stamps))
    with pytest.raises(BadInput, match="gap"):
        read_air(path, time_zone="UTC")
    straight = read_air(path, time_zone="UTC", gap_policy="interpolate")
    held = read_air(path, time_zone="UTC", gap_policy="hold")
    assert straight["filled"].values.sum() == held["filled"].values.sum() == 5
    assert straight["air_temperature"].values[5] == pytest.approx(20.25)
    assert held["air_temperature"].values[5] == pytest.approx(20.2)
    assert held.attrs["gaps"] == 1 and held.attrs["longest_gap_hours"] == 6.0


def test_slightly_above_saturation_is_read_as_100_and_flagged(tmp_path: Path) -> None:
    text = "time,Temp °C,RH %\n2026-01-05 00:00,20,99.0\n2026-01-05 01:00,20,100.4\n2026-01-05 02:00,20,98.0\n"
    air = read_air(write(tmp_path, text), time_zone="UTC")
    assert list(air["relative_humidity"].values) == [99.0, 100.0, 98.0]
    assert list(air["filled"].values) == [0, 1, 0]
    assert air.attrs["humidity_above_100_readings"] == 1


def test_blank_cells_are_gaps_when_a_policy_is_named(tmp_path: Path) -> None:
    text = "time,Temp °C,RH %\n2026-01-05 00:00,20,40\n2026-01-05 01:00,20,\n2026-01-05 02:00,20,42\n"
    air = read_air(write(tmp_path, text), time_zone="UTC", gap_policy="interpolate")
    assert air["relative_humidity"].values[1] == pytest.approx(41.0)
    assert list(air["filled"].values) == [0, 1, 0] and air.attrs["blank_rows"] == 1


HEAD = "time,Temp (°C),RH (%)\n"
GOOD = "2026-01-05 00:00,20.0,40.0\n2026-01-05 01:00,20.1,41.0\n2026-01-05 02:00,20.2,42.0\n"
U = {"time_zone": "UTC"}
#: name: (text of the file, arguments, place told, words of the message)
FAULTS: dict[str, tuple[str | bytes, dict[str, Any], str, str]] = {
    "no humidity column": ("time,Temp (°C)\n2026-01-05 00:00,20\n", U, "row 1", "no column for relative humidity"),
    "no temperature column": ("time,RH (%)\n2026-01-05 00:00,40\n", U, "row 1", "no column for temperature"),
    "no time column": ("Temp (°C),RH (%)\n20,40\n", U, "row 1", "no column for time"),
    "two temperature columns": (
        "time,Temp 1 (°C),Temp 2 (°C),RH (%)\n2026-01-05 00:00,1,2,40\n", U, "row 1", "2 columns",
    ),
    "no unit": (HEAD.replace(" (°C)", "") + GOOD, U, 'column "Temp"', "no unit"),
    "a fraction": (HEAD + "2026-01-05 00:00,20,0.40\n2026-01-05 01:00,20,0.42\n", U, "row 2", "fraction"),
    "swapped": ("time,Temp (°C),RH (%)\n2026-01-05 00:00,45,20\n2026-01-05 01:00,47,20.5\n", U, "row 2", "swapped"),
    "Fahrenheit under Celsius": (HEAD + GOOD.replace(",20.", ",70."), U, "row 2", "°F"),
    "a stamp twice": (HEAD + GOOD.replace(" 01:", " 00:"), U, "row 3", "twice"),
    "back in time": (HEAD + GOOD.replace(" 02:00", " 00:30"), U, "row 4", "goes back"),
    "humidity 300": (HEAD + GOOD.replace("41.0", "300"), U, 'row 3, column "RH (%)"', "300"),
    "humidity negative": (HEAD + GOOD.replace("42.0", "-2"), U, 'row 4, column "RH (%)"', "-2"),
    "NaN": (HEAD + GOOD.replace("41.0", "NaN"), U, 'row 3, column "RH (%)"', "NaN"),
    "text in a cell": (HEAD + GOOD.replace("20.1", "error"), U, 'row 3, column "Temp (°C)"', "error"),
    "an empty cell": (HEAD + GOOD.replace("20.1", ""), U, "row 3", "empty cell"),
    "a short row": (HEAD + GOOD.replace(",41.0", ""), U, "row 3, column 3", "2 columns"),
    "empty file": ("", U, "row 1", "empty"),
    "only a header": (HEAD, U, "row 1", "only a header"),
    "one reading": (HEAD + GOOD.splitlines()[0], U, "row 2", "1 reading"),
    "no header": (GOOD, U, "row 1", "no line of column names"),
    "binary": (b"PK\x03\x04\x00\x00", U, "row 1", "not a text file"),
    "zone not told": (HEAD + GOOD, {}, "row 2", "time zone"),
    "unknown zone": (HEAD + GOOD, {"time_zone": "America/Chikago"}, "time_zone", "America/Chicago"),
    "zone told twice, two ways": (
        "Date Time UTC,Temp °C,RH %\n" + GOOD, {"time_zone": "America/Chicago"}, "row 2", "UTC",
    ),
    "zone only of the export": ("Exported 2026-02-01 10:00 UTC\n" + HEAD + GOOD, {}, "row 3", "time zone"),
    "day or month": (HEAD + GOOD.replace("2026-01-05", "05/01/2026"), U, "row 2", "day_first"),
    "order told against the file": (
        HEAD + GOOD.replace("2026-01-05", "25/01/2026"), U | {"day_first": False}, "row 2", "order",
    ),
    "both orders in one file": (
        HEAD + "25/01/2026 00:00,20,40\n01/26/2026 01:00,20,40\n", U, "row 3", "another order",
    ),
    "a day no calendar has": (HEAD + GOOD.replace("01-05 02", "02-30 02"), U, "row 4", "no date"),
    "no time of day": (HEAD + GOOD.replace(" 02:00", ""), U, "row 4", "time of day"),
    "a stamp not read": (HEAD + GOOD.replace("2026-01-05 02:00", "yesterday"), U, "row 4", "yesterday"),
    "a stamp with something in the middle": (HEAD + GOOD.replace(" 02:00", " 9902:00"), U, "row 4", "9902:00"),
    "a gap": (HEAD + GOOD.replace(" 02:", " 09:"), U, "row 4", "gap_policy"),
    "a gap just too long": (HEAD + GOOD.replace(" 02:00", " 03:05"), U, "row 4", "gap_policy"),
    "unknown gap policy": (HEAD + GOOD, U | {"gap_policy": "guess"}, "gap_policy", "guess"),
    "a column named that is not there": (
        HEAD + GOOD, U | {"columns": {"temperature": "Tmp (°C)"}}, "row 1", "Temp (°C)",
    ),
    "two forms of date": (HEAD + GOOD.replace("2026-01-05 02", "05/01/2026 02"), U, "row 4", "another form"),
    "an unknown column key": (HEAD + GOOD, U | {"columns": {"temprature": "Temp (°C)"}}, "columns", "temperature"),
    "the hour that summer time skips": (
        HEAD + GOOD.replace("2026-01-05 02", "2026-03-08 02"), {"time_zone": "America/Chicago"}, "row 4", "skip",
    ),
    "too cold for a room": (HEAD + GOOD.replace("20.1", "-80"), U, "row 3", "-80"),
}  # fmt: skip


@pytest.mark.parametrize("name", FAULTS)
def test_each_fault_is_told_once_with_file_place_and_mend(name: str, tmp_path: Path) -> None:
    content, told, place, words = FAULTS[name]
    path = tmp_path / "log.csv"
    path.write_bytes(content if isinstance(content, bytes) else content.encode())
    with pytest.raises(BadInput) as fault:
        read_air(path, **told)
    message = str(fault.value)
    assert "log.csv" in message and place in message and words in message
    assert message.count("Mend:") == 1 and fault.value.mend


def test_no_such_file(tmp_path: Path) -> None:
    with pytest.raises(BadInput, match="no such file"):
        read_air(tmp_path / "none.csv", time_zone="UTC")


@pytest.mark.parametrize(
    "form", ["%m/%d/%Y %I:%M:%S %p", "%d.%m.%Y %H:%M", " %d/%m/%y, %H:%M", "%Y-%m-%d %H:%M+01:00", "%G-W%V-%u %H:%M"]
)
def test_days_and_hours_cut_apart_are_the_stamps_cut_whole(form: str) -> None:
    hours = [datetime(2026, 1, 30) + timedelta(hours=one) for one in range(120)]
    for texts in ([one.strftime(form) for one in hours], [*(one.strftime(form) for one in hours), "31/01/2026 25h"]):
        apart = _cut_days_and_hours(texts)
        assert apart is not None
        pd.testing.assert_frame_equal(apart, _cut(texts), check_dtype=False)
    assert _cut_days_and_hours([one.isoformat() + "Z" for one in hours]) is None
