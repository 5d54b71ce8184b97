"""NetCDF files opened so that a damaged one costs a message: read through first by a process of its own.

The C library behind NetCDF-4 can end the process that reads a damaged file. So a child reads every variable and
attribute once, slice by slice; only a file it came through is opened here.
"""

from __future__ import annotations

import os
import re
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import numpy as np

from driftmodel.base.errors import BadInput, unwritable
from driftmodel.base.opened import bytes_of, check_file
from driftmodel.base.schema import Dataset
from driftmodel.climate.air import hour_of_year

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
    fit together: also for what goes wrong while the block reads from it.
    """
    import xarray as xr

    check_file(file, needed, most_mb=MOST_FILE_MB)
    head = bytes_of(file, needed, most_mb=MOST_FILE_MB, first=len(_HDF))
    if head[:4] not in _CLASSIC and head != _HDF:
        raise BadInput("not a NetCDF file", needed, file=file, mend="export it as NetCDF-4 or classic NetCDF")
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
        raise BadInput(
            f"not a NetCDF file that can be read ({type(fault).__name__})",
            f"{needed} with a time axis in the standard calendar",
            file=file,
            mend="export it again as NetCDF-4",
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
        raise BadInput("a damaged file", needed, file=file, mend="download or export it again")


def _too_large(file: Path, needed: str) -> BadInput:
    return BadInput(f"more than {MOST_UNPACKED_MB:,.0f} million bytes once unpacked", needed, file=file,
                    mend="take fewer points or longer steps")  # fmt: skip


def write_netcdf(found: Dataset, path: str | Path) -> Path:
    """The dataset as NetCDF-4, whole or not at all. Raises BadInput when the place cannot be written."""
    file = Path(path)
    part = file.parent / f".{file.name}.{os.getpid()}.part"
    try:
        found.to_netcdf(part, engine="h5netcdf")
        os.replace(part, file)
    except OSError as fault:
        raise unwritable(file, fault, "another path") from None
    finally:
        part.unlink(missing_ok=True)
    return file
