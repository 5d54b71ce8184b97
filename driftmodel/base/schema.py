"""The one table of variable names: what flows between the rooms, in which unit, on which dimensions."""

from __future__ import annotations

from dataclasses import dataclass

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
