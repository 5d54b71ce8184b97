"""Outdoor air from weather files: EPW, TMY3, TMY2, and the small CSV of scenarios/weather.

Every reader takes the file's own relative humidity column; hours in which the dew point column says something more
than 5 % RH away are counted in attrs['dew_point_disagrees_hours']. Stamps are hour-ending, local standard time:
hour 1 becomes the mean over 00:00 to 01:00. A typical year belongs to no year: it is returned on the calendar of
2001 (365 days) with attrs['typical_year'] = 1, its clock kept at local standard time.
"""

from __future__ import annotations

import csv
from collections.abc import Callable
from functools import lru_cache
from hashlib import sha256
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
from numpy.typing import NDArray

from driftmodel.base.errors import BadInput
from driftmodel.climate.air import TYPICAL_YEAR, check_gap_policy, fill_gaps, hours_from, longest_run, make_air
from driftmodel.climate.humid_air import relative_humidity_from_dew_point_pct

if TYPE_CHECKING:
    from xarray import Dataset

Array = NDArray[np.float64]

HOURS = 8760
DISAGREE_PCT = 5.0
_OWN_COLUMNS = ["month", "day", "hour", "dry_bulb_c", "dew_point_c", "relative_humidity_pct"]
_NAMES = ("dry bulb", "dew point", "relative humidity")
_LOW, _HIGH = (-60.0, -80.0, 0.0), (60.0, 50.0, 110.0)  # EnergyPlus weather file limits, narrowed to dwellings


class _Rows(NamedTuple):
    """Cells as text: (month, day, hour) and (dry bulb, dew point, humidity), with the line each came from."""

    line: list[int]
    stamp: list[tuple[str, str, str]]
    cells: list[tuple[str, str, str]]
    columns: tuple[str, str, str]
    missing_from: tuple[float, float, float]  # these values and beyond mean "missing"
    scale: tuple[float, float, float]
    source: str
    kind: str


def read_weather(path: str | Path, *, gap_policy: str | None = None) -> Dataset:
    """Outdoor air of a typical year: 8760 hours of temperature and relative humidity; dew_point (degC) as well.

    Missing codes are gaps: refused unless gap_policy is 'interpolate' or 'hold', then filled and flagged. Raises
    BadInput with file, row and column for anything that is not a whole year of good values.
    """
    place = Path(path)
    check_gap_policy(gap_policy)
    try:
        stat = place.stat()
    except OSError as fault:
        raise BadInput(
            "no such file", "a weather file: EPW, TMY3, TMY2 or CSV", file=place, mend="correct the file name"
        ) from fault
    return _read(place, gap_policy, stat.st_mtime_ns, stat.st_size).copy(deep=True)


def looks_like_weather(path: Path) -> bool:
    """True when the file's name or first lines are those of a weather file read_weather knows."""
    if path.suffix.lower() in {".epw", ".tm2"}:
        return True
    try:
        with path.open("rb") as handle:
            lines = handle.read(8192).decode("utf-8-sig", errors="replace").splitlines()
    except OSError:
        return False
    if not lines:
        return False
    head = next((line for line in lines if line.strip() and not line.startswith("#")), "")
    own = head.replace(" ", "").startswith("month,day,hour,")
    return own or lines[0].upper().startswith("LOCATION,") or _is_tmy3(lines) or _is_tmy2(lines)


@lru_cache(maxsize=16)
def _read(path: Path, gap_policy: str | None, _mtime: int, _size: int) -> Dataset:
    rows = _parsed(path)
    _check_calendar(rows, path)
    values = [_numbers(rows, k, path) for k in range(3)]
    missing = [_missing(rows, k, values[k]) for k in range(3)]
    for k in range(3):
        _check_range(rows, k, values[k], missing[k], path)
    gone = missing[0] | missing[2]
    if gone.any() and gap_policy is None:
        at, length = longest_run(gone)
        k = 0 if missing[0][at] else 2
        raise BadInput(
            f"{int(gone.sum())} hours are marked missing (the longest gap is {length} h)",
            "a value in every hour, or a named way to fill gaps",
            file=path,
            place=f"row {rows.line[at]}, column {rows.columns[k]}",
            mend='gap_policy = "interpolate" (or "hold"): the hours filled are flagged',
        )
    if gone.all():
        raise BadInput("every hour is marked missing", "temperatures and humidities", file=path, mend="another file")
    temperature = fill_gaps(values[0], missing[0], gap_policy) if gap_policy else values[0]
    humidity = fill_gaps(values[2], missing[2], gap_policy) if gap_policy else values[2]
    air = make_air(hours_from(f"{TYPICAL_YEAR}-01-01", HOURS), temperature, np.minimum(humidity, 100.0), gone)
    dew = np.where(missing[1], np.nan, values[1])
    air["dew_point"] = (("time",), dew, {"units": "degC", "long_name": "dew point, as the file has it"})
    disagrees = _disagreement_pct(temperature, dew, humidity) > DISAGREE_PCT
    air.attrs = {
        "source": rows.source,
        "file": path.name,
        "file_sha256": sha256(path.read_bytes()).hexdigest(),
        "kind": rows.kind,
        "typical_year": 1,
        "clock": "local standard time of the place",
        "humidity_from": f"the file's {rows.columns[2]} column",
        "dew_point_disagrees_hours": int(disagrees.sum()),
        "humidity_above_100_hours": int((humidity > 100.0).sum()),
        "filled_hours": int(gone.sum()),
    }
    return air


def _disagreement_pct(temperature: Array, dew: Array, humidity: Array) -> Array:
    """Distance of the humidity column from the dew point's, the nearer of the readings over water and over ice."""
    water = relative_humidity_from_dew_point_pct(temperature, dew, over_water=True)
    ice = relative_humidity_from_dew_point_pct(temperature, dew)
    return np.asarray(np.fmin(np.abs(water - humidity), np.abs(ice - humidity)))


# ---- the formats ---------------------------------------------------------------------------------------------------


def _parsed(path: Path) -> _Rows:
    raw = path.read_bytes()
    if not raw.strip():
        raise BadInput("the file is empty", "a weather file", file=path, mend="save or download it again")
    if b"\0" in raw[:4096]:
        raise BadInput("not a text file", "EPW, TMY3, TMY2 or CSV as text", file=path, mend="unpack or export it first")
    lines = raw.decode("utf-8-sig", errors="replace").splitlines()
    reader: Callable[[list[str], Path], _Rows] = _own
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


def _epw(lines: list[str], path: Path) -> _Rows:
    """EnergyPlus weather: 8 header lines, 35 columns (Auxiliary Programs manual); missing 99.9, 99.9, 999."""
    place = lines[0].split(",")
    table = _table(lines, 8, 35, path, at_least=10)
    return _Rows(
        [line for line, _ in table],
        [(row[1], row[2], row[3]) for _, row in table],
        [(row[6], row[7], row[8]) for _, row in table],
        ("7 (dry bulb)", "8 (dew point)", "9 (relative humidity)"),
        (99.9, 99.9, 999.0),
        (1.0, 1.0, 1.0),
        f"EPW weather file of {', '.join(place[1:4])}; {place[4] if len(place) > 4 else 'source not named'}",
        "EPW",
    )


def _tmy3(lines: list[str], path: Path) -> _Rows:
    """NREL TMY3 (Wilcox and Marion 2008, NREL/TP-581-43156): a station line, a line of names, 8760 hours."""
    names = next(csv.reader([lines[1]]))
    wanted = ("Dry-bulb (C)", "Dew-point (C)", "RHum (%)")
    for name in wanted:
        if name not in names:
            raise BadInput(
                f'no column "{name}"', "the columns of TMY3", file=path, place="row 2", mend=f'name a column "{name}"'
            )
    at = [names.index(name) for name in wanted]
    table = _table(lines, 2, len(names), path)
    stamps = [(*row[0].split("/")[:2], row[1].split(":")[0]) for _, row in table]
    station = next(csv.reader([lines[0]]))
    return _Rows(
        [line for line, _ in table],
        [(s[0], s[1], s[2]) if len(s) == 3 else (s[0], "", "") for s in stamps],
        [(row[at[0]], row[at[1]], row[at[2]]) for _, row in table],
        wanted,
        (-99.0, -99.0, -99.0),
        (1.0, 1.0, 1.0),
        f"TMY3 station {station[0]} {', '.join(station[1:3])} (Wilcox and Marion 2008, NREL/TP-581-43156)",
        "TMY3",
    )


def _tmy2(lines: list[str], path: Path) -> _Rows:
    """NREL TMY2 (Marion and Urban 1995, table 3-2): fixed columns, tenths of a degree."""
    kept = [(number, line) for number, line in enumerate(lines[1:], start=2) if line.strip()]
    for number, line in kept:
        if len(line) < 82:
            raise BadInput(
                f"a line of {len(line)} characters",
                "142 characters a line",
                file=path,
                place=f"row {number}, column 68 (dry bulb)",
                mend="download the file again: this copy is cut short",
            )
    return _Rows(
        [number for number, _ in kept],
        [(line[3:5], line[5:7], line[7:9]) for _, line in kept],
        [(line[67:71], line[73:77], line[79:82]) for _, line in kept],
        ("68 (dry bulb)", "74 (dew point)", "80 (relative humidity)"),
        (9999.0, 9999.0, 999.0),
        (0.1, 0.1, 1.0),
        f"TMY2 station {lines[0][1:6]} {' '.join(lines[0][7:32].split())} (Marion and Urban 1995)",
        "TMY2",
    )


def _own(lines: list[str], path: Path) -> _Rows:
    """The small CSV: comment lines with '#', a line of names, then month,day,hour(1-24),three values."""
    comments = [line[1:].strip() for line in lines if line.startswith("#")]
    head = next((k for k, line in enumerate(lines) if line.strip() and not line.startswith("#")), None)
    names = [] if head is None else [name.strip() for name in next(csv.reader([lines[head]]))]
    if head is None or names != _OWN_COLUMNS:
        raise BadInput(
            f'the line of column names reads "{",".join(names)[:80]}"',
            "EPW (first line LOCATION,...), TMY3, TMY2, or a CSV with the columns " + ",".join(_OWN_COLUMNS),
            file=path,
            place=f"row {1 if head is None else head + 1}",
            mend="first line without #: " + ",".join(_OWN_COLUMNS),
        )
    table = _table(lines, head + 1, 6, path)
    return _Rows(
        [line for line, _ in table],
        [(row[0], row[1], row[2]) for _, row in table],
        [(row[3], row[4], row[5]) for _, row in table],
        ("dry_bulb_c", "dew_point_c", "relative_humidity_pct"),
        (np.inf, np.inf, np.inf),
        (1.0, 1.0, 1.0),
        " ".join(comments) or "no source named in the file",
        "CSV",
    )


def unclosed_quote(path: Path) -> BadInput:
    """The fault of a quotation mark that is opened and never closed."""
    return BadInput(
        "a quotation mark that is not closed",
        "quotation marks in pairs",
        file=path,
        place="the row where it opens",
        mend='take the lone " out',
    )


def _table(
    lines: list[str], skip: int, columns: int, path: Path, at_least: int | None = None
) -> list[tuple[int, list[str]]]:
    """Rows after `skip` lines, each with its line number; a row of another width than `columns` is a fault."""
    try:
        rows = [(n, row) for n, row in enumerate(csv.reader(lines[skip:]), start=skip + 1) if row]
    except csv.Error as fault:
        raise unclosed_quote(path) from fault
    rows = [(n, row) for n, row in rows if not row[0].startswith("#")]
    for number, row in rows:
        if len(row) != columns and not (at_least is not None and at_least <= len(row) <= columns):
            raise BadInput(
                f"{len(row)} columns",
                f"{columns} columns in every row",
                file=path,
                place=f"row {number}, column {min(len(row), columns) + (len(row) < columns)}",
                mend="correct that row, or download the file again if it is cut short",
            )
    return rows


# ---- the checks ----------------------------------------------------------------------------------------------------


def _check_calendar(rows: _Rows, path: Path) -> None:
    """The rows are the 8760 hours of a year of 365 days in order, hours 1 to 24."""
    days = np.arange(f"{TYPICAL_YEAR}-01-01", f"{TYPICAL_YEAR + 1}-01-01", dtype="datetime64[D]").astype(object)
    expected = [(day.month, day.day, hour) for day in days for hour in range(1, 25)]
    for k, (stamp, want) in enumerate(zip(rows.stamp, expected, strict=False)):
        try:
            got = tuple(int(part) for part in stamp)
        except ValueError:
            got = ()
        if got != want:
            leap = " (a leap day has no place in a typical year)" if got[:2] == (2, 29) else ""
            raise BadInput(
                f"month, day, hour {'/'.join(stamp)}{leap}",
                f"month {want[0]}, day {want[1]}, hour {want[2]} here: every hour of 365 days, hours 1 to 24",
                file=path,
                place=f"row {rows.line[k]}, column month/day/hour",
                mend="put the missing rows back, or take out the ones too many",
            )
    if len(rows.stamp) != HOURS:
        last = rows.line[min(len(rows.line), HOURS + 1) - 1] if rows.line else 1
        raise BadInput(
            f"{len(rows.stamp)} hours",
            f"{HOURS} hours, one year of 365 days",
            file=path,
            place=f"row {last}",
            mend="download the file again: it is cut short or has rows too many",
        )


def _numbers(rows: _Rows, k: int, path: Path) -> Array:
    try:
        values = np.array([row[k] for row in rows.cells], dtype=float) * rows.scale[k]
    except ValueError:
        values = np.full(len(rows.cells), np.nan)
        for i, row in enumerate(rows.cells):
            try:
                values[i] = float(row[k])
            except ValueError:
                break
    bad = np.flatnonzero(~np.isfinite(values))
    if bad.size:
        i = int(bad[0])
        raise BadInput(
            f'"{rows.cells[i][k].strip()}" for the {_NAMES[k]}',
            "a number",
            file=path,
            place=f"row {rows.line[i]}, column {rows.columns[k]}",
            mend="write the number, or take another file",
        )
    return values


def _missing(rows: _Rows, k: int, values: Array) -> NDArray[np.bool_]:
    """Hours that carry the format's missing code."""
    code = rows.missing_from[k] * rows.scale[k]
    return np.asarray(values <= code if code < 0 else values >= code - 1e-9)


def _check_range(rows: _Rows, k: int, values: Array, missing: NDArray[np.bool_], path: Path) -> None:
    bad = np.flatnonzero(~missing & ((values < _LOW[k]) | (values > _HIGH[k])))
    if bad.size:
        i = int(bad[0])
        unit = "%" if k == 2 else "degC"
        raise BadInput(
            f"{_NAMES[k]} {values[i]:g} {unit}",
            f"{_LOW[k]:g} to {_HIGH[k]:g} {unit}",
            file=path,
            place=f"row {rows.line[i]}, column {rows.columns[k]}",
            mend="correct that value, or mark it missing and name a gap_policy",
        )
