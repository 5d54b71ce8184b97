"""Air in a NetCDF: which variables hold it, in which unit; and the record of one place."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np

from driftmodel.base.errors import BadInput
from driftmodel.base.keeping import file_digest
from driftmodel.base.schema import Array, DataArray, Dataset
from driftmodel.climate.air import HOUR, hours_from, make_air, relative_humidity_from_dew_point_pct
from driftmodel.climate.netcdf import opened_netcdf

NAMES = {
    "air_temperature": ("air_temperature", "temperature", "tas", "t2m"),
    "relative_humidity": ("relative_humidity", "humidity", "hurs", "rh"),
    "dew_point_temperature": ("dew_point_temperature", "dew_point", "d2m", "tdps"),
}
#: unit as files write it -> (factor, offset) to degC or %
UNITS = {
    "air_temperature": {
        **dict.fromkeys(("K", "kelvin"), (1.0, -273.15)),
        **dict.fromkeys(("degC", "Celsius", "celsius", "degree_C", "degrees_C", "C"), (1.0, 0.0)),
        **dict.fromkeys(("degF", "Fahrenheit", "fahrenheit", "degree_F", "degrees_F", "F"), (5.0 / 9.0, -160.0 / 9.0)),
    },
    "relative_humidity": {"%": (1.0, 0.0), "percent": (1.0, 0.0), "1": (1.0, 0.0)},
}
UNITS["dew_point_temperature"] = UNITS["air_temperature"]
OWN_UNIT = {"air_temperature": "degC", "dew_point_temperature": "degC", "relative_humidity": "%"}
LIMITS = {"air_temperature": (-60.0, 60.0), "dew_point_temperature": (-90.0, 40.0),
          "relative_humidity": (0.0, 110.0)}  # up to 110 % is read as 100 %  # fmt: skip
MOST_FRACTION = 1.5  # humidity that nowhere passes this is a fraction, whatever its units say; own choice, no source


def air_variable(content: Dataset, name: str, file: Path) -> DataArray:
    """The one variable of temperature or humidity, by CF standard_name or a plain name. Raises BadInput."""
    named = _named(content, name)
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


def air_values(
    content: Dataset, file: Path, shaped: Callable[[DataArray], DataArray], *, gaps: bool = False
) -> tuple[Array, Array, list[str]]:
    """Temperature in degC and relative humidity in %, and what was done to them, in words; humidity from the dew point
    where the file has no other. shaped: checks a variable's dims and orders them. gaps: missing values are left NaN.

    Raises BadInput as `air_variable` and `converted` do.
    """
    temperature, told = converted(shaped(air_variable(content, "air_temperature", file)), "air_temperature", file, gaps)
    if _named(content, "relative_humidity") or not (dew := _named(content, "dew_point_temperature")):
        variable = shaped(air_variable(content, "relative_humidity", file))
        humidity, words = converted(variable, "relative_humidity", file, gaps)
        return temperature, humidity, told + words
    variable = shaped(air_variable(content, "dew_point_temperature", file))
    point, words = converted(variable, "dew_point_temperature", file, gaps)
    humidity = relative_humidity_from_dew_point_pct(temperature, np.minimum(point, temperature), over_water=True)
    return temperature, humidity, [*told, *words, f"{dew[0]}: humidity from the dew point, over water"]


def _named(content: Dataset, name: str) -> list[str]:
    named = [str(key) for key, variable in content.data_vars.items() if variable.attrs.get("standard_name") == name]
    return named or [key for key in NAMES[name] if key in content.data_vars]


def converted(variable: DataArray, name: str, file: Path, gaps: bool = False) -> tuple[Array, list[str]]:
    """Its values in degC or %, and what was done to them, in words. Raises BadInput for units and bad values, and for
    missing ones unless there may be `gaps`. Humidity is a fraction or percent by its values."""
    unit = str(variable.attrs.get("units", "1" if name == "relative_humidity" else "")).strip()
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
    raw = variable.values.astype(float)
    there = np.isfinite(raw)
    if name == "relative_humidity" and there.any() and raw[there].max() <= MOST_FRACTION:
        factor, unit = 100.0, "1"
    values = raw * factor + offset
    gone = np.argwhere(~there)
    if gone.size and not gaps:
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
    if name == "relative_humidity" and (values > 100.0).any():
        told.append(f"{variable.name}: {int((values > 100.0).sum())} values above 100 % read as 100 %")
        values = np.minimum(values, 100.0)
    return values, told


def _place(variable: DataArray, at: Any) -> str:
    words = []
    for dim, index in zip(variable.dims, at, strict=True):
        value = variable[dim].values[index] if dim in variable.coords else index
        words.append(f"{dim} {str(value)[:16]}")
    return ", ".join(words)


def read_place(path: Path) -> Dataset:
    """Hourly air of one place from a NetCDF with equal steps of an hour to a day, held through their hours; UTC.

    Raises BadInput for several points, steps that are not equal, and as `converted` does.
    """
    with opened_netcdf(path, "a NetCDF file of air at one place") as content:

        def one_place(variable: DataArray) -> DataArray:
            variable = variable.squeeze()
            if variable.dims != ("time",) or content["time"].dtype.kind != "M":
                raise BadInput(
                    f"dims {', '.join(map(str, variable.dims)) or 'none'}",
                    "one place: the dim time with CF times, others of length 1",
                    file=path,
                    place=f"variable {variable.name}",
                    mend="select one point of the grid (driftmodel map takes all of it)",
                )
            return variable

        temperature, humidity, told = air_values(content, path, one_place)
        told += [content.attrs["read_calendar"]] if "read_calendar" in content.attrs else []
        time = content["time"].values.astype("datetime64[ns]")
    steps = np.diff(time)
    hours = float(steps[0] / HOUR) if steps.size else 0.0
    if not 1.0 <= hours <= 24.0 or hours != round(hours) or (steps != steps[0]).any():
        raise BadInput(
            f"steps of {hours:g} h" if steps.size and (steps == steps[0]).all() else "steps that are not equal",
            "equal steps of 1 to 24 whole hours",
            file=path,
            place="variable time",
            mend="resample it to hours, the missing ones put in",
        )
    each = int(hours)
    temperature, humidity = (np.repeat(values, each) for values in (temperature, humidity))
    attrs = {"source": f"NetCDF file {path.name}", "file": path.name, "file_sha256": file_digest(path),
             "kind": "logger", "typical_year": 0, "clock": "UTC", "filled_hours": 0,
             "conversions": "; ".join(told) or "none"}  # fmt: skip
    return make_air(hours_from(time[0], time.size * each), temperature, humidity, attrs=attrs)
