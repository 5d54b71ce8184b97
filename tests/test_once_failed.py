"""Files that once ended a reader in anything but one message, and their near kin: bytes, types, names and sizes nobody
means. Each is a good file with one change; found by tests/fuzz.py and by hand. No outside values."""

from __future__ import annotations

import re
import tempfile
from collections.abc import Iterator
from pathlib import Path

import fuzz
import pytest

from driftmodel.base.errors import BadInput

BYTES = {
    "not UTF-8": lambda text: text.replace(b"\n", b"\n\xff", 1),
    "lone surrogate": lambda text: text + b"\n# \xed\xa0\x80\n",
    "Latin-1": lambda text: text + "\n# Gerät\n".encode("latin-1"),
    "5000 digits": lambda text: text + b"\nx = " + b"9" * 5000,
    "3000 brackets": lambda text: text + b"\nx = " + b"[" * 3000 + b"]" * 3000,
    "3000 tables": lambda text: text + b"\n" + b".".join([b"a"] * 3000) + b" = 1",
    "UTF-16": lambda text: text.decode().encode("utf-16"),
}
TOML = ("scenario", "instrument", "climate", "logger climate", "species", "numbers", "fleet", "toml")
LONG_CELL = ("units", "claims", "plan", "rates", "readings", "logger", "logger of a zone", "weather", "epw")
NAMES = {"too long": "x" * 300, "far too long": "x" * 5000, "NUL": "a\\u0000b", "NUL in a folder": "a\\u0000/b.toml",
         "a file as a folder": "mine.toml/x.toml"}  # fmt: skip
PATH_KEYS = (
    ("scenario", "instrument", ".toml"), ("scenario", "climate", ".toml"), ("scenario", "instrument", ""),
    ("scenario", "climate", ""), ("logger climate", "file", ""), ("fleet", "units", ".csv"),
    ("fleet", "claims", ".csv"), ("fleet", "rates", ".csv"),
)  # fmt: skip
TYPES = {
    "aliases": ("7", "true", "1979-05-27", "[7]", "[[]]"),
    "uses": ("7", "true", "[{}]"),
    "name": ("[]", "{}", "7"),
    "note": ("{}",),
    "numbers": ("7", '"x"', "[]", "true"),
    "disagreements": ("7", "[7]", '["x"]', "{a = 1}"),
    "kind": ("[]", "{}"),
}
GRIDS = ("noleap", "360_day", "julian", "none", "5")


def _cases() -> Iterator[tuple[str, str, bytes]]:
    """(kind, words, content)"""
    with tempfile.TemporaryDirectory() as at:
        world = fuzz.world_in(Path(at))
        kinds = fuzz.kinds(world)
        for name in TOML:
            for words, spoil in BYTES.items():
                yield name, words, spoil(kinds[name].file.read_bytes())
        for name in LONG_CELL:
            text = kinds[name].file.read_bytes()
            head = text.index(b"\n", text.index(b"\n") + 1)
            yield name, "a cell of 140,000 signs", text[:head] + b"\n" + b"x" * 140_000 + text[head:]
            yield name, "a quotation mark that is not closed", text[:head] + b'\n"' + text[head:] * 3
        for name, key, ending in PATH_KEYS:
            for words, value in NAMES.items():
                lines = kinds[name].file.read_text(encoding="utf-8").splitlines()
                at_line = next(n for n, line in enumerate(lines) if line.startswith(f"{key} ="))
                lines[at_line] = f'{key} = "{value}{ending}"'
                yield name, f"{key} {words}{ending}", "\n".join(lines).encode()
        for name, key, value in (
            ("record", "action_12th_mm", "9" * 400),
            ("instrument", "finish_outside", "0001-01-01"),
            ("instrument", "fingerboard_finish", "0001-01-01"),
        ):
            text = kinds[name].file.read_text(encoding="utf-8")
            spoilt, count = re.subn(rf"(?m)^{key} = .*$", f"{key} = {value}", text)
            assert count, key
            yield name, f"{key} = {value[:12]}", spoilt.encode()
        text = kinds["record"].file.read_text(encoding="utf-8").replace("[setup]\n", "")
        for table in ("setup = 2022-09-25", 'setup = ""', "rule = []"):
            yield "record", f"{table} where a table belongs", f"{table}\n{text}".encode()
        plain = {"name": '"x"', "scientific": '"x"', "kind": '"softwood"', "numbers": "{}"}
        for key, values in TYPES.items():
            for value in values:
                wood = plain | {key: value}
                yield "species", f"{key} = {value}", "\n".join(f"{k} = {v}" for k, v in wood.items()).encode()
        for calendar in GRIDS:
            spoilt = kinds["grid"].file.read_bytes().replace(b"standard", f"{calendar:<8}".encode()[:8])
            yield "grid", f"calendar {calendar}", spoilt
        whole, packed = kinds["grid"].file.read_bytes(), kinds["grid of HDF"].file.read_bytes()
        for share in (0.1, 0.5, 0.9):
            yield "grid", f"cut at {share}", whole[: int(len(whole) * share)]
        yield "grid", "units of time", whole.replace(b"days since 2020-01-01", b"days since 9999-99-99")
        yield "grid", "a dimension beyond all memory", whole[:8] + b"\x7f\xff\xff\xff" + whole[12:]
        yield "grid of HDF", "cut in half", packed[: len(packed) // 2]
        yield "grid of HDF", "zeros within", packed[:600] + bytes(400) + packed[1000:]


CASES = list(_cases())


@pytest.fixture(scope="module")
def kinds(tmp_path_factory: pytest.TempPathFactory) -> dict[str, fuzz.Kind]:
    return fuzz.kinds(fuzz.world_in(tmp_path_factory.mktemp("world")))


@pytest.mark.parametrize(("name", "content"), [(name, content) for name, _, content in CASES],
                         ids=[f"{name}, {words}"[:60] for name, words, _ in CASES])  # fmt: skip
def test_once_failed(name: str, content: bytes, kinds: dict[str, fuzz.Kind]) -> None:
    kind = kinds[name]
    path = kind.file.with_name(f"given{kind.file.suffix}")
    assert "species_data" not in path.parts
    path.write_bytes(content)
    try:
        kind.read(path)
    except BadInput as fault:
        assert str(fault).isprintable() and len(str(fault)) < 20_000
