"""Thirty wrong climates and records: one message each, and the mend that is offered works when it is typed.

No outside values: the rules are the house's own.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path
from typing import NamedTuple

import numpy as np
import pytest

from driftmodel.climate.air import hours_from
from driftmodel.outlook.rooms import air_of_climate

pytestmark = pytest.mark.usefixtures("undrawn", "few_rooms")
HEAD = "time,temperature_degc,relative_humidity_pct"
HOME = '[outdoor]\nlogger_file = "outdoor.csv"\n[room]\n'


@pytest.fixture
def few_rooms(monkeypatch: pytest.MonkeyPatch) -> None:
    """A band over four houses: how wide it is is no matter here."""
    monkeypatch.setattr(air_of_climate, "__defaults__", (4, 0))


def rows(hours: int = 96, first: str = "2024-02-27") -> list[str]:
    """Invented hourly air of a cold week with a leap day in it."""
    stamps = hours_from(first, hours)
    return [f"{str(t)[:16]},{2 + 3 * np.sin(k / 4):.1f},{80 - 8 * np.sin(k / 4):.0f}" for k, t in enumerate(stamps)]


def table(head: str = HEAD, body: list[str] | None = None) -> str:
    return "\n".join([head, *(rows() if body is None else body)]) + "\n"


def changed(at: int, text: str) -> list[str]:
    body = rows()
    body[at] = text
    return body


def cells(name: str) -> Callable[[str], str]:
    """The table with a column's name mended: what the message tells to do in the file."""
    return lambda text: text.replace(name, HEAD.split(",")[2 if "umid" in name or "RH" in name else 1], 1)


class Wrong(NamedTuple):
    """climate: home.toml; air: outdoor.csv; words the message holds; mends: what is done after reading it: 'outdoor' or
    'room' to type the mend's line under that table, or a change of climate or air."""

    climate: str
    air: str
    words: tuple[str, ...]
    mend: str | Callable[[str, str], tuple[str, str]]


def in_air(before: str, after: str) -> Callable[[str, str], tuple[str, str]]:
    return lambda climate, air: (climate, air.replace(before, after))


def in_climate(before: str, after: str) -> Callable[[str, str], tuple[str, str]]:
    return lambda climate, air: (climate.replace(before, after), air)


def without_row(at: int) -> Callable[[str, str], tuple[str, str]]:
    return lambda climate, air: (climate, "\n".join(line for k, line in enumerate(air.splitlines()) if k != at + 1))


GAP = [*rows()[:20], *rows()[30:]]
LONG = [*rows(480)[:20], *rows(480)[320:]]
FRACTIONS = [f"{row.rsplit(',', 1)[0]},{float(row.rsplit(',', 1)[1]) / 100:.2f}" for row in rows()]
KELVIN = [re.sub(r",(-?[\d.]+),", lambda m: f",{float(m[1]) + 273.15:.2f},", row) for row in rows()]
NAIVE = "date and time,Temp (°C),RH (%)"

WRONG: dict[str, Wrong] = {
    "temperature without a unit": Wrong(HOME, table("time_utc,Temp,RH"), ("unit", "temperature_unit"), "outdoor"),
    "plain T": Wrong(HOME, table("time UTC,T,RH"), ('"T"', "temperature_unit"), "outdoor"),
    "no zone": Wrong(HOME, table(NAIVE), ("time zone",), "outdoor"),
    "neither unit nor zone": Wrong(HOME, table("date and time,Temp,RH"), ("unit", "time zone"), "outdoor"),
    "no humidity column": Wrong(HOME, table("time_utc,T (°C),pressure"), ("relative humidity",), "outdoor"),
    "no temperature column": Wrong(HOME, table("time_utc,light,RH (%)"), ("temperature",), "outdoor"),
    "two temperatures": Wrong(
        HOME,
        table("time_utc,Temp (°C),Temp 2 (°C),RH (%)", [row.replace(",", ",1.0,", 1) for row in rows()]),
        ("Temp 2",), "outdoor"),
    "a gap": Wrong(HOME, table(body=GAP), ("gap", "gap_policy"), "outdoor"),
    "a long gap": Wrong(HOME.replace("[room]", 'gap_policy = "hold"\n[room]'), table(body=LONG), ("gap_limit_days",),
                        "outdoor"),
    "empty cells": Wrong(HOME, table(body=changed(5, "2024-02-27T05:00,,")), ("empty cell",), "outdoor"),
    "NaN": Wrong(HOME, table(body=changed(5, "2024-02-27T05:00,NaN,NaN")), ("NaN",), "outdoor"),
    "a word": Wrong(HOME, table(body=changed(5, "2024-02-27T05:00,mild,70")), ("mild",), without_row(5)),
    "humidity as a fraction": Wrong(HOME, table(body=FRACTIONS), ("fraction", "100"),
                                    lambda c, a: (c, table())),
    "kelvin": Wrong(HOME, table(body=KELVIN), ("kelvin", "take 273.15 off"), lambda c, a: (c, table())),
    "humidity of 140": Wrong(HOME, table(body=changed(7, "2024-02-27T07:00,1.0,140")), ("140",), without_row(7)),
    "negative humidity": Wrong(HOME, table(body=changed(7, "2024-02-27T07:00,1.0,-4")), ("-4",), without_row(7)),
    "a stamp twice": Wrong(HOME, table(body=changed(7, rows()[6])), ("twice",), without_row(7)),
    "back in time": Wrong(HOME, table(body=changed(7, "2024-02-26T07:00,1.0,70")), ("back in time",), without_row(7)),
    "no such day": Wrong(HOME, table(body=changed(60, "2024-02-30T07:00,1.0,70")), ("calendar",), without_row(60)),
    "only a header": Wrong(HOME, HEAD + "\n", ("no readings",), lambda c, a: (c, table())),
    "no such record": Wrong(HOME.replace("outdoor.csv", "outdor.csv"), table(), ("outdor.csv", '"outdoor.csv"'),
                            "outdoor"),
    "two outdoors": Wrong(HOME.replace("[room]", 'weather_file = "w.csv"\n[room]'), table(), ("exactly one",),
                          in_climate('weather_file = "w.csv"\n', "")),
    "unknown zone": Wrong(HOME.replace("[room]", 'time_zone = "Europe/Berlyn"\n[room]'), table(NAIVE),
                          ("Europe/Berlin",), "outdoor"),
    "day or month first": Wrong(HOME.replace("[room]", 'time_zone = "UTC"\n[room]'),
                                table(NAIVE, ["03/04/2024 00:00,1,70", "03/04/2024 01:00,1,70"]), ("day_first",),
                                "outdoor"),
    "unknown home": Wrong(HOME + 'home = "heated falt"\n', table(), ('home = "heated flat"',), "room"),
    "cooled below its heating": Wrong(HOME + "cooling_setpoint_degc = 19.0\n", table(), ("cooled to 19",), "room"),
    "heated and not heated": Wrong(HOME + "heated = false\nheating_setpoint_degc = 20.0\n", table(), ("one of the",),
                                   "room"),
    "all four of the excess": Wrong(
        HOME + "excess_cold_g_m3 = 2.0\nvolume_m3 = 200.0\nair_changes_per_hour = 0.5\n"
        "moisture_source_kg_per_day = 5.0\n",
        table(), ("not all",), in_climate("excess_cold_g_m3 = 2.0\n", "")),
    "an old key": Wrong(HOME + "buffer_hours = 12.0\n", table(), ("buffer_hours",),
                        in_climate("buffer_hours = 12.0\n", "")),
    "a reading of nothing": Wrong(HOME + "seen = [{ months = [1] }]\n", table(), ("relative_humidity_pct",),
                                  in_climate("months = [1]", "months = [2], relative_humidity_pct = 30.0")),
    "a reading of no time": Wrong(HOME + "seen = [{ relative_humidity_pct = 30.0 }]\n", table(), ("date", "months"),
                                  in_climate("{ relative", "{ months = [2], relative")),
    "a policy of no name": Wrong(HOME.replace("[room]", 'gap_policy = "guess"\n[room]'), table(), ("gap_policy",),
                                 "outdoor"),
}  # fmt: skip


def typed(climate: str, mend: str, under: str) -> str:
    """The climate file with the lines a mend tells to write, put under a table; what it replaces goes."""
    lines = re.findall(r"(?:^|[\s,;(])(\w+ = (?:\{[^}]*\}|\"[^\"]*\"|[\w.]+))", mend)
    lines = [line for line in lines if not any(line in other and line != other for other in lines)]
    assert lines, mend
    for line in lines:
        key = line.split(" = ")[0]
        climate = re.sub(rf"^{key} = .*\n", "", climate, flags=re.MULTILINE)
        climate = climate.replace(f"[{under}]\n", f"[{under}]\n{line}\n")
        if key == "heating_setpoint_degc":
            break  # or the other thing it says
    return climate


@pytest.mark.parametrize("name", WRONG)
def test_one_message_and_its_mend_works(
    name: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, run: Callable[..., object]
) -> None:
    wrong = WRONG[name]
    monkeypatch.setattr("driftmodel.outlook.rooms.air_of_climate.__defaults__", (3, 0))  # the band is no matter
    monkeypatch.chdir(tmp_path)
    (tmp_path / "home.toml").write_text(wrong.climate)
    (tmp_path / "outdoor.csv").write_text(wrong.air)
    ran = run("air", "home.toml", "--out", "found")
    assert ran.code == 2 and ran.out == "", ran  # type: ignore[attr-defined]
    told = ran.err  # type: ignore[attr-defined]
    assert told.count("driftmodel: ") == 1 and "Needed: " in told and "Mend: " in told and "Traceback" not in told
    for word in wrong.words:
        assert word in told, told
    assert not (tmp_path / "found").exists()
    if isinstance(wrong.mend, str):
        climate, air = typed(wrong.climate, told.split("Mend: ")[1], wrong.mend), wrong.air
    else:
        climate, air = wrong.mend(wrong.climate, wrong.air)
    (tmp_path / "home.toml").write_text(climate)
    (tmp_path / "outdoor.csv").write_text(air)
    again = run("air", "home.toml", "--out", "found")
    assert again.code == 0, (climate, again)  # type: ignore[attr-defined]
    assert (tmp_path / "found" / "air.csv").is_file()


def test_there_are_thirty() -> None:
    assert len(WRONG) >= 30


def test_what_a_record_alone_does_not_say_is_asked_for_with_flags(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, run: Callable[..., object]
) -> None:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "room.csv").write_text(table("date and time,Temp,RH"))
    told = run("air", "room.csv").err  # type: ignore[attr-defined]
    assert "--temperature-unit C" in told and "--time-zone America/Chicago" in told
    assert run("air", "room.csv", "--temperature-unit", "C", "--time-zone", "America/Chicago").code == 0  # type: ignore[attr-defined]


def test_a_clock_that_is_not_changed_over_gets_its_zone_as_a_flag(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, run: Callable[..., object]
) -> None:
    """Stamps of an hour that summer time skips: the zone that was typed would fail again; the flag offered works."""
    monkeypatch.chdir(tmp_path)
    (tmp_path / "room.csv").write_text(table("date and time,Temp (°C),RH (%)", rows(96, "2024-03-29")))
    told = run("air", "room.csv", "--time-zone", "Europe/Berlin").err  # type: ignore[attr-defined]
    offered = re.search(r"Mend: --time-zone (\S+)", told)
    assert offered and offered[1] == "Etc/GMT-1", told
    assert run("air", "room.csv", "--time-zone", offered[1]).code == 0  # type: ignore[attr-defined]


@pytest.mark.parametrize(
    ("head", "stamp"),
    [
        ("t_UTC+2,T (°C),RH", "2024-02-27 {:02d}:00"),
        ("UTC,temp_c,hum", "2024-02-27T{:02d}:00Z"),
        ("Timestamp (GMT),Temperature [°C],Relative Humidity [%]", "2024-02-27 {:02d}:00"),
        ("time_utc,t_out (degC),rh_out", "2024-W09-2 {:02d}:00"),
        ("time_utc;Temperatur °C;Luftfeuchte %", "27.02.2024 {:02d}:00"),
    ],
)
def test_names_seen_in_the_wild(head: str, stamp: str, tmp_path: Path) -> None:
    from driftmodel.climate.history import read_air

    mark = ";" if ";" in head else ","
    body = [f"{stamp.format(hour)}{mark}20.5{mark}45" for hour in range(5)]
    path = tmp_path / "x.csv"
    path.write_text("\n".join([head, *body]))
    air = read_air(path)
    first = np.datetime64("2024-02-26T22:00" if "+2" in head else "2024-02-27T00:00")
    assert air["time"].values[0] == first and air.sizes["time"] == 5


def test_a_missing_column_is_named_for_the_command_or_asked_for(run: object, world: Path) -> None:
    """A column without a role of its own is offered, with the flags that take it; where none is left, it is to add."""
    room = world / "room.csv"
    room.write_text("time;My sensor;RH\n2026-01-01T00:00Z;20;45\n2026-01-01T01:00Z;20;46\n", encoding="utf-8")
    told = run("air", "room.csv").err  # type: ignore[operator]
    assert '--temperature-unit C --temperature-column "My sensor"' in told
    assert run("air", "room.csv", "--temperature-column", "My sensor", "--temperature-unit", "C").code == 0  # type: ignore[operator]
    room.write_text("time;RH\n2026-01-01T00:00Z;45\n2026-01-01T01:00Z;46\n", encoding="utf-8")
    told = run("air", "room.csv").err  # type: ignore[operator]
    assert "Mend: add a column of temperature to the file" in told and "--temperature" not in told
