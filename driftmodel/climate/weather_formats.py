"""The formats of weather files, told apart and cut into rows of cells: EPW, TMY3, TMY2, and the small CSV.

A reader knows where a format keeps its month, day, hour and three columns, and what it writes where a value is missing;
it judges no value."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import NamedTuple

import numpy as np

from driftmodel.base.errors import BadInput, Spot
from driftmodel.base.opened import bytes_of, cells_of, delimiter_of, with_point
from driftmodel.base.opened import rows_of as rows_of_text

_OWN_COLUMNS = ["month", "day", "hour", "dry_bulb_c", "dew_point_c", "relative_humidity_pct"]


class Rows(NamedTuple):
    """Cells as text: (month, day, hour) and (dry bulb, dew point, humidity), with the line each came from."""

    line: list[int]
    stamp: list[tuple[str, str, str]]
    cells: list[tuple[str, str, str]]
    columns: tuple[str, str, str]
    missing_from: tuple[float, float, float]  # these values and beyond mean "missing"
    source: str
    kind: str
    scale: tuple[float, float, float] = (1.0, 1.0, 1.0)


def looks_like_weather(path: Path) -> bool:
    """True when the file's name or first lines are those of a weather file read_weather knows."""
    if path.suffix.lower() in {".epw", ".tm2"}:
        return True
    try:
        lines = bytes_of(path, "a text file", first=8192).decode("utf-8-sig", errors="replace").splitlines()
    except BadInput:  # its own reader says what is wrong with it
        return False
    if not lines:
        return False
    head = next((line for line in lines if line.strip() and not line.startswith("#")), "")
    own = head.replace(" ", "").replace(";", ",").startswith("month,day,hour,")
    return own or lines[0].upper().startswith("LOCATION,") or _is_tmy3(lines) or _is_tmy2(lines)


def rows_of(path: Path) -> Rows:
    """The rows of a weather file by the format it turns out to be. Raises BadInput naming file and row."""
    raw = bytes_of(path, "a weather file: EPW, TMY3, TMY2 or CSV")
    if not raw.strip():
        raise Spot(path).refusal("the file is empty. Needed: a weather file. Mend: save or download it again")
    if b"\0" in raw[:4096]:
        raise BadInput("not a text file", "EPW, TMY3, TMY2 or CSV as text", file=path, mend="unpack or export it first")
    lines = raw.decode("utf-8-sig", errors="replace").splitlines()
    reader: Callable[[list[str], Path], Rows] = _own
    if lines[0].upper().startswith("LOCATION,") or path.suffix.lower() == ".epw":
        reader = _epw
    elif _is_tmy3(lines):
        reader = _tmy3
    elif _is_tmy2(lines):
        reader = _tmy2
    return reader(lines, path)


def _is_tmy3(lines: list[str]) -> bool:
    return len(lines) > 1 and lines[1].startswith("Date (MM/DD/YYYY)")


def _is_tmy2(lines: list[str]) -> bool:
    second = lines[1] if len(lines) > 1 else ""
    return len(second) > 100 and "," not in second and second[1:9].replace(" ", "0").isdigit()


def _epw(lines: list[str], path: Path) -> Rows:
    """EnergyPlus weather: 8 header lines, 35 columns (Auxiliary Programs manual); missing 99.9, 99.9, 999."""
    place = lines[0].split(",")
    table = _table(lines, 8, 35, path, at_least=10)
    return Rows(
        [line for line, _ in table],
        [(row[1], row[2], row[3]) for _, row in table],
        [(row[6], row[7], row[8]) for _, row in table],
        ("7 (dry bulb)", "8 (dew point)", "9 (relative humidity)"),
        (99.9, 99.9, 999.0),
        f"EPW weather file of {', '.join(place[1:4])}; {place[4] if len(place) > 4 else 'source not named'}",
        "EPW",
    )


def _tmy3(lines: list[str], path: Path) -> Rows:
    """NREL TMY3 (Wilcox and Marion 2008, NREL/TP-581-43156): a station line, a line of names, 8760 hours."""
    names = cells_of(lines[1], ",", path, 2)
    wanted = ("Dry-bulb (C)", "Dew-point (C)", "RHum (%)")
    for name in wanted:
        if name not in names:
            raise Spot(path, "row 2").refusal(
                f'no column "{name}". Needed: the columns of TMY3. Mend: name a column "{name}"'
            )
    at = [names.index(name) for name in wanted]
    table = _table(lines, 2, len(names), path)
    stamps = [(*row[0].split("/")[:2], row[1].split(":")[0]) for _, row in table]
    station = cells_of(lines[0], ",", path, 1)
    return Rows(
        [line for line, _ in table],
        [(s[0], s[1], s[2]) if len(s) == 3 else (s[0], "", "") for s in stamps],
        [(row[at[0]], row[at[1]], row[at[2]]) for _, row in table],
        wanted,
        (-99.0, -99.0, -99.0),
        f"TMY3 station {station[0]} {', '.join(station[1:3])} (Wilcox and Marion 2008, NREL/TP-581-43156)",
        "TMY3",
    )


def _tmy2(lines: list[str], path: Path) -> Rows:
    """NREL TMY2 (Marion and Urban 1995, table 3-2): fixed columns, tenths of a degree."""
    kept = [(number, line) for number, line in enumerate(lines[1:], start=2) if line.strip()]
    for number, line in kept:
        if len(line) < 82:
            raise Spot(path, f"row {number}, column 68 (dry bulb)").refusal(
                f"a line of {len(line)} characters. Needed: 142 characters a line. "
                "Mend: download the file again: this copy is cut short"
            )
    return Rows(
        [number for number, _ in kept],
        [(line[3:5], line[5:7], line[7:9]) for _, line in kept],
        [(line[67:71], line[73:77], line[79:82]) for _, line in kept],
        ("68 (dry bulb)", "74 (dew point)", "80 (relative humidity)"),
        (9999.0, 9999.0, 999.0),
        f"TMY2 station {lines[0][1:6]} {' '.join(lines[0][7:32].split())} (Marion and Urban 1995)",
        "TMY2",
        (0.1, 0.1, 1.0),
    )


def _own(lines: list[str], path: Path) -> Rows:
    """The small CSV: comment lines with '#', a line of names, then month,day,hour(1-24),three values."""
    comments = [line[1:].strip() for line in lines if line.startswith("#")]
    head = next((k for k, line in enumerate(lines) if line.strip() and not line.startswith("#")), None)
    delimiter = "," if head is None else delimiter_of(lines[head])
    names = [] if head is None else cells_of(lines[head], delimiter, path, head + 1)
    if head is None or names != _OWN_COLUMNS:
        raise Spot(path, f"row {(1 if head is None else head + 1)}").refusal(
            'the line of column names reads "'
            f"{','.join(names)[:80]}"
            '". Needed: EPW (first line LOCATION,...), TMY3, TMY2, or a CSV with the columns '
            f"{','.join(_OWN_COLUMNS)}. Mend: first line without #: {','.join(_OWN_COLUMNS)}"
        )
    table = _table(lines, head + 1, 6, path, delimiter=delimiter)
    return Rows(
        [line for line, _ in table],
        [(row[0], row[1], row[2]) for _, row in table],
        [(with_point(row[3]), with_point(row[4]), with_point(row[5])) for _, row in table],
        ("dry_bulb_c", "dew_point_c", "relative_humidity_pct"),
        (np.inf, np.inf, np.inf),
        " ".join(comments) or "no source named in the file",
        "CSV",
    )


def _table(
    lines: list[str], skip: int, columns: int, path: Path, at_least: int | None = None, delimiter: str = ","
) -> list[tuple[int, list[str]]]:
    """Rows after `skip` lines, each with its line number; a row of another width than `columns` is a fault."""
    rows = list(rows_of_text(lines[skip:], delimiter, path, skip + 1, comment="#"))
    for number, row in rows:
        if len(row) != columns and not (at_least is not None and at_least <= len(row) <= columns):
            raise Spot(path, f"row {number}, column {min(len(row), columns) + (len(row) < columns)}").refusal(
                f"{len(row)} columns. Needed: {columns} columns in every row. "
                "Mend: correct that row, or download the file again if it is cut short"
            )
    return rows
