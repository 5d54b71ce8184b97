"""Indoor air from a data logger's text file: any delimiter, decimal mark, unit and step, put to hourly means in UTC.

Hours: the mean of the readings within the hour. An hour without a reading between two readings at most two hours
apart is interpolated and flagged; a longer gap is refused unless a gap policy is named. Humidity above 100 up to
102 %, which sensors do show in saturated air, is taken as 100 and flagged; above that it is a fault."""

from __future__ import annotations

from hashlib import sha256
from pathlib import Path

import numpy as np

from driftmodel.base.climate_file import LoggerKeys
from driftmodel.base.errors import BadInput, Spot
from driftmodel.base.keeping import Memory, file_digest, fingerprint
from driftmodel.base.opened import MOST_TEXT_MB, bytes_of, check_file, numbers_of
from driftmodel.base.schema import Array, Dataset, Flags, Times
from driftmodel.base.units import fahrenheit_to_celsius
from driftmodel.climate.air import HOUR, check_gap_policy, fill_gaps, make_air
from driftmodel.climate.logger_table import Table, read_table
from driftmodel.climate.logger_time import utc_times
from driftmodel.climate.netcdf import read_place

ROLES_READ = ("temperature", "relative_humidity")
#: readings further apart than this leave a gap
LONGEST_STEP = 2 * HOUR
#: highest humidity read as saturated air (sensor error; common practice, no source)
SATURATED_UP_TO_PCT = 102.0
#: a temperature beyond these is a fault, indoors or out
LOW_C, HIGH_C = -60.0, 60.0
_files: Memory[Dataset] = Memory(8)


def logged_air(path: Path, how: LoggerKeys) -> Dataset:
    """Hourly air from a logger's file, read as a climate's file tells. Raises BadInput with file, row and column for
    anything that cannot be read without guessing."""
    check_gap_policy(how.gap_policy, path)
    if path.suffix.lower() == ".nc":
        return _files.of(fingerprint(path, file_digest(path)), lambda: read_place(path)).copy(deep=True)
    check_file(path, "a logger's text file", most_mb=MOST_TEXT_MB)
    return _files.of(fingerprint(path, file_digest(path), how), lambda: _read(path, how)).copy(deep=True)


def _read(path: Path, how: LoggerKeys) -> Dataset:
    columns, gap_policy = dict(how.columns), how.gap_policy
    table = read_table(path, columns)
    table, blank = _without_blanks(table, gap_policy)
    utc = _times_and_unit(table, path, how.time_zone, how.day_first)
    temperature = _numbers(table, "temperature", path)
    humidity = _numbers(table, "relative_humidity", path)
    if utc.size < 2:
        raise Spot(path, f"row {table.header_line + 1}").refusal(
            f"{utc.size} reading. Needed: two or more. Mend: export more"
        )
    _check_values(table, temperature, humidity, path)
    if table.fahrenheit:
        temperature = np.asarray(fahrenheit_to_celsius(temperature))  # type: ignore[arg-type]
    _check_celsius(table, temperature, path)
    capped = humidity > 100.0
    _check_gaps(table, utc, gap_policy, how.gap_limit_days, path)
    air = _hourly(utc, temperature, np.minimum(humidity, 100.0), capped, gap_policy or "interpolate")
    steps = np.diff(utc)
    air.attrs = {
        "source": f"logger file {path.name}",
        "file": path.name,
        "file_sha256": sha256(bytes_of(path, "a logger's text file")).hexdigest(),
        "kind": "logger",
        "typical_year": 0,
        "clock": "UTC",
        "readings": int(utc.size),
        "usual_step_minutes": float(np.median(steps) / np.timedelta64(1, "m")),
        "blank_rows": blank,
        "gaps": int((steps > LONGEST_STEP).sum()),
        "longest_gap_hours": float(steps.max() / HOUR),
        "gap_policy": gap_policy or "none",
        "filled_hours": int(air["filled"].values.sum()),
        "humidity_above_100_readings": int(capped.sum()),
    }
    return air


def _times_and_unit(table: Table, path: Path, time_zone: str | None, day_first: bool | None) -> Times:
    """Stamps in UTC. What the file does not say, unit and time zone, is asked for at once: BadInput."""
    zone_asked: BadInput | None = None
    try:
        utc = utc_times(table, path, time_zone, day_first)
    except BadInput as fault:
        if not fault.mend.startswith("time_zone") or table.fahrenheit is not None:
            raise
        zone_asked = fault
    if table.fahrenheit is None:
        name = table.header["temperature"]
        mend = f'columns = {{ temperature = "{name}", temperature_unit = "C" }}'
        raise BadInput(
            f'the temperature column "{name}" has no unit' + (", and no time zone is named" if zone_asked else ""),
            "°C or °F in its name, or the unit beside it" + (", and the zone of the clock" if zone_asked else ""),
            file=path,
            place=f'row {table.header_line}, column "{name}"',
            mend=mend + (', and on a line of its own time_zone = "America/Chicago"' if zone_asked else ""),
        )
    return utc


OUT = "take that row out (it is a gap then)"
#: what loggers write where they have no reading
_NO_READING = {"", "-", "--", "na", "n/a", "nan", "null", "none"}


def _fault(table: Table, path: Path, row: int, role: str, came: str, needed: str, mend: str) -> BadInput:
    where = f'row {table.line[row]}, column "{table.header[role]}"'
    return BadInput(came, needed, file=path, place=where, mend=mend)


def _without_blanks(table: Table, gap_policy: str | None) -> tuple[Table, int]:
    """Rows with an empty cell left out as gaps, but only where a gap policy was named; and how many there were."""
    if gap_policy is None:
        return table, 0
    kept = np.all([[cell.lower() not in _NO_READING for cell in table.cells[role]] for role in ROLES_READ], axis=0)
    if kept.all() or not kept.any():
        return table, 0
    return table.only(kept), int((~kept).sum())


def _numbers(table: Table, role: str, path: Path) -> Array:
    """A column as numbers; a decimal comma is a comma in a cell without a point."""
    texts = table.cells[role]
    values = numbers_of(texts)
    bad = np.flatnonzero(~np.isfinite(values))
    if bad.size:
        row, text = int(bad[0]), texts[int(bad[0])]
        came, needed = f'"{text}"' if text else "an empty cell", "a number, or a named way to fill what is missing"
        mend = "write the number, or take the row out (it is a gap then)"
        if text.lower() in _NO_READING:
            mend = 'gap_policy = "interpolate" (rows without a reading are then gaps)'
        raise _fault(table, path, row, role, came, needed, mend)
    return values


def _check_values(table: Table, temperature: Array, humidity: Array, path: Path) -> None:
    """Faults of unit and column that the numbers betray."""
    low = np.flatnonzero(humidity < 0.0)
    if low.size:
        row = int(low[0])
        came = f"relative humidity {humidity[row]:g} %"
        raise _fault(table, path, row, "relative_humidity", came, "0 to 100 %", OUT)
    if humidity.max() <= 1.0:
        came = f"relative humidity as a fraction (nothing above {humidity.max():g})"
        raise _fault(table, path, 0, "relative_humidity", came, "percent: 45, not 0.45", "multiply that column by 100")
    celsius = np.median((temperature - 32.0) / 1.8 if table.fahrenheit else temperature)
    if celsius > 36.0 and np.median(humidity) < np.median(temperature) and np.median(humidity) < 32.0:
        raise _fault(
            table, path, 0, "temperature",
            f"the middle temperature is {np.median(temperature):.0f}, the middle humidity {np.median(humidity):.0f}: "
            "the two columns look swapped, or the temperature is in another unit",
            "temperature and humidity under their own names",
            f'swap the names "{table.header["temperature"]}" and "{table.header["relative_humidity"]}" in the header, '
            "or correct the unit",
        )  # fmt: skip
    high = np.flatnonzero(humidity > SATURATED_UP_TO_PCT)
    if high.size:
        row = int(high[0])
        came = f"relative humidity {humidity[row]:g} %"
        raise _fault(table, path, row, "relative_humidity", came, "0 to 100 % (up to 102 is read as 100)", OUT)


def _check_celsius(table: Table, temperature_c: Array, path: Path) -> None:
    bad = np.flatnonzero((temperature_c > HIGH_C) | (temperature_c < LOW_C))
    if not bad.size:
        return
    row = int(bad[0])
    middle = 0.0 if table.fahrenheit else float(np.median(temperature_c))
    looks, mend = "", OUT
    if middle > LOW_C + 273.15:
        looks, mend = "kelvin", "take 273.15 off that column"
    elif middle > 45.0:
        looks, mend = "°F", f'rename it "{table.header["temperature"]} °F"'
    came = f"{temperature_c[row]:.1f} °C" + (f": this looks like {looks} under the name of °C" if looks else "")
    raise _fault(table, path, row, "temperature", came, f"{LOW_C:g} to {HIGH_C:g} °C", mend)


def _check_gaps(table: Table, utc: Times, gap_policy: str | None, gap_limit_days: float, path: Path) -> None:
    steps = np.diff(utc)
    gaps = np.flatnonzero(steps > LONGEST_STEP)
    if not gaps.size:
        return
    worst = int(gaps[np.argmax(steps[gaps])])
    hours = steps[worst] / HOUR
    if gap_policy is not None and hours <= 24.0 * gap_limit_days:
        return
    if gap_policy is not None:
        needed = f"gaps of at most gap_limit_days = {gap_limit_days:g} days to fill"
        mend = f"gap_limit_days = {int(hours // 24) + 1}.0, if air made up for so long will do"
    else:
        needed = "a reading at least every two hours, or a named way to fill gaps"
        mend = 'gap_policy = "interpolate" (or "hold"): the hours filled are flagged'
    raise Spot(path, f"row {table.line[worst + 1]}, column of time").refusal(
        f"{gaps.size} gap{'s' if gaps.size > 1 else ''} of more than an hour, the longest {hours:.0f} h after "
        f"{str(utc[worst])[:16]} UTC. Needed: {needed}. Mend: {mend}"
    )


def _hourly(utc: Times, temperature: Array, humidity: Array, capped: Flags, gap_policy: str) -> Dataset:
    """Means of the readings in each hour; hours without any are filled and flagged."""
    first = utc[0].astype("datetime64[h]")
    hour = ((utc - first.astype("datetime64[ns]")) // HOUR).astype(np.int64)
    count = np.bincount(hour)
    empty = count == 0
    number = np.maximum(count, 1)
    means = [np.bincount(hour, values) / number for values in (temperature, humidity)]
    filled = empty | (np.bincount(hour, capped.astype(float)) > 0)
    if empty.any():
        means = [fill_gaps(values, empty, gap_policy) for values in means]
    time = (first + np.arange(count.size) * HOUR).astype("datetime64[ns]")
    return make_air(time, means[0], np.clip(means[1], 0.0, 100.0), filled)
