"""What flows between the rooms, each told once: names of types, limits of days, seeds and humidity, the one table of
variables with units and dimensions, and what records are made of so that they pickle, copy, hash and are told shortly.

`described` puts it on a dataset: units, long_name, and what the climate and forecast conventions (CF-1.11) have a word
for: standard_name and cell_methods. Dates carry their unit in the encoding, as xarray writes them."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, fields
from datetime import date
from typing import TYPE_CHECKING, Any, NoReturn, TypeVar

#: clocks of nanoseconds end in 2262; a history starts here and runs on for decades
FIRST_DAY, LAST_DAY = date(1900, 1, 1), date(2199, 12, 31)
#: a seed stands in files that hold whole numbers of 64 bits
MOST_SEED = 2**63 - 1

DAYS_PER_YEAR = 365.25

#: points an answer is told by: the range that holds four times in five, and its middle
QUANTILES = (0.1, 0.5, 0.9)
BAND = QUANTILES[::2]
#: humidity of the air below which wood is dry and above which it is damp; below the first, cracks open (common
#: practice, no source), %
CRACKS_PCT, DRY_PCT, DAMP_PCT = 30.0, 35.0, 70.0
#: days a year of such air from which on it is told (common practice, no source)
DRY_DAYS = 30.0

if TYPE_CHECKING:
    import numpy as np
    from matplotlib.axes import Axes as Axes
    from matplotlib.figure import Figure as Figure
    from numpy.typing import NDArray
    from pandas import DataFrame as DataFrame
    from pandas import Series as Series
    from xarray import DataArray as DataArray
    from xarray import Dataset as Dataset

    Array = NDArray[np.float64]
    Single = NDArray[np.float32]
    Integers = NDArray[np.int64]
    Flags = NDArray[np.bool_]
    Times = NDArray[np.datetime64]
else:
    Array = Single = Integers = Flags = Times = Any
    Axes = Figure = DataFrame = Series = DataArray = Dataset = Any


PARTS = ("top", "top_braces", "back", "back_braces", "neck", "fingerboard")


@dataclass(frozen=True)
class Variable:
    """A dataset variable. low and high bound what can be true; a value outside is a fault of the input."""

    unit: str
    dims: tuple[str, ...]
    long_name: str
    low: float = float("-inf")
    high: float = float("inf")
    standard_name: str | None = None

    def attrs(self, more: str = "") -> dict[str, str]:
        """What a dataset tells of it; more: words put to its long_name."""
        told = {"units": self.unit, "long_name": self.long_name + more}
        return told | ({"standard_name": self.standard_name} if self.standard_name else {})


_ENSEMBLE = ("draw", "time")

VARIABLES: dict[str, Variable] = {
    # the air, hourly in an air dataset, daily means in a forecast
    "air_temperature": Variable("degC", ("time",), "air temperature", -60.0, 60.0, "air_temperature"),
    "relative_humidity": Variable("%", ("time",), "relative humidity", 0.0, 100.0, "relative_humidity"),
    "filled": Variable("1", ("time",), "1 where the value was filled by the named gap policy", 0.0, 1.0),
    # the wood
    "equilibrium_moisture_content": Variable(
        "%", ("time",), "moisture content the air would bring wood to, percent of oven-dry mass", 0.0, 40.0
    ),
    "moisture_content": Variable(
        "%",
        ("part", "time"),
        "mean moisture content of each part, mean of the draws, percent of oven-dry mass",
        0.0,
        40.0,
    ),
    # the instrument
    "lasting_by_part": Variable(
        "mm",
        ("lasting_part", "lasting_year"),
        "lasting rise of the saddle over the fret plane by where it is made, years after set-up, of the middle guitar",
    ),
}

#: quantities of the instrument; each also as *_seasonal (comes back) and *_lasting (does not); the two add up
MOVEMENTS: dict[str, Variable] = {
    "top_sinkage": Variable("mm", _ENSEMBLE, "top sinkage at the bridge since set-up, + sinks"),
    "neck_rotation": Variable(
        "degree", _ENSEMBLE, "neck rotation about the top of the body-join fret since set-up, + nut end comes up"
    ),
    "projection_change": Variable(
        "mm", _ENSEMBLE, "change of the fret plane's projection at the saddle since set-up, + meets the bridge higher"
    ),
    "action_change": Variable("mm", _ENSEMBLE, "change of action at the 12th fret since set-up, + higher"),
}

DAYS_SINCE = "days since 1970-01-01"
#: coordinates of the datasets, and what the tables above have no place for: attributes by name
COORDINATES: dict[str, dict[str, str]] = {
    "time": {"standard_name": "time", "long_name": "start of the day or hour, UTC", "axis": "T"},
    "draw": {"standard_name": "realization", "long_name": "draw of the unknowns", "units": "1"},
    "sample": {"standard_name": "realization", "long_name": "sample of the fleet's future", "units": "1"},
    "part": {"long_name": "part of the instrument"},
    "year": {"long_name": "years ahead, counted to the end of each", "units": "year"},
    "lasting_part": {"long_name": "where the lasting part of the drift comes from"},
    "lasting_year": {"long_name": "years since set-up", "units": "year"},
    "quantile": {"long_name": "quantile over the draws", "units": "1"},
    "occasion": {"long_name": "first regrade, second regrade and so on", "units": "1"},
    "grade": {"long_name": "label of a spacer of the set"},
    "unknown": {"long_name": "what is not known about the instrument, in plain words"},
    "scenario": {"long_name": "name of the scenario"},
    "title": {"long_name": "title of the scenario"},
    "outcome": {"long_name": "number a draw is summed up by"},
    "unit": {"long_name": "unit of the outcome"},
    "month": {"long_name": "month"},
    "region": {"long_name": "region of the fleet"},
    "design": {"long_name": "design of the fleet"},
    "cover": {"long_name": "whether in cover when it is reported"},
}
#: how a value stands for its day and for the draws: method -> names that begin so
_METHODS = {
    "time: mean": ("air_temperature", "relative_humidity", "equilibrium_moisture_content", "humidifier_water",
                   "humidity", "action"),
    "time: point": ("dew_point", "top_sinkage", "neck_rotation", "projection_change", "action_change", "action_12th"),
    "time: maximum": ("filled",),
    "time: point draw: mean": ("moisture_content",),
    "draw: mean": ("regrade_due", "grade_probability", "occasion_probability", "no_grade_fits", "value_mean",
                   "difference_mean"),
}  # fmt: skip
_CELL_METHODS = {name: method for method, names in _METHODS.items() for name in names}


def described(data: Dataset) -> Dataset:
    """The dataset with every coordinate described and each variable's way of standing for its day told; dates get
    their unit. Changes it in place and gives it back."""
    for name in (*data.coords, *data.data_vars):
        variable, plain = data[name], str(name)
        own: dict[str, Any] = dict(COORDINATES.get(plain, {})) if name in data.coords else {}
        if variable.dtype.kind == "M":
            variable.encoding.setdefault("units", DAYS_SINCE if plain != "time" else "hours since 1970-01-01")
        elif own and variable.dtype.kind in "iuf":
            own.setdefault("units", "1")
        start = next((start for start in sorted(_CELL_METHODS, key=len, reverse=True) if plain.startswith(start)), None)
        if name in data.data_vars and start is not None and variable.dtype.kind != "M":
            own["cell_methods"] = _CELL_METHODS[start]
        variable.attrs = own | variable.attrs
    return data


Key = TypeVar("Key")
Value = TypeVar("Value", covariant=True)
_LONGEST = 48  # signs of one field in a record's repr


class Frozen(Mapping[Key, Value]):
    """A mapping that cannot be changed. Equal to any mapping that holds the same."""

    __slots__ = ("_held",)
    _held: dict[Key, Value]

    def __init__(self, held: Mapping[Key, Value] | None = None) -> None:
        object.__setattr__(self, "_held", dict(held or {}))

    def __getitem__(self, key: Key) -> Value:
        return self._held[key]

    def __iter__(self) -> Iterator[Key]:
        return iter(self._held)

    def __len__(self) -> int:
        return len(self._held)

    def __or__(self, other: Mapping[Any, Any]) -> dict[Any, Any]:
        return {**self._held, **other}

    def __hash__(self) -> int:
        return hash(frozenset(self._held))

    def __repr__(self) -> str:
        return f"Frozen({self._held!r})"

    def __setattr__(self, name: str, value: Any) -> NoReturn:
        raise AttributeError(f"it is frozen: {name} cannot be set")

    def __reduce__(self) -> tuple[type[Frozen[Any, Any]], tuple[dict[Key, Value]]]:
        return Frozen, (self._held,)


class Record:
    """Base of a frozen dataclass: its mappings are frozen, so that it pickles, copies and hashes, and it is told
    shortly: records in it by name, long lists by their length; a name comes first."""

    def __post_init__(self) -> None:
        for name in self.__dataclass_fields__:  # type: ignore[attr-defined]
            value = getattr(self, name)
            if isinstance(value, Mapping) and not isinstance(value, Frozen):
                object.__setattr__(self, name, Frozen(value))

    def __repr__(self) -> str:
        names = sorted((field.name for field in fields(self)), key=lambda name: name != "name")  # type: ignore[arg-type]
        told = ", ".join(f"{name}={_shortly(getattr(self, name))}" for name in names)
        return f"{type(self).__name__}({told})"


def _shortly(value: Any) -> str:
    if isinstance(value, Record):
        name = getattr(value, "name", None)
        return f"<{type(value).__name__}{f' {name}' if name else ''}>"
    told = repr(value)
    if len(told) <= _LONGEST:
        return told
    if hasattr(value, "shape"):
        return f"<array {value.shape}>"
    if isinstance(value, str):
        return f"{told[: _LONGEST - 4]}...'"
    return f"<{len(value)} in all>" if hasattr(value, "__len__") else f"<{type(value).__name__}>"
