"""Weather readers against pvlib's readers, on the weather files pvlib ships, and on faults.

Sources: TMY3 (Wilcox and Marion 2008), TMY2 (Marion and Urban 1995); the EPW file is written here in the format of the
EnergyPlus Auxiliary Programs manual from the values of a TMY3 file.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import cache
from pathlib import Path

import numpy as np
import pvlib
import pytest

from driftmodel.base.errors import BadInput
from driftmodel.climate.weather import read_weather
from driftmodel.climate.weather_formats import looks_like_weather

DATA = Path(pvlib.__file__).parent / "data"
SHIPPED = Path(__file__).parents[1] / "scenarios" / "weather"


def test_tmy3_reads_as_pvlib_reads_it() -> None:
    for name in ("723170TYA.CSV", "703165TY.csv"):
        ours = read_weather(DATA / name)
        theirs, _ = pvlib.iotools.read_tmy3(DATA / name, map_variables=True, coerce_year=2001)
        np.testing.assert_array_equal(ours["air_temperature"], theirs["temp_air"])
        np.testing.assert_array_equal(ours["relative_humidity"], theirs["relative_humidity"])
        np.testing.assert_array_equal(ours["dew_point"], theirs["temp_dew"])


def test_tmy2_reads_as_pvlib_reads_it() -> None:
    ours = read_weather(DATA / "12839.tm2")
    theirs, _ = pvlib.iotools.read_tmy2(DATA / "12839.tm2")
    np.testing.assert_allclose(ours["air_temperature"], theirs["DryBulb"] / 10, atol=1e-9)
    np.testing.assert_allclose(ours["dew_point"], theirs["DewPoint"] / 10, atol=1e-9)
    np.testing.assert_array_equal(ours["relative_humidity"], theirs["RHum"])


def epw_lines() -> list[str]:
    """An EPW file with the air of Greensboro's TMY3 file."""
    return list(_epw_lines())


@cache
def _epw_lines() -> tuple[str, ...]:
    air = read_weather(DATA / "723170TYA.CSV")
    stamps = air["time"].values.astype("datetime64[D]").astype(object)
    head = ["LOCATION,Greensboro,NC,USA,TMY3,723170,36.10,-79.95,-5.0,273.0"] + [f"HEADER {k}" for k in range(2, 9)]
    rows = []
    for k, day in enumerate(stamps):
        air_cells = (air["air_temperature"].values[k], air["dew_point"].values[k], air["relative_humidity"].values[k])
        cells = [1988, day.month, day.day, k % 24 + 1, 0, "?9", *air_cells, 98000, *([0] * 25)]
        rows.append(",".join(str(cell) for cell in cells))
    return (*head, *rows)


def test_epw_reads_as_pvlib_reads_it(tmp_path: Path) -> None:
    path = tmp_path / "greensboro.epw"
    path.write_text("\n".join(epw_lines()))
    ours = read_weather(path)
    theirs, _ = pvlib.iotools.read_epw(path, coerce_year=2001)
    np.testing.assert_array_equal(ours["air_temperature"], theirs["temp_air"])
    np.testing.assert_array_equal(ours["relative_humidity"], theirs["relative_humidity"])
    np.testing.assert_array_equal(ours["dew_point"], theirs["temp_dew"])
    # pvlib stamps hour 1 at 00:00 local standard time, as here
    assert theirs.index[0].hour == 0


def test_shipped_files_are_the_tmy3_files_of_their_stations() -> None:
    for ours, theirs in (("greensboro", "723170TYA.CSV"), ("sand_point", "703165TY.csv")):
        a, b = read_weather(SHIPPED / f"{ours}.csv"), read_weather(DATA / theirs)
        np.testing.assert_array_equal(a["air_temperature"], b["air_temperature"])
        np.testing.assert_array_equal(a["relative_humidity"], b["relative_humidity"])


def test_typical_year_is_on_365_days_hour_ending_turned_to_hour_starting() -> None:
    air = read_weather(SHIPPED / "chicago.csv")
    assert str(air["time"].values[0]) == "2001-01-01T00:00:00.000000000"
    assert str(air["time"].values[-1]) == "2001-12-31T23:00:00.000000000"
    assert air["air_temperature"].values[0] == -12.2  # the row of hour 1
    assert air.attrs["typical_year"] == 1
    assert air.sizes["time"] == 8760


def test_hours_with_a_dew_point_far_from_the_humidity_are_counted() -> None:
    """Tens of hours a year in real files; none in a file where one was made from the other."""
    assert 5 < read_weather(SHIPPED / "chicago.csv").attrs["dew_point_disagrees_hours"] < 100


def test_the_reader_does_not_hand_out_its_memory() -> None:
    read_weather(SHIPPED / "chicago.csv")["air_temperature"].values[:] = 99.0
    assert read_weather(SHIPPED / "chicago.csv")["air_temperature"].values[0] == -12.2


def _own() -> list[str]:
    return (SHIPPED / "chicago.csv").read_text().splitlines()


def _changed(lines: list[str], row: int, text: str | None) -> list[str]:
    """`lines` with line number `row` (from 1) replaced, or taken out when text is None."""
    return [*lines[: row - 1], *([] if text is None else [text]), *lines[row:]]


def _tmy3() -> list[str]:
    return (DATA / "703165TY.csv").read_text().splitlines()


FAULTS: dict[str, tuple[Callable[[], list[str]], str, str]] = {
    "truncated own file": (lambda: _own()[:4000], "cut.csv", "row 4000"),
    "short row": (lambda: _changed(_own(), 9, "1,1,5,-10"), "short.csv", "row 9"),
    "text in a cell": (lambda: _changed(_own(), 7, "1,1,3,warm,-15.0,73"), "text.csv", "row 7, column dry_bulb_c"),
    "humidity 300": (lambda: _changed(_own(), 8, "1,1,4,-11,-15,300"), "h.csv", "row 8, column relative_humidity_pct"),
    "negative humidity": (lambda: _changed(_own(), 8, "1,1,4,-11,-15,-3"), "neg.csv", "row 8"),
    "not a number": (lambda: _changed(_own(), 8, "1,1,4,nan,-15,73"), "nan.csv", "row 8"),
    "hour missing": (lambda: _changed(_own(), 30, None), "hole.csv", "row 30"),
    "hour twice": (lambda: _changed(_own(), 31, _own()[29]), "twice.csv", "row 31"),
    "other column names": (lambda: _changed(_own(), 4, "m,d,h,t,td,rh"), "names.csv", "row 4"),
    "hotter than any weather": (lambda: _changed(_own(), 9, "1,1,5,81,20,50"), "hot.csv", "row 9"),
    "a lone quotation mark": (lambda: _changed(_own(), 9, '1,1,5,"-10,-15,73'), "quote.csv", "row"),
    "empty": (lambda: [], "empty.csv", "empty.csv"),
    "truncated TMY3": (lambda: _tmy3()[:5000], "cut3.csv", "row 5000"),
    "TMY3 without its humidity": (lambda: _changed(_tmy3(), 2, _tmy3()[1].replace("RHum", "R")), "c.csv", "row 2"),
    "truncated EPW": (lambda: epw_lines()[:3000], "cut.epw", "row 3000"),
    "EPW row cut": (lambda: _changed(epw_lines(), 20, "1988,1,1,12,0,?9,4"), "row.epw", "row 20"),
    "EPW with missing codes": (
        lambda: _changed(epw_lines(), 12, "1988,1,1,4,0,?9,99.9,99.9,999,98000" + ",0" * 25),
        "gap.epw",
        "row 12, column 7",
    ),
    "EPW with a leap day": (
        lambda: _changed(epw_lines(), 8 + 59 * 24 + 1, "1988,2,29,1,0,?9,4,3,90,98000" + ",0" * 25),
        "leap.epw",
        "row 1425",
    ),
}


@pytest.mark.parametrize("name", FAULTS)
def test_each_fault_is_told_with_file_place_and_mend(name: str, tmp_path: Path) -> None:
    lines, file, place = FAULTS[name]
    path = tmp_path / file
    path.write_text("\n".join(lines()))
    with pytest.raises(BadInput) as told:
        read_weather(path)
    message = str(told.value)
    assert file in message and place in message and "Mend:" in message and "Needed:" in message


def test_no_such_file_and_unknown_policy_are_told(tmp_path: Path) -> None:
    with pytest.raises(BadInput, match="no such file"):
        read_weather(tmp_path / "none.epw")
    with pytest.raises(BadInput, match="interpolate"):
        read_weather(SHIPPED / "chicago.csv", gap_policy="guess")


def test_missing_codes_are_filled_and_flagged_only_when_asked(tmp_path: Path) -> None:
    path = tmp_path / "gap.epw"
    path.write_text("\n".join(_changed(epw_lines(), 12, "1988,1,1,4,0,?9,99.9,99.9,999,98000" + ",0" * 25)))
    for policy in ("interpolate", "hold"):
        air = read_weather(path, gap_policy=policy)
        assert air["filled"].values.sum() == 1 and air["filled"].values[3] == 1
        around = air["air_temperature"].values[[2, 4]]
        expected = around.mean() if policy == "interpolate" else around[0]
        assert air["air_temperature"].values[3] == pytest.approx(expected)


def test_a_weather_file_is_told_from_a_logger_file(tmp_path: Path) -> None:
    logger = tmp_path / "logger.csv"
    logger.write_text("time,temperature (°C),humidity (%)\n2026-01-01 00:00,20,40\n")
    assert not looks_like_weather(logger)
    assert looks_like_weather(SHIPPED / "chicago.csv") and looks_like_weather(DATA / "703165TY.csv")
