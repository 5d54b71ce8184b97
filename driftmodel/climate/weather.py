"""Outdoor air from weather files: EPW, TMY3, TMY2, and the small CSV of scenarios/weather.

Every reader takes the file's own relative humidity column; hours in which the dew point column says something more
than 5 % RH away are counted in attrs['dew_point_disagrees_hours']. Stamps are hour-ending, local standard time:
hour 1 becomes the mean over 00:00 to 01:00. A typical year belongs to no year: it is returned on the calendar of
2001 (365 days) with attrs['typical_year'] = 1, its clock kept at local standard time."""

from __future__ import annotations

from hashlib import sha256
from pathlib import Path

import numpy as np

from driftmodel.base.errors import BadInput, Spot
from driftmodel.base.keeping import Memory, file_digest, fingerprint
from driftmodel.base.opened import MOST_TEXT_MB, bytes_of, check_file, numbers_of
from driftmodel.base.schema import Array, Dataset, Flags
from driftmodel.climate.air import (
    TYPICAL_YEAR,
    check_gap_policy,
    fill_gaps,
    hours_from,
    longest_run,
    make_air,
    relative_humidity_from_dew_point_pct,
)
from driftmodel.climate.weather_formats import Rows, rows_of

_files: Memory[Dataset] = Memory(16)


def read_weather(path: str | Path, *, gap_policy: str | None = None) -> Dataset:
    """Outdoor air of a typical year: 8760 hours of temperature and relative humidity; dew_point (degC) as well.

    Missing codes are gaps: refused unless gap_policy is 'interpolate' or 'hold', then filled and flagged. Raises
    BadInput with file, row and column for anything that is not a whole year of good values."""
    place = Path(path)
    check_gap_policy(gap_policy)
    check_file(place, "a weather file: EPW, TMY3, TMY2 or CSV", most_mb=MOST_TEXT_MB)
    key = fingerprint(place, file_digest(place), gap_policy)
    return _files.of(key, lambda: _read(place, gap_policy)).copy(deep=True)


def _read(path: Path, gap_policy: str | None) -> Dataset:
    rows = rows_of(path)
    check_calendar(rows, path)
    values, missing = map(list, zip(*(column_of(rows, k, path) for k in range(3)), strict=True))
    check_itself(rows, values, missing, path)
    gone = missing[0] | missing[2]
    if gone.any() and gap_policy is None:
        at, length = longest_run(gone)
        k = 0 if missing[0][at] else 2
        raise _fault(
            rows, at, k, path,
            f"{int(gone.sum())} hours are marked missing (the longest gap is {length} h)",
            "a value in every hour, or a named way to fill gaps",
            'gap_policy = "interpolate" (or "hold"): the hours filled are flagged',
        )  # fmt: skip
    if gone.all():
        raise BadInput("every hour is marked missing", "temperatures and humidities", file=path, mend="another file")
    temperature = fill_gaps(values[0], missing[0], gap_policy) if gap_policy else values[0]
    humidity = fill_gaps(values[2], missing[2], gap_policy) if gap_policy else values[2]
    air = make_air(hours_from(f"{TYPICAL_YEAR}-01-01", HOURS), temperature, np.minimum(humidity, 100.0), gone)
    dew = np.where(missing[1], np.nan, values[1])
    air["dew_point"] = (("time",), dew, {"units": "degC", "long_name": "dew point, as the file has it"})
    disagrees = disagreement_pct(temperature, dew, humidity) > DISAGREE_PCT
    air.attrs = {
        "source": rows.source,
        "file": path.name,
        "file_sha256": sha256(bytes_of(path, "a weather file")).hexdigest(),
        "kind": rows.kind,
        "typical_year": 1,
        "clock": "local standard time of the place",
        "humidity_from": f"the file's {rows.columns[2]} column",
        "dew_point_disagrees_hours": int(disagrees.sum()),
        "humidity_above_100_hours": int((humidity > 100.0).sum()),
        "filled_hours": int(gone.sum()),
    }
    return air


HOURS = 8760
#: an hour whose dew point and humidity say different things by more than this disagrees with itself
DISAGREE_PCT = 5.0
_NAMES = ("dry bulb", "dew point", "relative humidity")
_LOW, _HIGH = (-60.0, -80.0, 0.0), (60.0, 50.0, 110.0)  # EnergyPlus weather file limits, narrowed to dwellings


def check_calendar(rows: Rows, path: Path) -> None:
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
            raise Spot(path, f"row {rows.line[k]}, column month/day/hour").refusal(
                f"month, day, hour {'/'.join(stamp)}{leap}. Needed: month {want[0]}, day {want[1]}, hour {want[2]} "
                "here: every hour of 365 days, hours 1 to 24. "
                "Mend: put the missing rows back, or take out the ones too many"
            )
    if len(rows.stamp) != HOURS:
        last = rows.line[min(len(rows.line), HOURS + 1) - 1] if rows.line else 1
        raise Spot(path, f"row {last}").refusal(
            f"{len(rows.stamp)} hours. Needed: {HOURS} hours, one year of 365 days. "
            "Mend: download the file again: it is cut short or has rows too many"
        )


def column_of(rows: Rows, k: int, path: Path) -> tuple[Array, Flags]:
    """Column k in degC or %, and the hours that carry the format's missing code. Raises BadInput at the first cell that
    is no number, or at the first value where weather cannot be."""
    values = numbers_of([row[k] for row in rows.cells]) * rows.scale[k]
    bad = np.flatnonzero(~np.isfinite(values))
    if bad.size:
        i = int(bad[0])
        came = f'"{rows.cells[i][k].strip()}" for the {_NAMES[k]}'
        raise _fault(rows, i, k, path, came, "a number", "write the number, or take another file")
    code = rows.missing_from[k] * rows.scale[k]
    missing = np.asarray(values <= code if code < 0 else values >= code - 1e-9)
    bad = np.flatnonzero(~missing & ((values < _LOW[k]) | (values > _HIGH[k])))
    if bad.size:
        i = int(bad[0])
        unit = "%" if k == 2 else "degC"
        came, needed = f"{_NAMES[k]} {values[i]:g} {unit}", f"{_LOW[k]:g} to {_HIGH[k]:g} {unit}"
        raise _fault(rows, i, k, path, came, needed, "correct that value, or mark it missing and name a gap_policy")
    return values, missing


def _fault(rows: Rows, row: int, k: int, path: Path, came: str, needed: str, mend: str) -> BadInput:
    place = f"row {rows.line[row]}, column {rows.columns[k]}"
    return BadInput(came, needed, file=path, place=place, mend=mend)


def disagreement_pct(temperature: Array, dew: Array, humidity: Array) -> Array:
    """Distance of the humidity column from the dew point's, the nearer of the readings over water and over ice."""
    water = relative_humidity_from_dew_point_pct(temperature, dew, over_water=True)
    ice = relative_humidity_from_dew_point_pct(temperature, dew)
    return np.asarray(np.fmin(np.abs(water - humidity), np.abs(ice - humidity)))


def check_itself(rows: Rows, values: list[Array], missing: list[Flags], path: Path) -> None:
    """The three columns tell one story. Raises BadInput for a humidity that is a fraction, a dew point above the dry
    bulb in most hours, and a dew point that disagrees with the humidity in most hours."""
    dry, dew, humidity = rows.columns
    known = ~(missing[0] | missing[1] | missing[2])
    place = f"row {rows.line[0]}, columns {dry}, {dew}, {humidity}"
    there = values[2][~missing[2]]
    if there.size and there.max() <= 1.0:
        came = f"column {humidity} holds nothing above {there.max():g}: a fraction"
        needed = "relative humidity in percent: 45, not 0.45"
        raise _fault(rows, 0, 2, path, came, needed, f"multiply column {humidity} by 100")
    if not known.any():
        return
    if np.mean(values[1][known] > values[0][known] + 0.5) > 0.5:
        raise Spot(path, place).refusal(
            f"the dew point of column {dew} is above the dry bulb of column {dry} in most hours: the two look swapped. "
            f"Needed: a dew point no higher than the dry bulb. Mend: swap the columns {dry} and {dew}"
        )
    apart = disagreement_pct(values[0][known], values[1][known], values[2][known]) > DISAGREE_PCT
    if apart.mean() > 0.5:
        raise Spot(path, place).refusal(
            f"columns {dry}, {dew} and {humidity} disagree: in {100 * apart.mean():.0f} % of the hours the dew point "
            f"says a humidity more than {DISAGREE_PCT:g} % away. Needed: dew point and humidity of the same air. "
            "Mend: take the file from its source again, or correct the column that is wrong"
        )
