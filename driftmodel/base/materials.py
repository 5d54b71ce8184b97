"""What the library holds: a number with everything needed to judge it, a wood, a finish; and which numbers an answer
was made from: noted as they are read, and told again when a kept answer is given."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import dataclass
from math import isnan, log
from typing import Annotated, Literal

from driftmodel.base.file_models import Faults, Noun, key

#: normal quantile of 0.9: an 80 % band spans plus and minus this many standard deviations
Z_80 = 1.2815515594


@dataclass(frozen=True)
class Datum(Noun):
    """One number with everything needed to judge it: what a file of the library says of it.

    spread_kind says how `spread` is read: 'sd' one standard deviation in the value's unit; 'cv_pct' coefficient of
    variation in percent; 'factor' the 80 % band runs from value / spread to value * spread (lognormal).
    status: 'checked', 'read once', 'partly checked', 'computed', 'from memory', 'common practice', ..."""

    value: Annotated[float, key("0.001", allow_inf_nan=True)]
    unit: Annotated[str, key('"1/%"', min_length=1)]
    spread: Annotated[float, key("15", ge=0)]
    spread_kind: Annotated[Literal["sd", "cv_pct", "factor"], key('"cv_pct"')]
    source: Annotated[str, key('"from-memory"', min_length=1)]
    status: Annotated[str, key('"from memory"', min_length=1)]
    note: Annotated[str, key('"as it was read"')] = ""

    def faults(self) -> Faults:
        if isnan(self.value):
            yield ("value", "value is nan. Needed: a number. Mend: value = 0.001")
        if self.spread_kind == "factor" and self.spread < 1:
            yield ("spread", f"spread is {self.spread:g}. Needed: a factor of 1 or more. Mend: spread = 1.5")

    @property
    def log_sd(self) -> float:
        """Standard deviation of the logarithm of the value (lognormal reading of the spread)."""
        if self.spread_kind == "factor":
            return log(self.spread) / Z_80
        relative = self.spread / 100.0 if self.spread_kind == "cv_pct" else self.spread / abs(self.value)
        return float((log(1.0 + relative**2)) ** 0.5)


@dataclass(frozen=True)
class Disagreement(Noun):
    """A rival value for a wood's number: the key of the number, the value in that number's unit, why it differs."""

    number: Annotated[str, key('"coefficient_radial"')]
    value: Annotated[float, key("0.001")]
    unit: Annotated[str, key('"1/%"')]
    source: Annotated[str, key('"from-memory"')]
    words: Annotated[str, key('"another sawmill\'s boards"')]


@dataclass(frozen=True, repr=False)
class Wood(Noun):
    """One wood: its numbers by name (see species_data/README.md for the names and units)."""

    name: Annotated[str, key('"barn spruce"')]
    scientific: Annotated[str, key('"Picea abies"')]
    kind: Annotated[Literal["softwood", "hardwood"], key('"softwood"')]
    numbers: Annotated[Mapping[str, Datum], key("[numbers]")]
    aliases: Annotated[tuple[str, ...], key('["old spruce"]')] = ()
    uses: Annotated[tuple[str, ...], key('["top"]')] = ()
    note: Annotated[str, key('"from one beam"')] = ""
    disagreements: Annotated[tuple[Disagreement, ...], key("[[disagreements]]")] = ()


@dataclass(frozen=True)
class Finish(Noun):
    """A film on a face of wood; permeance in kg/(m2 s Pa); infinite for bare wood."""

    name: Annotated[str, key('"house varnish"')]
    permeance: Datum
    aliases: Annotated[tuple[str, ...], key('["varnish"]')] = ()
    note: Annotated[str, key('"two thin coats"')] = ""


@dataclass(frozen=True)
class FinishFile(Noun):
    finish: Annotated[tuple[Finish, ...], key("[[finish]]")] = ()


@dataclass(frozen=True)
class NumberFile(Noun):
    numbers: Annotated[Mapping[str, Datum], key("[numbers]")]


#: name -> number: "residual_gain", "sitka spruce, coefficient_radial", "nitrocellulose lacquer, permeance"
Numbers = dict[str, Datum]

_listening: ContextVar[tuple[Numbers, ...]] = ContextVar("listening", default=())


@contextmanager
def recording() -> Iterator[Numbers]:
    """Every number read inside, by its name, in the order of the first reading; recordings may stand in one another."""
    numbers: Numbers = {}
    token = _listening.set((*_listening.get(), numbers))
    try:
        yield numbers
    finally:
        _listening.reset(token)


def note(name: str, number: Datum) -> Datum:
    """Tell all who record that this number is used; gives it back."""
    for numbers in _listening.get():
        numbers[name] = number
    return number


def note_all(numbers: Mapping[str, Datum]) -> None:
    """Tell all who record of numbers that a kept answer was made from."""
    for name, number in numbers.items():
        note(name, number)
