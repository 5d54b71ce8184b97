"""Gridded climate: a NetCDF of outdoor air in, one record of air a grid point out, checked at the door."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from driftmodel.base.errors import BadInput
from driftmodel.climate.air import Times, hour_of_year
from driftmodel.fleet.netcdf import opened_netcdf

if TYPE_CHECKING:
    from xarray import DataArray, Dataset

Array = NDArray[np.float64]

HOUR = np.timedelta64(1, "h")
HOURS_PER_YEAR = 8760
NAMES = {
    "air_temperature": ("air_temperature", "temperature", "tas", "t2m"),
    "relative_humidity": ("relative_humidity", "humidity", "hurs", "rh"),
}
#: unit as files write it -> (factor, offset) to degC or %
UNITS = {
    "air_temperature": {"K": (1.0, -273.15), "kelvin": (1.0, -273.15), "degC": (1.0, 0.0), "Celsius": (1.0, 0.0)},
    "relative_humidity": {"%": (1.0, 0.0), "percent": (1.0, 0.0), "1": (100.0, 0.0)},
}
OWN_UNIT = {"air_temperature": "degC", "relative_humidity": "%"}
LIMITS = {"air_temperature": (-60.0, 60.0), "relative_humidity": (0.0, 110.0)}  # up to 110 % is read as 100 %
STEPS_HOURS = (1, 2, 3, 4, 6, 8, 12, 24)


@dataclass(frozen=True)
class Grid:
    """Outdoor air on a grid. time: (step,) starts of equal steps of step_hours; temperature in degC and humidity in %:
    (step, y, x), means over the step; y, x: coordinates; axes: their names; conversions: what was done at the door."""

    file: Path
    time: Times
    step_hours: int
    temperature: Array
    humidity: Array
    y: Array
    x: Array
    axes: tuple[str, str]
    conversions: tuple[str, ...]


def read_grid(path: str | Path) -> Grid:
    """Outdoor air of a NetCDF file with the dims time and two of space, hourly to daily steps, a year or more.

    Temperature and humidity are found by CF standard_name or by plain names; K and fractions are converted, and it is
    said so. Raises BadInput with file, variable and place for anything missing, doubtful or out of range.
    """
    file = Path(path)
    with opened_netcdf(file, "a NetCDF file of air on a grid") as content:
        found = {name: _variable(content, name, file) for name in NAMES}
        temperature, humidity = found["air_temperature"], found["relative_humidity"]
        axes = _axes(temperature, humidity, file)
        time, step = _time(content, temperature, file)
        values, told = {}, []
        for name, variable in found.items():
            values[name], words = _converted(variable.transpose("time", *axes), name, file)
            told += words
        y, x = (
            np.asarray(content[axis].values if axis in content.coords else np.arange(content.sizes[axis]), dtype=float)
            for axis in axes
        )
    return Grid(file, time, step, values["air_temperature"], values["relative_humidity"], y, x, axes, tuple(told))


def _variable(content: Dataset, name: str, file: Path) -> DataArray:
    named = [str(key) for key, variable in content.data_vars.items() if variable.attrs.get("standard_name") == name]
    if not named:
        named = [key for key in NAMES[name] if key in content.data_vars]
    if len(named) == 1:
        return content[named[0]]
    there = ", ".join(map(str, content.data_vars)) or "none"
    raise BadInput(
        f"{len(named)} variables for {name.replace('_', ' ')}; variables: {there}",
        f'one variable with standard_name "{name}", or named {" or ".join(NAMES[name])}',
        file=file,
        place=f"variable {', '.join(named) or name}",
        mend=f"give the variable the attribute standard_name = {name}" if not named else "leave one of them",
    )


def _axes(temperature: DataArray, humidity: DataArray, file: Path) -> tuple[str, str]:
    for variable in (temperature, humidity):
        if "time" not in variable.dims or len(variable.dims) != 3 or set(variable.dims) != set(temperature.dims):
            raise BadInput(
                f"dims {', '.join(map(str, variable.dims))}",
                "time and two of space, the same for temperature and humidity",
                file=file,
                place=f"variable {variable.name}",
                mend="select one level, and name the time dim `time`",
            )
    space = [str(dim) for dim in temperature.dims if dim != "time"]
    if space[0] in ("x", "lon", "longitude"):
        space.reverse()
    return space[0], space[1]


def _time(content: Dataset, variable: DataArray, file: Path) -> tuple[Times, int]:
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


def _converted(variable: DataArray, name: str, file: Path) -> tuple[Array, list[str]]:
    unit = str(variable.attrs.get("units", "")).strip()
    if unit not in UNITS[name]:
        known = ", ".join(UNITS[name])
        raise BadInput(
            f'units "{unit}"' if unit else "no units",
            f"one of {known}",
            file=file,
            place=f"variable {variable.name}, attribute units",
            mend=f'units = "{OWN_UNIT[name]}"',
        )
    factor, offset = UNITS[name][unit]
    values = variable.values.astype(float) * factor + offset
    gone = np.argwhere(~np.isfinite(values))
    if gone.size:
        raise BadInput(
            f"{len(gone)} missing values, the first at {_place(variable, gone[0])}",
            "a value at every time and point",
            file=file,
            place=f"variable {variable.name}",
            mend="cut the grid to points with data, or fill the gaps first",
        )
    low, high = LIMITS[name]
    wrong = np.argwhere((values < low) | (values > high))
    if wrong.size:
        found = values[tuple(wrong[0])]
        raise BadInput(
            f"{found:g} {OWN_UNIT[name]} at {_place(variable, wrong[0])}",
            f"{low:g} to {high:g} {OWN_UNIT[name]}",
            file=file,
            place=f"variable {variable.name}",
            mend=f'check the attribute units, which says "{unit}"',
        )
    told = [f"{variable.name}: {unit} to {OWN_UNIT[name]}"] if (factor, offset) != (1.0, 0.0) else []
    if name == "relative_humidity" and values.max() > 100.0:
        told.append(f"{variable.name}: {int((values > 100.0).sum())} values above 100 % read as 100 %")
        values = np.minimum(values, 100.0)
    return values, told


def _place(variable: DataArray, at: Any) -> str:
    words = []
    for dim, index in zip(variable.dims, at, strict=True):
        value = variable[dim].values[index] if dim in variable.coords else index
        words.append(f"{dim} {str(value)[:16]}")
    return ", ".join(words)


def hours_of(record_time: Times, step_hours: int, time: Times) -> NDArray[np.int64]:
    """For each hour of `time`, the step of a record of a year or more that stands for it: the same month, day and
    hour, the record's whole years taken in turn (29 February repeats 28 February)."""
    each = (record_time[:, None] + np.arange(step_hours) * HOUR).ravel()
    hour, year = hour_of_year(each), each.astype("datetime64[Y]").astype(np.int64)
    turn = year - year[0] - (hour < hour[0])
    table = np.full((int(turn.max()) + 1, HOURS_PER_YEAR), -1, dtype=np.int64)
    table[turn, hour] = np.arange(each.size) // step_hours
    whole: NDArray[np.bool_] = np.asarray((table >= 0).all(axis=1))
    if not whole.any():  # 365 days over a leap day: the one hour short is the year's before
        table[0] = np.where(table[0] >= 0, table[0], table.max(axis=0))
        whole[0] = True
    table = table[whole]
    own = time.astype("datetime64[Y]").astype(np.int64)
    return np.asarray(table[(own - own[0]) % len(table), hour_of_year(time)])
