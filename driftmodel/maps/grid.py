"""Gridded climate: a NetCDF of outdoor air in, one record of air a grid point out, checked at the door; and an invented
grid, dry and wintry in one corner and mild and damp in the other, to try a map on."""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from pathlib import Path
from typing import Any

import numpy as np

from driftmodel.base.climate_file import Normals
from driftmodel.base.errors import BadInput, Spot
from driftmodel.base.schema import Array, DataArray, Dataset, Flags, Integers, Times
from driftmodel.climate.air import hour_of_year
from driftmodel.climate.netcdf import air_values, air_variable, opened_netcdf, write_netcdf
from driftmodel.climate.synthetic import synthetic_air

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
    doubtful or out of range, or where no point is whole."""
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
        raise Spot(file, f"variable {variable.name}").refusal(
            f"dims {', '.join(map(str, variable.dims))}. Needed: time and two of space, the same for temperature and "
            "humidity. Mend: select one level, and name the time dim `time`"
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


ROWS, COLUMNS, STEP_HOURS, YEAR = 4, 6, 3, 2021
DRY = Normals(
    (-6, -4, 1, 7, 13, 18, 21, 20, 15, 8, 1, -4),
    (55, 52, 48, 42, 42, 40, 40, 42, 44, 48, 54, 56),
    (13,) * 12, 3.5, 9.0, 3.0,
)  # fmt: skip
DAMP = Normals(
    (5, 5, 6, 8, 11, 13, 15, 15, 13, 11, 8, 6),
    (84, 82, 80, 79, 80, 82, 84, 85, 84, 84, 85, 85),
    (5,) * 12, 2.0, 6.0, 3.0,
)  # fmt: skip


def between(share: float) -> Normals:
    """Normals between DRY (0) and DAMP (1)."""

    def mixed(dry: Any, damp: Any) -> Any:
        return tuple(map(mixed, dry, damp)) if isinstance(dry, tuple) else (1.0 - share) * dry + share * damp

    return Normals(*(mixed(getattr(DRY, one.name), getattr(DAMP, one.name)) for one in fields(Normals)))


def write_invented_grid(path: str | Path) -> Path:
    """Writes the grid as NetCDF-4 (temperature in K, humidity in %, 3-hourly for a year), whole or not at all.

    Raises BadInput where it cannot be written."""
    import xarray as xr

    start = np.datetime64(f"{YEAR}-01-01")
    airs = [
        synthetic_air(between(share), start, 8760, seed=1) for share in np.linspace(0.0, 1.0, ROWS * COLUMNS).tolist()
    ]
    warm, damp = (
        np.stack([air[name].values.reshape(-1, STEP_HOURS).mean(axis=1) for air in airs])
        for name in ("air_temperature", "relative_humidity")
    )
    time = airs[0]["time"].values[::STEP_HOURS]
    shape = (ROWS, COLUMNS, time.size)
    grid = xr.Dataset(
        {
            "tas": (("time", "lat", "lon"), np.moveaxis(np.reshape(warm, shape), 2, 0).astype(np.float32) + 273.15,
                    {"standard_name": "air_temperature", "units": "K"}),
            "hurs": (("time", "lat", "lon"), np.moveaxis(np.reshape(damp, shape), 2, 0).astype(np.float32),
                     {"standard_name": "relative_humidity", "units": "%"}),
        },
        coords={
            "time": time,
            "lat": ("lat", 50.0 - 2.0 * np.arange(ROWS), {"units": "degrees_north", "standard_name": "latitude"}),
            "lon": ("lon", -8.0 + 3.0 * np.arange(COLUMNS), {"units": "degrees_east", "standard_name": "longitude"}),
        },
        attrs={"title": "Invented climates on an invented grid, for demonstration"},
    )  # fmt: skip
    return write_netcdf(grid, path)
