"""One reader of delimited text for every file a user hands in: the same signs, commas and quotation marks are read, and
the same faults told, whichever file it is. RFC 4180 for quotation marks; else the house's own rules."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from driftmodel.base.errors import BadInput
from driftmodel.base.opened import cells_of, delimiter_of, rows_of, with_point
from driftmodel.base.scenarios import load_scenario
from driftmodel.calibration.readings import read_readings
from driftmodel.climate.history import read_air
from driftmodel.climate.weather import read_weather

WEATHER = Path(load_scenario("first-winter").stays[0].climate.input_files[0])


def readings(file: Path) -> object:
    return [(one.what, one.value) for one in read_readings(file, load_scenario("two-winters")).readings]


def logger(file: Path) -> object:
    return np.asarray(read_air(file, time_zone="UTC")["relative_humidity"]).round(6).tolist()


def weather(file: Path) -> object:
    return np.asarray(read_weather(file)["relative_humidity"]).round(6).tolist()


PLAIN: dict[str, tuple[str, Callable[[Path], object]]] = {
    "readings": (
        "date,what,value,tool\n2026-02-10,action bass,2.5 mm,rule\n2026-03-02,action bass,2.75 mm,rule\n",
        readings,
    ),
    "logger": (
        "time,temperature (°C),RH (%)\n" + "".join(f"2026-01-01 {h:02d}:00,20.5,4{h % 10}.5\n" for h in range(24)),
        logger,
    ),
    "weather": (WEATHER.read_text(encoding="utf-8"), weather),
}


@pytest.mark.parametrize("delimiter", [";", "\t", "|"])
@pytest.mark.parametrize("kind", PLAIN)
def test_the_same_table_parted_otherwise_reads_the_same(kind: str, delimiter: str, tmp_path: Path) -> None:
    """With decimal commas, a byte order mark and lines that end as Windows ends them."""
    text, read = PLAIN[kind]
    comments = [line for line in text.splitlines() if line.startswith("#")]
    rows = [line.replace(",", delimiter).replace(".", ",") for line in text.splitlines() if not line.startswith("#")]
    plain, other = tmp_path / "plain.csv", tmp_path / "other.csv"
    plain.write_text(text, encoding="utf-8")
    other.write_bytes("\r\n".join([*comments, *rows, ""]).encode("utf-8-sig"))
    assert read(other) == read(plain)


@pytest.mark.parametrize("kind", PLAIN)
@pytest.mark.parametrize("cell", ['"', '"' + "x" * 140_000 + '"'], ids=["lone quotation mark", "over-long cell"])
def test_the_same_fault_is_told_with_its_row(kind: str, cell: str, tmp_path: Path) -> None:
    text, read = PLAIN[kind]
    lines = text.splitlines()
    head = next(n for n, line in enumerate(lines) if not line.startswith("#"))
    lines.insert(head + 2, cell + lines[head + 1])
    file = tmp_path / "spoilt.csv"
    file.write_text("\n".join(lines) + "\n", encoding="utf-8")
    with pytest.raises(BadInput, match=rf"row {head + 3}\b"):
        read(file)


def test_rows_know_their_lines() -> None:
    lines = ["a;b", "", "# said", '1;"two', 'lines"', ";", "3; 4 "]
    assert list(rows_of(lines, ";", "x", 10, comment="#")) == [
        (10, ["a", "b"]),
        (13, ["1", "twolines"]),
        (16, ["3", "4"]),
    ]
    assert cells_of('"a, b",c', ",", "x", 1) == ["a, b", "c"]


@pytest.mark.parametrize(("header", "sign"), [("a,b;c;d", ";"), ("a\tb", "\t"), ("alone", ","), ("a|b|c,d", "|")])
def test_the_sign_a_header_has_most_of(header: str, sign: str) -> None:
    assert delimiter_of(header) == sign


def test_decimal_commas() -> None:
    assert [with_point(text) for text in ("2,5", "2.5", "1.234,5", "-,5")] == ["2.5", "2.5", "1.234,5", "-.5"]
