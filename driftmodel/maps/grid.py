"""Gridded climate: a NetCDF of outdoor air in, one record of air a grid point out, checked at the door."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from driftmodel.base.errors import BadInput
from driftmodel.base.types import Array, DataArray, Dataset, Flags, Integers, Times
from driftmodel.climate.air import hour_of_year
from driftmodel.climate.netcdf import opened_netcdf
from driftmodel.climate.place_file import air_values, air_variable

HOUR = np.timedelta64(1, "h")
HOURS_PER_YEAR = 8760
LONGITUDES = ("lon", "longitude")
STEPS_HOURS = (1, 2, 3, 4, 6, 8, 12, 24)


@dataclass(frozen=True)
class Grid:
    """Outdoor air on a grid. time: (step,) starts of equal steps of step_hours; temperature in degC and humidity in %:
    (step, y, x), means over the step, NaN throughout at points left out; y, x: coordinates; axes: their names; attrs:
    their attributes; more: name -> (y, x) table of other coordinates of the points, and its attributes; conversions:
    what was done at the door."""

    file: Path
    time: Times
    step_hours: int
    temperature: Array
    humidity: Array
    y: Array
    x: Array
    axes: tuple[str, str]
    conversions: tuple[str, ...]
    attrs: tuple[dict[str, Any], dict[str, Any]] = ({}, {})
    more: tuple[tuple[str, Array, dict[str, Any]], ...] = ()

    @property
    def there(self) -> Flags:
        """Points with air at every step, (y, x)."""
        return np.asarray(np.isfinite(self.temperature).all(axis=0) & np.isfinite(self.humidity).all(axis=0))


def read_grid(path: str | Path) -> Grid:
    """Outdoor air of a NetCDF file with the dims time and two of space, hourly to daily steps, a year or more.

    Temperature and humidity, or a dew point, are found by CF standard_name or by plain names; K, degF and fractions
    are converted, calendars of 365 or 360 days laid on real days, longitudes across 0 counted from west of it, points
    with a missing value left out, and all of it is said. Raises BadInput with file, variable and place for anything
    doubtful or out of range, or where no point is whole.
    """
    file = Path(path)
    with opened_netcdf(file, "a NetCDF file of air on a grid") as content:
        first = air_variable(content, "air_temperature", file)
        axes = _axes(first, first, file)
        time, step = _time(content, file)

        def shaped(variable: DataArray) -> DataArray:
            _axes(variable, first, file)
            return variable.transpose("time", *axes)

        temperature, humidity, told = air_values(content, file, shaped, gaps=True)
        told += [content.attrs["read_calendar"]] if "read_calendar" in content.attrs else []
        y, x = (
            np.asarray(content[axis].values if axis in content.coords else np.arange(content.sizes[axis]), dtype=float)
            for axis in axes
        )
        attrs = tuple(dict(content[axis].attrs) if axis in content.coords else {} for axis in axes)
        more = tuple(
            (str(name), np.asarray(each.transpose(*axes).values, dtype=float), dict(each.attrs))
            for name, each in content.coords.items() if set(each.dims) == set(axes)
        )  # fmt: skip
    turned = np.where(x > 180.0, x - 360.0, x)
    if axes[1] in LONGITUDES and (np.diff(x) < 0.0).any() and (np.diff(turned) > 0.0).all():
        x, told = turned, [*told, f"{axes[1]}: past 180 counted from west of 0"]
    grid = Grid(file, time, step, temperature, humidity, y, x, axes, tuple(told), (attrs[0], attrs[1]), more)
    left_out = int((~grid.there).sum())
    if left_out == grid.there.size:
        raise BadInput("no point has air at every time", "a point without missing values", file=file,
                       place=f"variable {first.name}", mend="fill the gaps first")  # fmt: skip
    if left_out:
        none = int(np.isnan(temperature).all(axis=0).sum())
        told += [
            f"{left_out} of {grid.there.size} points left out: {none} without any air, {left_out - none} with gaps"
        ]
    return replace(grid, conversions=tuple(told))


def _axes(variable: DataArray, first: DataArray, file: Path) -> tuple[str, str]:
    if "time" not in variable.dims or len(variable.dims) != 3 or set(variable.dims) != set(first.dims):
        raise BadInput(
            f"dims {', '.join(map(str, variable.dims))}",
            "time and two of space, the same for temperature and humidity",
            file=file,
            place=f"variable {variable.name}",
            mend="select one level, and name the time dim `time`",
        )
    space = [str(dim) for dim in first.dims if dim != "time"]
    if space[0] in ("x", "rlon", *LONGITUDES):
        space.reverse()
    return space[0], space[1]


def _time(content: Dataset, file: Path) -> tuple[Times, int]:
    def fault(came: str, needed: str, mend: str) -> BadInput:
        return BadInput(came, needed, file=file, place="variable time", mend=mend)

    if "time" not in content.coords or content["time"].dtype.kind != "M":
        raise fault("no dates on the time axis", "CF times in the standard calendar", 'units "hours since 2021-01-01"')
    time = content["time"].values.astype("datetime64[ns]")
    steps = np.diff(time)
    step = float(steps[0] / HOUR) if steps.size else 0.0
    if step not in STEPS_HOURS:
        allowed = ", ".join(map(str, STEPS_HOURS))
        raise fault(f"steps of {step:g} h", f"steps of {allowed} h", "average or resample to one of them")
    uneven = np.flatnonzero(steps != steps[0])
    if uneven.size:
        at = int(uneven[0])
        raise fault(
            f"a step of {float(steps[at] / HOUR):g} h after {str(time[at])[:16]}, where others have {step:g} h",
            "equal steps without gaps",
            "put the missing times in",
        )
    if time.size * step < HOURS_PER_YEAR:
        raise fault(f"{time.size * step / 24.0:g} days", "a year (365 days) or more", "take a whole year")
    return time, int(step)


def hours_of(record_time: Times, step_hours: int, time: Times) -> Integers:
    """For each hour of `time`, the step of a record of a year or more that stands for it: the same month, day and
    hour, the record's whole years taken in turn (29 February repeats 28 February)."""
    each = (record_time[:, None] + np.arange(step_hours) * HOUR).ravel()
    hour, year = hour_of_year(each), each.astype("datetime64[Y]").astype(np.int64)
    turn = year - year[0] - (hour < hour[0])
    table = np.full((int(turn.max()) + 1, HOURS_PER_YEAR), -1, dtype=np.int64)
    table[turn, hour] = np.arange(each.size) // step_hours
    whole: Flags = np.asarray((table >= 0).all(axis=1))
    if not whole.any():  # 365 days over a leap day: the one hour short is the year's before
        table[0] = np.where(table[0] >= 0, table[0], table.max(axis=0))
        whole[0] = True
    table = table[whole]
    own = time.astype("datetime64[Y]").astype(np.int64)
    return np.asarray(table[(own - own[0]) % len(table), hour_of_year(time)])
