"""Which numbers an answer was made from: noted as they are read, and told again when a kept answer is given."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from contextvars import ContextVar

from driftmodel.base.materials import Datum
from driftmodel.base.records import Scenario

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


def note_scenario(scenario: Scenario) -> None:
    """Tell of the numbers a scenario's records were filled with: by its climates' files, by what-ifs."""
    note_all(dict(scenario.numbers))
    for stay in scenario.stays:
        note_all(dict(stay.climate.numbers))


def note_all(numbers: Mapping[str, Datum]) -> None:
    """Tell all who record of numbers that a kept answer was made from."""
    for name, number in numbers.items():
        note(name, number)
