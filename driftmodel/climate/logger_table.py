"""A logger's text file as a table: encoding, delimiter, header line, and which column holds what, in which unit."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Mapping
from dataclasses import dataclass, replace
from itertools import chain
from pathlib import Path

import numpy as np

from driftmodel.base.errors import BadInput, Spot, near_match
from driftmodel.base.opened import bytes_of, cells_of, rows_of
from driftmodel.base.schema import Flags, Integers

_ROLE_WORDS = {"time": "time", "temperature": "temperature", "relative_humidity": "relative humidity"}
#: where a column of a role stands in most tables
_USUAL_PLACE = {"time": 0, "temperature": 1, "relative_humidity": -1}
_COLUMN_KEYS = ("time", "date", "clock", "temperature", "relative_humidity", "temperature_unit")

#: the columns of the air.csv this tool writes; their stamps are UTC
OWN_COLUMNS = {"time": "time", "temperature": "temperature_degc", "relative_humidity": "relative_humidity_pct"}

#: plain words of headers in English, German, French, Spanish, Italian; accents taken off, lower case
_DATE_WORDS = {"date", "datum", "fecha", "data", "day", "jour", "dia", "giorno", "tag"}
_CLOCK_WORDS = {"time", "uhrzeit", "zeit", "heure", "hora", "ora", "hour", "clock"}
#: what may stand beside a lone T
_AIR_WORDS = {
    "t", "ta", "ti", "te", "air", "in", "out", "indoor", "outdoor", "ext", "int", "c", "f", "deg", "degc", "degf",
    "celsius", "fahrenheit",
}  # fmt: skip
_ZONE_WORDS = {"utc", "gmt"}
_STAMP_WORDS = {"datetime", "timestamp", "iso", "zeitstempel", "zeitpunkt", "horodatage", "horodateur", "stamp"}
_TEMPERATURE_WORDS = {"temp", "temperature", "temperatur", "temperatura", "lufttemperatur", "raumtemperatur"}
_HUMIDITY_WORDS = {
    "rh", "hum", "humidity", "feuchte", "feuchtigkeit", "luftfeuchte", "luftfeuchtigkeit", "rf", "rlf", "humidite",
    "hr", "humedad", "umidita", "ur",
}  # fmt: skip
#: a column with one of these is neither: dew point, absolute humidity, alarms and limits
_OTHER_WORDS = {
    "dew", "dewpoint", "taupunkt", "rosee", "rocio", "rugiada", "absolute", "absolut", "absolue", "absoluta",
    "assoluta", "abs", "alarm", "limit", "mixing", "wet",
}  # fmt: skip


@dataclass(frozen=True)
class Table:
    """The columns that matter, as text by role, and the line each row stands on; header: text by role."""

    line: Integers
    cells: dict[str, list[str]]
    header: dict[str, str]
    header_line: int
    fahrenheit: bool | None  # None: the file does not say
    preamble: str

    def only(self, kept: Flags) -> Table:
        """These rows of it, (row,)."""
        at = np.flatnonzero(kept).tolist()
        return replace(
            self, line=self.line[kept], cells={role: [each[n] for n in at] for role, each in self.cells.items()}
        )


def read_table(path: Path, columns: Mapping[str, str] | None) -> Table:
    """The table in a delimited text file. Raises BadInput for a file that is none, or whose columns are not plain."""
    _check_columns(columns, path)
    lines = _text(path).splitlines()
    head, delimiter = _header_at(lines, columns, path)
    rows = rows_of(lines[head:], delimiter, path, head + 1)
    header_line, header = next(rows)
    first = next(rows, None)
    if first is not None and _is_units(first[1], len(header)):
        header = [f"{name} {unit}".strip() for name, unit in zip(header, first[1], strict=True)]
        first = next(rows, None)
    roles = _columns_of(header, header_line, columns, path)
    if first is None:
        raise Spot(path, f"row {header_line}").refusal(
            "only a header, no readings. Needed: rows of readings under the header. "
            "Mend: export the readings again, for the whole span"
        )
    needed = max(roles.values()) + 1
    at: list[int] = []
    kept: dict[str, list[str]] = {role: [] for role in roles}
    for line, cells in chain([first], rows):
        if len(cells) < needed:
            raise Spot(
                path, f"row {line}, column {len(cells) + 1} ({header[min(len(cells), len(header) - 1)]})"
            ).refusal(
                f"{len(cells)} columns. Needed: {len(header)} columns, as the header has. "
                "Mend: complete that row or take it out"
            )
        at.append(line)
        for role, column in roles.items():
            kept[role].append(cells[column])
    names = {role: header[column] for role, column in roles.items()}
    fahrenheit = _is_fahrenheit(names["temperature"], columns, path)
    preamble = "\n".join(lines[: header_line - 1]) + "\n" + " ".join(header)
    return Table(np.array(at), kept, names, header_line, fahrenheit, preamble)


def _header_at(lines: list[str], columns: Mapping[str, str] | None, path: Path) -> tuple[int, str]:
    """Which of the first lines names most of the columns, from 0, and what parts its cells."""
    best, best_found = (0, ","), 0
    for delimiter in (";", "\t", ",", "|"):
        for index, line in enumerate(lines[:200]):
            try:
                cells = cells_of(line, delimiter, path, index + 1)
            except BadInput:  # no header by this sign
                continue
            found = len(_named(cells, columns) if columns else _roles_present(cells))
            if len(cells) >= 2 and found > best_found:
                best_found, best = found, (index, delimiter)
    if not best_found:
        raise Spot(path, "row 1").refusal(
            "no line of column names was found. Needed: a table with a header line, such as: time, temperature (°C), "
            "relative humidity (%). Mend: add as first line: time,temperature (°C),relative humidity (%)"
        )
    return best


def _text(path: Path) -> str:
    raw = bytes_of(path, "a logger's text file")
    if not raw.strip():
        raise Spot(path, "row 1").refusal("the file is empty. Needed: a logger's readings. Mend: export it again")
    if raw[:2] in (b"\xff\xfe", b"\xfe\xff"):
        return raw.decode("utf-16", errors="replace")
    if raw[:2] == b"PK" or b"\0" in raw[:8192]:
        raise Spot(path, "row 1").refusal(
            "not a text file (a workbook, an archive or the logger's own format). Needed: delimited text. "
            "Mend: save or export it as CSV"
        )
    try:
        return raw.decode("utf-8-sig")
    except UnicodeDecodeError:
        return raw.decode("cp1252", errors="replace")  # older Windows software


def _words(cell: str) -> set[str]:
    plain = "".join(c for c in unicodedata.normalize("NFKD", cell) if not unicodedata.combining(c)).lower()
    return set(re.findall(r"[a-z]+", plain))


def _role(cell: str) -> str | None:
    """What a header cell names: 'stamp', 'date', 'clock', 'temperature', 'relative_humidity' or nothing."""
    words = _words(cell)
    if words & _OTHER_WORDS or len(cell) > 60:
        return None
    if words & _HUMIDITY_WORDS or ("%" in cell and words & {"rel", "relative"}):
        return "relative_humidity"
    if words & _ZONE_WORDS and not words & _TEMPERATURE_WORDS:
        return "clock" if words & _CLOCK_WORDS and not words & _DATE_WORDS else "stamp"
    lone = words & {"t", "ta", "ti", "te"} and words <= _AIR_WORDS
    if words & _TEMPERATURE_WORDS or lone or words & {"degc", "degf"} or cell.strip().lower() in {"°c", "°f"}:
        return "temperature"
    if words & _STAMP_WORDS or (words & _DATE_WORDS and words & _CLOCK_WORDS):
        return "stamp"
    if words & _DATE_WORDS:
        return "date"
    return "clock" if words & _CLOCK_WORDS else None


def _roles_present(cells: list[str]) -> set[str]:
    """Roles a line names; a line with neither temperature nor humidity is no header."""
    roles = {role for cell in cells if (role := _role(cell))}
    return roles if roles & {"temperature", "relative_humidity"} else set()


def _is_units(cells: list[str], columns: int) -> bool:
    """True for a line of units under the names: no digit in it, and a unit of temperature or humidity."""
    return (
        len(cells) == columns
        and not re.search(r"\d", "".join(cells))
        and any(cell.strip().lower() in {"°c", "°f", "c", "f", "%", "%rh", "% rh", "degc", "degf"} for cell in cells)
    )


def _named(cells: list[str], columns: Mapping[str, str]) -> set[str]:
    wanted = {name.strip() for key, name in columns.items() if key != "temperature_unit"}
    return wanted & {cell.strip() for cell in cells} or _roles_present(cells)


def _check_columns(columns: Mapping[str, str] | None, path: Path) -> None:
    for key in columns or {}:
        if key not in _COLUMN_KEYS:
            raise Spot(path, f"columns, {key}").refusal(
                f'columns names "{key}".{near_match(key, _COLUMN_KEYS)} Needed: keys among '
                f"{', '.join(_COLUMN_KEYS)}. "
                'Mend: columns = { temperature = "Temp (C)", relative_humidity = "RH (%)" }'
            )


def _columns_of(header: list[str], line: int, columns: Mapping[str, str] | None, path: Path) -> dict[str, int]:
    """Column number by role, from the names given, else from the header's words."""
    shown = ", ".join(f'"{cell.strip()}"' for cell in header)
    found: dict[str, int] = {}
    names = [cell.strip() for cell in header]
    for role, name in (columns or {}).items():
        if role == "temperature_unit":
            continue
        if names.count(name.strip()) != 1:
            raise Spot(path, f"row {line}, column for {role.replace('_', ' ')}").refusal(
                f'{names.count(name.strip())} columns named "{name}".{near_match(name, names)} Needed: one of {shown}. '
                f'Mend: columns = {{ {role} = "{names[-1]}" }}, with the right name'
            )
        found[role] = names.index(name.strip())
    for role, own in OWN_COLUMNS.items():
        if role not in found and names.count(own) == 1 and not (role == "time" and found.keys() & {"date", "clock"}):
            found[role] = names.index(own)
    by_role: dict[str, list[int]] = {}
    for at, cell in enumerate(header):
        if at not in found.values() and (role_found := _role(cell)):
            by_role.setdefault(role_found, []).append(at)
    for role in ("temperature", "relative_humidity"):
        if role not in found:
            found[role] = _only(by_role.get(role, []), role, header, line, path)
    if not found.keys() & {"time", "date", "clock"}:
        found |= _time_columns(by_role, header, line, path)
    return found


def _time_columns(by_role: dict[str, list[int]], header: list[str], line: int, path: Path) -> dict[str, int]:
    """One column of stamps, or one of dates with one of times of day."""
    stamps, dates, clocks = (by_role.get(role, []) for role in ("stamp", "date", "clock"))
    if stamps:
        return {"time": _only(stamps, "time", header, line, path)}
    if dates and clocks:
        return {"date": _only(dates, "time", header, line, path), "clock": _only(clocks, "time", header, line, path)}
    return {"time": _only(dates or clocks, "time", header, line, path)}


def _only(candidates: list[int], role: str, header: list[str], line: int, path: Path) -> int:
    words = _ROLE_WORDS[role]
    shown = ", ".join(f'"{cell.strip()}"' for cell in header)
    if not candidates:
        unit = ', temperature_unit = "C"' if role == "temperature" else ""
        usual = _USUAL_PLACE[role] % len(header)
        free = [header[at].strip() for at in (usual, *range(len(header))) if _role(header[at]) is None]
        named = f'columns = {{ {role} = "{free[0]}"{unit} }}, or the name that it has' if free else ""
        raise Spot(path, f"row {line}, column for {words}").refusal(
            f"no column for {words} among {shown}. Needed: a column of {words}. "
            f"Mend: {named or f'add a column of {words} to the file, its name in the first line'}"
        )
    if len(candidates) > 1:
        names = " and ".join(f'"{header[at].strip()}"' for at in candidates)
        raise Spot(path, f"row {line}, columns {', '.join(str(at + 1) for at in candidates)}").refusal(
            f"{len(candidates)} columns that may be {words}: {names}. Needed: one, chosen by name. "
            f'Mend: columns = {{ {role} = "{header[candidates[0]].strip()}" }}'
        )
    return candidates[0]


def _is_fahrenheit(name: str, columns: Mapping[str, str] | None, path: Path) -> bool | None:
    """The temperature unit, from the header's text or from columns['temperature_unit']; None where neither says."""
    said = (columns or {}).get("temperature_unit", "").strip()
    text = said or name
    if re.search(r"fahrenheit|(°|º|deg\.?\s*)f\b|[\s(\[_,/]f[)\]]?\s*$|^f$", text, re.IGNORECASE):
        return True
    if re.search(r"celsius|(°|º|℃|deg\.?\s*)c\b|℃|[\s(\[_,/]c[)\]]?\s*$|^c$", text, re.IGNORECASE):
        return False
    if said:
        raise Spot(path, "columns, temperature_unit").refusal(
            f'temperature_unit "{said}". Needed: "C" or "F". Mend: columns = {{ temperature_unit = "C" }}'
        )
    return None
