"""The nouns: frozen records that every room shares. They hold facts and know no physics."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import date
from math import inf
from pathlib import Path
from typing import Any, TypeVar

from driftmodel.base.build import InstrumentTable, Joint, JointTable
from driftmodel.base.climate_file import ClimateTable, Outdoor, Seen
from driftmodel.base.materials import Datum, note_all
from driftmodel.base.scenario_file import LearnedPrior, ScenarioTable, StringEvent
from driftmodel.base.schema import Frozen

#: metadata of a field that says where a record was read, not what it says
NOT_AN_INPUT = {"input": False}


@dataclass(frozen=True)
class SpacerSet:
    """Labels and tapers as the maker lists them; taper_mm is heel minus far edge over the joint length.

    A larger taper turns the nut end up (action rises)."""

    labels: tuple[str, ...]
    tapers_mm: tuple[float, ...]
    joint_length_mm: float
    tongue_length_mm: float

    @classmethod
    def of(cls, joint: JointTable) -> SpacerSet:
        """The set of a file's joint, in order of taper."""
        labels, tapers = zip(*sorted(joint.spacer_tapers_mm.items(), key=lambda item: item[1]), strict=True)
        return cls(labels, tapers, joint.spacer_length_mm, joint.tongue_length_mm)


@dataclass(frozen=True, kw_only=True, repr=False)
class Instrument(InstrumentTable):
    """A design with its woods, neck, joint and spacers; body_fret is the fret at the body join."""

    name: str
    body_fret: int
    spacers: SpacerSet
    joint: Joint = field(default_factory=Joint)
    file: str = field(default="", metadata=NOT_AN_INPUT)


@dataclass(frozen=True)
class Room:
    """One-zone room. None for a set point means there is no such equipment.

    excess_*: indoor over outdoor vapour where the outdoor daily mean is 5 degC or colder, 15 or warmer. air_changes: in
    the cold. summer_warmth multiplies the warming of an uncooled room. log_sd: of what is not known of it, by name."""

    excess_cold_g_m3: float
    excess_warm_g_m3: float
    volume_m3: float
    air_changes_per_hour: float
    heating_setpoint_c: float | None
    cooling_setpoint_c: float | None = None
    dehumidified_to_pct: float | None = None
    summer_warmth: float = 1.0
    night_setback_k: float = 0.0
    log_sd: tuple[tuple[str, float], ...] = ()
    seen: tuple[Seen, ...] = ()

    @property
    def moisture_source_kg_per_day(self) -> float:
        """Water the household gives off: what holds the excess against the air changes."""
        return self.excess_cold_g_m3 * self.air_changes_per_hour * self.volume_m3 * 24.0 / 1000.0


@dataclass(frozen=True, kw_only=True, repr=False)
class Climate(ClimateTable):
    """The air around an instrument: outdoor air through a room, or an indoor logger; then, it may be, a case."""

    name: str
    outdoor: Outdoor | None = None
    room: Room | None = None
    file: str = field(default="", metadata=NOT_AN_INPUT)
    #: numbers of the library that what its file leaves open was filled with, by name
    numbers: tuple[tuple[str, Datum], ...] = field(default=(), metadata=NOT_AN_INPUT)

    def beside(self, name: str) -> Path:
        """A file named in the climate file, from that file's own folder."""
        return (Path(self.file).parent / name) if self.file else Path(name)

    @property
    def input_files(self) -> tuple[Path, ...]:
        """The weather and logger files it rests on."""
        outdoor = self.outdoor
        names = [self.logger_file]
        if outdoor is not None:
            names += [outdoor.weather_file, outdoor.logger_file]
        return tuple(self.beside(name) for name in names if name)

    @property
    def logger_file(self) -> str | None:
        """The measured indoor record's file, where there is one."""
        return None if self.logger is None else self.logger.file


@dataclass(frozen=True)
class Stay:
    """From this date on, known to so many days, the instrument lives in this climate."""

    start: date
    climate: Climate
    within_days: int = 0


@dataclass(frozen=True)
class WorkDone:
    """Work at the bench: an event, never drift. It counts from its day on; among the readings of that day, for those
    that come after `order` (their row in the file; inf: after all of them).

    spacer: the label fitted, '' where it stayed. saddle_mm: + made higher. action_mm: what other work of known effect
    did to the action. truss_rod: it was turned, by an amount nobody wrote down. anew: the neck stands anew, by an
    amount nobody wrote down (a neck reset, damage). strings_on: they went on or came off, None where they stayed.
    words: as the bench wrote it."""

    day: date
    spacer: str = ""
    saddle_mm: float = 0.0
    action_mm: float = 0.0
    truss_rod: bool = False
    anew: bool = False
    strings_on: bool | None = None
    words: str = ""
    order: float = inf


@dataclass(frozen=True, kw_only=True, repr=False)
class Scenario(ScenarioTable):
    """One instrument, where it lived and lives, how it left the bench and what was done to it since.

    work: in order of day. today: the day the question is put; None: the day of set-up."""

    name: str
    instrument: Instrument
    stays: tuple[Stay, ...]
    events: tuple[StringEvent, ...]
    file: str = field(default="", metadata=NOT_AN_INPUT)
    raw: Mapping[str, Any] = field(default_factory=Frozen, metadata=NOT_AN_INPUT)
    work: tuple[WorkDone, ...] = ()
    today: date | None = None
    learned: tuple[LearnedPrior, ...] = ()
    #: numbers that what-ifs were made with, by name
    numbers: tuple[tuple[str, Datum], ...] = field(default=(), metadata=NOT_AN_INPUT)


Held = TypeVar("Held")


def altered(record: Held, path: str, value: Any) -> Held:
    """The record with the field at a path of names ('instrument.body.top.wood') in it changed."""
    name, _, rest = path.partition(".")
    changed: dict[str, Any] = {name: altered(getattr(record, name), rest, value) if rest else value}
    return replace(record, **changed)  # type: ignore[type-var]


def note_scenario(scenario: Scenario) -> None:
    """Tell of the numbers a scenario's records were filled with: by its climates' files, by what-ifs."""
    note_all(dict(scenario.numbers))
    for stay in scenario.stays:
        note_all(dict(stay.climate.numbers))
