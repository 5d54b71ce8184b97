"""Files that are none, or not what they seem: each is one message, for every reader that opens a user's file.

No outside values: the rules are the house's own.
"""

from __future__ import annotations

import os
from collections.abc import Callable
from datetime import date
from pathlib import Path
from typing import Any

import pytest

from driftmodel.base import library, opened
from driftmodel.base.errors import BadInput
from driftmodel.base.scenarios import find_instrument, load_climate, load_scenario
from driftmodel.base.tomlfile import read_toml
from driftmodel.calibration.readings_cells import lines_of
from driftmodel.climate.history import read_air
from driftmodel.climate.weather import read_weather
from driftmodel.fleet.reading import read_fleet
from driftmodel.fleet.tables import read_table
from driftmodel.maps.grid import read_grid

READERS: dict[str, Callable[[Any], Any]] = {
    "toml": read_toml,
    "species": library.read_wood,
    "scenario": load_scenario,
    "instrument": find_instrument,
    "climate": load_climate,
    "fleet": read_fleet,
    "readings": lambda path: list(lines_of(path)),
    "logger": read_air,
    "weather": read_weather,
    "table": lambda path: read_table(path, ["region"]),
    "grid": read_grid,
}


def _folder(at: Path) -> Path:
    return at


def _pipe(at: Path) -> Path:
    os.mkfifo(at / "pipe.toml")
    return at / "pipe.toml"


def _with(content: bytes) -> Callable[[Path], Path]:
    def made(at: Path) -> Path:
        (at / "given.toml").write_bytes(content)
        return at / "given.toml"

    return made


NO_FILES: dict[str, Callable[[Path], Path]] = {
    "missing": lambda at: at / "none.toml",
    "folder": _folder,
    "named pipe": _pipe,
    "device": lambda at: Path("/dev/zero"),
    "NUL in the name": lambda at: at / "a\0b.toml",
    "name too long": lambda at: at / ("x" * 5000 + ".toml"),
    "surrogate in the name": lambda at: at / "a\udc80.toml",
    "empty": _with(b""),
    "NUL bytes": _with(b"\0" * 5000),
    "not UTF-8": _with(b"title = \xff\xfe\xfa\n" * 3),
    "UTF-16": _with("title = 1\n".encode("utf-16")),
    "a number of 5000 digits": _with(b"x = " + b"9" * 5000),
    "lists to the recursion limit": _with(b"x = " + b"[" * 3000 + b"]" * 3000),
    "tables by dots": _with(b".".join([b"a"] * 3000) + b" = 1"),
    "lone quotation mark": _with(b'a,b\n"' + b"x" * 200_000),
    "endless cell": _with(b"x" * 200_000 + b",b\n1,2\n"),
}


@pytest.mark.parametrize("reader", READERS)
@pytest.mark.parametrize("kind", NO_FILES)
def test_no_file_is_one_message(kind: str, reader: str, tmp_path: Path) -> None:
    if (reader, kind) == ("toml", "empty"):
        return  # a TOML file without a key is one
    with pytest.raises(BadInput) as fault:
        READERS[reader](NO_FILES[kind](tmp_path))
    told = str(fault.value)
    assert told.isprintable() and len(told) < 5000
    told.encode("utf-8")


def test_size_is_bounded(tmp_path: Path) -> None:
    """A file of more bytes than a text can have is refused before it is read; sparse here, so it costs no disk."""
    big = tmp_path / "big.csv"
    with big.open("wb") as stream:
        stream.truncate(200_000_000)
    with pytest.raises(BadInput, match="200 million bytes"):
        read_air(big)
    with pytest.raises(BadInput, match=r"200 million bytes.*at most 2 million"):
        read_toml(big)
    assert opened.bytes_of(big, "a file", first=10, most_mb=300.0) == bytes(10)


def test_row_of_the_wrong_byte(tmp_path: Path) -> None:
    (tmp_path / "a.csv").write_bytes(b"a,b\n1,2\n3,\xe9\n")
    with pytest.raises(BadInput, match=r"row 3.*not UTF-8"):
        opened.text_of(tmp_path / "a.csv", "a table")
    (tmp_path / "b.csv").write_bytes(b"\xef\xbb\xbfa,b\n")
    assert opened.text_of(tmp_path / "b.csv", "a table") == "a,b\n"


def test_unreadable(tmp_path: Path) -> None:
    path = tmp_path / "mine.toml"
    path.write_text("a = 1")
    path.chmod(0)
    if os.access(path, os.R_OK):
        pytest.skip("this user may read everything")
    with pytest.raises(BadInput, match="may not read"):
        read_toml(path)


def test_nesting_that_is_meant_is_read(tmp_path: Path) -> None:
    deep = opened.parsed_toml(f"x = {'[' * 30}1{']' * 30}", tmp_path)
    assert deep["x"][0][0]
    with pytest.raises(BadInput, match="nested too deep"):
        opened.parsed_toml(f"x = {'[' * 41}1{']' * 41}", tmp_path)


@pytest.mark.parametrize(
    ("key", "value"),
    [
        ("aliases", "7"), ("aliases", "[7]"), ("uses", '"top"'), ("uses", "[{}]"), ("name", "7"), ("scientific", "[]"),
        ("kind", "[]"), ("note", "7"), ("numbers", "7"), ("numbers", "[]"), ("disagreements", "7"),
        ("disagreements", "[7]"),
        ("disagreements", '[{number = 1, value = "x", unit = "%", source = "x", words = "x"}]'),
        ("disagreements", '[{number = "x", value = 1, unit = "%", source = {}, words = "x"}]'),
        ("disagreements", '[{number = "x", value = "1", unit = "%", source = "own-calculation", words = "x"}]'),
        ("disagreements", '[{number = "x", value = 1, unit = "%", source = "own-calculation", words = "x", more = 1}]'),
    ],
)  # fmt: skip
def test_wrong_types_in_a_wood(key: str, value: str, tmp_path: Path) -> None:
    good = {"name": '"x"', "scientific": '"x"', "kind": '"softwood"', "numbers": "{}"}
    path = tmp_path / "x.toml"
    path.write_text("\n".join(f"{name} = {content}" for name, content in good.items()))
    assert library.read_wood(path).name == "x"
    path.write_text("\n".join(f"{name} = {content}" for name, content in (good | {key: value}).items()))
    with pytest.raises(BadInput, match=str(path)):
        library.read_wood(path)


@pytest.mark.parametrize("value", ["nan", "true", '"1"', "[]", "1" + "0" * 400])
def test_a_number_of_a_wood_is_a_number(value: str, tmp_path: Path) -> None:
    others = 'unit = "%", spread = 1, spread_kind = "sd", source = "own-calculation", status = "x"'
    (tmp_path / "own.toml").write_text(f"x = {{value = {value}, {others}}}")
    with pytest.raises(BadInput, match=r"own\.toml, .*x.*Needed: a (valid |finite |)number"):
        library.read_numbers(tmp_path / "own.toml")


def test_messages_are_one_line() -> None:
    told = str(BadInput("a\x1b[31m\nb\u202e", "c" * 10_000, file="a\udc80\0b", place="row\t1", mend="d\r"))
    assert told.isprintable() and len(told) < 2200
    assert "\\x1b" in told and "\\udc80" in told


FAR = [
    ("from = 2026-07-01", "from = 9999-12-31"),
    ("strung = 2026-08-15", "strung = 2200-01-01"),
    ("setup = 2026-09-25", "setup = 0001-01-01"),
    ("seed = 11", "seed = 9223372036854775808"),
]


@pytest.mark.parametrize(("before", "after"), FAR)
def test_days_and_seeds_that_can_be_reckoned_with(before: str, after: str, world: Path) -> None:
    path = world / "mine.toml"
    text = path.read_text()
    assert before in text
    path.write_text(text.replace(before, after, 1))
    with pytest.raises(BadInput, match=after.partition(" =")[0]):
        load_scenario(path)


@pytest.mark.parametrize("words", [("--seed", str(2**63)), ("--draws", "1000000000")])
def test_options_that_are_too_large(words: tuple[str, str], run: Callable[..., Any]) -> None:
    ran = run("forecast", "first-winter", *words)
    assert ran.code == 2 and "not in the range" in ran.err


@pytest.mark.parametrize("day", ["9999-12-31", "1000-01-01", "2026-02-30", "x"])
def test_a_day_given_as_an_option(day: str, run: Callable[..., Any]) -> None:
    before = date.today()
    ran = run("grade", "first-winter", "--reading", "action=2.4 mm", "--date", day)
    assert ran.code == 2 and any(f"Mend: --date {day}" in ran.err for day in (before, date.today()))
