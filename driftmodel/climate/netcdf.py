"""NetCDF files opened so that a damaged one costs a message: read through first by a process of its own; which
variables hold air, in which unit; and the record of one place.

The C library behind NetCDF-4 can end the process that reads a damaged file. So a child reads every variable and
attribute once, slice by slice; only a file it came through is opened here."""

from __future__ import annotations

import re
import subprocess
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import numpy as np

from driftmodel.base.errors import BadInput, Spot, unwritable
from driftmodel.base.keeping import file_digest
from driftmodel.base.opened import bytes_of, check_file
from driftmodel.base.schema import Array, DataArray, Dataset
from driftmodel.base.written import write_file
from driftmodel.climate.air import HOUR, hour_of_year, hours_from, make_air, relative_humidity_from_dew_point_pct

#: forty years of hours at a hundred points, two variables in double precision, are 560
MOST_FILE_MB = 4000.0
#: what all variables of a file may take once unpacked: a few bytes of a damaged header can claim any number
MOST_UNPACKED_MB = 8000.0
#: a child that reads 4000 million bytes from a slow disk
MOST_SECONDS = 300
NEEDED = "a NetCDF file"
#: calendars of climate models (CF conventions, sec. 4.4.1) that are not that of real days
DAYS_A_YEAR = {"noleap": 365, "365_day": 365, "360_day": 360}
_SINCE = re.compile(r"(day|hour|minute|second)s? since (\d+)-(\d+)-(\d+)(?:[ T](\d+):(\d+))?")
_BEFORE = (0, 31, 59, 90, 120, 151, 181, 212, 243, 273, 304, 334)  # days of a year before each month
_A_DAY = {"day": 1.0, "hour": 24.0, "minute": 1440.0, "second": 86400.0}
_CLASSIC, _HDF = (b"CDF\x01", b"CDF\x02"), b"\x89HDF\r\n\x1a\n"
_READ_THROUGH = """
import sys, h5py
from math import prod
def sizes(name, one):
    global total
    dict(one.attrs)
    if isinstance(one, h5py.Dataset):
        total += prod(one.shape or ()) * one.dtype.itemsize
def contents(name, one):
    if isinstance(one, h5py.Dataset):
        for at in range(one.shape[0] if one.shape else 1):
            one[at] if one.shape else one[()]
total = 0
with h5py.File(sys.argv[1], "r") as whole:
    dict(whole.attrs)
    whole.visititems(sizes)
    if total > float(sys.argv[2]):
        sys.exit(3)
    whole.visititems(contents)
"""


@contextmanager
def opened_netcdf(file: Path, needed: str = NEEDED) -> Iterator[Dataset]:
    """The dataset of a file, to read from inside a `with`.

    Raises BadInput for a file that is none, is damaged, claims more than can be held, or whose content does not
    fit together: also for what goes wrong while the block reads from it."""
    import xarray as xr

    check_file(file, needed, most_mb=MOST_FILE_MB)
    head = bytes_of(file, needed, most_mb=MOST_FILE_MB, first=len(_HDF))
    if head[:4] not in _CLASSIC and head != _HDF:
        raise Spot(file).refusal(f"not a NetCDF file. Needed: {needed}. Mend: export it as NetCDF-4 or classic NetCDF")
    if head == _HDF:
        _read_through(file, needed)
    try:
        engine = "h5netcdf" if head == _HDF else "scipy"
        with xr.open_dataset(file, engine=engine, decode_times=False) as plain:
            own = str(plain["time"].attrs.get("calendar", "")).lower() if "time" in plain.variables else ""
        with xr.open_dataset(file, engine=engine, decode_times=own not in DAYS_A_YEAR) as content:
            if own in DAYS_A_YEAR:
                content = by_real_days(content, DAYS_A_YEAR[own])
            size = sum(variable.nbytes for variable in content.variables.values()) / 1e6
            if size > MOST_UNPACKED_MB:
                raise _too_large(file, needed)
            yield content
    except (BadInput, KeyboardInterrupt, GeneratorExit):
        raise
    except Exception as fault:  # four libraries read this, each with faults of its own kind
        raise Spot(file).refusal(
            f"not a NetCDF file that can be read ({type(fault).__name__}). Needed: {needed} with a time axis in the "
            "standard calendar. Mend: export it again as NetCDF-4"
        ) from fault


def by_real_days(content: Dataset, days_a_year: int) -> Dataset:
    """Content on the time axis of a calendar with years of 365 or 360 days, on real days: 29 February repeats the 28th,
    and of a year of 360 days every 72nd is repeated. Raises ValueError for units of time that cannot be read."""
    found = _SINCE.match(str(content["time"].attrs.get("units", "")))
    if found is None:
        raise ValueError("units of time")
    unit, year, month, day, hour, minute = (found[at] for at in range(1, 7))
    before = 30 * (int(month) - 1) if days_a_year == 360 else _BEFORE[int(month) - 1]
    begin = int(year) * days_a_year + before + int(day) - 1 + int(hour or 0) / 24.0 + int(minute or 0) / 1440.0
    at = begin + content["time"].values.astype(float) / _A_DAY[unit]
    step = (at[-1] - at[0]) / max(at.size - 1, 1)
    first, last = (_real_time(float(each), days_a_year) for each in (at[0], at[-1] + step))
    time = np.arange(first, last, np.timedelta64(max(round(step * 86400.0), 1), "s"))
    hours = hour_of_year(time)
    days = hours // 24 * days_a_year // 365
    years = time.astype("datetime64[Y]").astype(np.int64) + 1970
    part = (time - time.astype("datetime64[D]")) / np.timedelta64(1, "D")
    index = np.round((years * days_a_year + days + part - at[0]) / step).astype(np.int64)
    attrs = content.attrs | {"read_calendar": f"a calendar of {days_a_year} days a year laid on real days"}
    moved = content.isel(time=np.clip(index, 0, at.size - 1))
    return moved.assign_coords(time=time.astype("datetime64[ns]")).assign_attrs(attrs)


def _real_time(day: float, days_a_year: int) -> np.datetime64:
    """The real second of a day counted from year 0 in such a calendar."""
    year, of_year = divmod(day, days_a_year)
    whole = -(-int(of_year) * 365 // days_a_year)  # the first real day that stands for it
    month = int(np.searchsorted(_BEFORE, whole, side="right"))
    date = np.datetime64(f"{int(year):04d}-{month:02d}-{whole - _BEFORE[month - 1] + 1:02d}", "s")
    return date + np.timedelta64(round((of_year % 1.0) * 86400.0), "s")


def _read_through(file: Path, needed: str) -> None:
    words = [sys.executable, "-I", "-c", _READ_THROUGH, str(file.absolute()), str(MOST_UNPACKED_MB * 1e6)]
    try:
        ended = subprocess.run(words, stdin=subprocess.DEVNULL, capture_output=True, timeout=MOST_SECONDS, check=False)
    except subprocess.TimeoutExpired:
        raise BadInput(f"it was not read through in {MOST_SECONDS} s", needed, file=file,
                       mend="take a smaller piece of it") from None  # fmt: skip
    if ended.returncode == 3:
        raise _too_large(file, needed)
    if ended.returncode:
        raise Spot(file).refusal(f"a damaged file. Needed: {needed}. Mend: download or export it again")


def _too_large(file: Path, needed: str) -> BadInput:
    return BadInput(f"more than {MOST_UNPACKED_MB:,.0f} million bytes once unpacked", needed, file=file,
                    mend="take fewer points or longer steps")  # fmt: skip


def write_netcdf(found: Dataset, path: str | Path) -> Path:
    """The dataset as NetCDF-4, whole or not at all. Raises BadInput when the place cannot be written."""
    file = Path(path)
    try:
        with TemporaryDirectory() as at:
            made = Path(at) / "made.nc"
            found.to_netcdf(made, engine="h5netcdf")
            write_file(file, made.read_bytes())
    except OSError as fault:
        raise unwritable(file, fault, "another path") from None
    return file


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
    mend = f"give the variable the attribute standard_name = {name}" if not named else "leave one of them"
    raise Spot(file, f"variable {', '.join(named) or name}").refusal(
        f"{len(named)} variables for {name.replace('_', ' ')}; variables: {there}. Needed: one variable with "
        f'standard_name "{name}", or named {" or ".join(NAMES[name])}. Mend: {mend}'
    )


def air_values(
    content: Dataset, file: Path, shaped: Callable[[DataArray], DataArray], *, gaps: bool = False
) -> tuple[Array, Array, list[str]]:
    """Temperature in degC and relative humidity in %, and what was done to them, in words; humidity from the dew point
    where the file has no other. shaped: checks a variable's dims and orders them. gaps: missing values are left NaN.

    Raises BadInput as `air_variable` and `converted` do."""
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
        known, came = ", ".join(UNITS[name]), f'units "{unit}"' if unit else "no units"
        raise Spot(file, f"variable {variable.name}, attribute units").refusal(
            f'{came}. Needed: one of {known}. Mend: units = "{OWN_UNIT[name]}"'
        )
    factor, offset = UNITS[name][unit]
    raw = variable.values.astype(float)
    there = np.isfinite(raw)
    if name == "relative_humidity" and there.any() and raw[there].max() <= MOST_FRACTION:
        factor, unit = 100.0, "1"
    values = raw * factor + offset
    gone = np.argwhere(~there)
    if gone.size and not gaps:
        raise Spot(file, f"variable {variable.name}").refusal(
            f"{len(gone)} missing values, the first at {_place(variable, gone[0])}. Needed: a value at every time and "
            "point. Mend: cut the grid to points with data, or fill the gaps first"
        )
    low, high = LIMITS[name]
    wrong = np.argwhere((values < low) | (values > high))
    if wrong.size:
        found = values[tuple(wrong[0])]
        raise Spot(file, f"variable {variable.name}").refusal(
            f"{found:g} {OWN_UNIT[name]} at {_place(variable, wrong[0])}. Needed: {low:g} to {high:g} {OWN_UNIT[name]}"
            f'. Mend: check the attribute units, which says "{unit}"'
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

    Raises BadInput for several points, steps that are not equal, and as `converted` does."""
    with opened_netcdf(path, "a NetCDF file of air at one place") as content:

        def one_place(variable: DataArray) -> DataArray:
            variable = variable.squeeze()
            if variable.dims != ("time",) or content["time"].dtype.kind != "M":
                raise Spot(path, f"variable {variable.name}").refusal(
                    f"dims {', '.join(map(str, variable.dims)) or 'none'}. Needed: one place: the dim time with CF "
                    "times, others of length 1. Mend: select one point of the grid (driftmodel map takes all of it)"
                )
            return variable

        temperature, humidity, told = air_values(content, path, one_place)
        told += [content.attrs["read_calendar"]] if "read_calendar" in content.attrs else []
        time = content["time"].values.astype("datetime64[ns]")
    steps = np.diff(time)
    hours = float(steps[0] / HOUR) if steps.size else 0.0
    if not 1.0 <= hours <= 24.0 or hours != round(hours) or (steps != steps[0]).any():
        came = f"steps of {hours:g} h" if steps.size and (steps == steps[0]).all() else "steps that are not equal"
        raise Spot(path, "variable time").refusal(
            f"{came}. Needed: equal steps of 1 to 24 whole hours. Mend: resample it to hours, the missing ones put in"
        )
    each = int(hours)
    temperature, humidity = (np.repeat(values, each) for values in (temperature, humidity))
    attrs = {"source": f"NetCDF file {path.name}", "file": path.name, "file_sha256": file_digest(path),
             "kind": "logger", "typical_year": 0, "clock": "UTC", "filled_hours": 0,
             "conversions": "; ".join(told) or "none"}  # fmt: skip
    return make_air(hours_from(time[0], time.size * each), temperature, humidity, attrs=attrs)
