"""What the library holds: a number with everything needed to judge it, a wood, a finish; and which numbers an answer
was made from: noted as they are read, and told again when a kept answer is given."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import dataclass
from math import log

from driftmodel.base.frozen import Record

#: normal quantile of 0.9: an 80 % band spans plus and minus this many standard deviations
Z_80 = 1.2815515594


@dataclass(frozen=True)
class Datum:
    """One number with everything needed to judge it.

    spread_kind says how `spread` is read: 'sd' one standard deviation in the value's unit; 'cv_pct' coefficient of
    variation in percent; 'factor' the 80 % band runs from value / spread to value * spread (lognormal).
    status: 'checked', 'read once', 'partly checked', 'computed', 'from memory', 'common practice', ...
    """

    value: float
    unit: str
    spread: float
    spread_kind: str
    source: str
    status: str
    note: str = ""

    @property
    def log_sd(self) -> float:
        """Standard deviation of the logarithm of the value (lognormal reading of the spread)."""
        if self.spread_kind == "factor":
            return log(self.spread) / Z_80
        relative = self.spread / 100.0 if self.spread_kind == "cv_pct" else self.spread / abs(self.value)
        return float((log(1.0 + relative**2)) ** 0.5)


@dataclass(frozen=True)
class Disagreement:
    """A rival value for a wood's number: the key of the number, the value in that number's unit, why it differs."""

    number: str
    value: float
    unit: str
    source: str
    words: str


@dataclass(frozen=True, repr=False)
class Wood(Record):
    """One wood: its numbers by name (see species_data/README.md for the names and units)."""

    name: str
    scientific: str
    kind: str  # 'softwood' or 'hardwood'
    aliases: tuple[str, ...]
    uses: tuple[str, ...]
    numbers: Mapping[str, Datum]
    note: str = ""
    disagreements: tuple[Disagreement, ...] = ()


@dataclass(frozen=True)
class Finish:
    """A film on a face of wood; permeance in kg/(m2 s Pa); infinite for bare wood.

    effectiveness_pct: published moisture kept out after 1, 7 and 14 days, None where none is printed."""

    name: str
    permeance: Datum
    note: str = ""
    coats: int = 0
    effectiveness_pct: tuple[float | None, ...] = ()


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
