"""NetCDF files opened so that a damaged one costs a message: read through first by a process of its own.

The C library behind NetCDF-4 can end the process that reads a damaged file. So a child reads every variable and
attribute once, slice by slice; only a file it came through is opened here.
"""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

from driftmodel.base.errors import BadInput
from driftmodel.base.opened import bytes_of, check_file

if TYPE_CHECKING:
    from xarray import Dataset

#: forty years of hours at a hundred points, two variables in double precision, are 560
MOST_FILE_MB = 4000.0
#: what all variables of a file may take once unpacked: a few bytes of a damaged header can claim any number
MOST_UNPACKED_MB = 8000.0
#: a child that reads 4000 million bytes from a slow disk
MOST_SECONDS = 300
NEEDED = "a NetCDF file"
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
        with xr.open_dataset(file, engine="h5netcdf" if head == _HDF else "scipy") as content:
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
