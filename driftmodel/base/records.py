"""The nouns: frozen records that every room shares. They hold facts and know no physics."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date
from math import inf
from pathlib import Path
from typing import Any

from driftmodel.base.build import Body, Joint, Neck, SpacerSet, Strings
from driftmodel.base.climate_file import Case, Humidifier, Normals, Seen
from driftmodel.base.frozen import Frozen, Record
from driftmodel.base.materials import Datum
from driftmodel.base.scenario_file import Rule, Setup, StringEvent

#: metadata of a field that says where a record was read, not what it says
NOT_AN_INPUT = {"input": False}


@dataclass(frozen=True, repr=False)
class Instrument(Record):
    """A design with its woods, neck, joint and spacers; body_fret is the fret at the body join."""

    name: str
    title: str
    invented: bool
    body: Body
    neck: Neck
    strings: Strings
    body_fret: int
    spacers: SpacerSet
    joint: Joint = field(default_factory=Joint)
    file: str = field(default="", metadata=NOT_AN_INPUT)


@dataclass(frozen=True)
class Room:
    """One-zone room. None for a set point means there is no such equipment.

    excess_*: indoor over outdoor vapour where the outdoor daily mean is 5 degC or colder, 15 or warmer. air_changes: in
    the cold. summer_warmth multiplies the warming of an uncooled room. log_sd: of what is not known of it, by name.
    """

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


@dataclass(frozen=True)
class Logger:
    """A measured record of air and how it is read. gap_policy: None refuses gaps; 'interpolate' or 'hold' fill those
    of at most gap_limit_days, flagged. columns: header texts by role."""

    file: str
    columns: tuple[tuple[str, str], ...] = ()
    time_zone: str | None = None
    day_first: bool | None = None
    gap_policy: str | None = None
    gap_limit_days: float = 7.0
    repeat_years: bool = False


@dataclass(frozen=True)
class Outdoor:
    """Where outdoor air comes from: exactly one of weather_file, normals and logger (measured, with its dates).

    Every hour is warmer_k warmer and drier_pct points of relative humidity drier than that: a what-if."""

    weather_file: str | None
    normals: Normals | None
    year_to_year_sd_c: float
    year_to_year_sd_pct: float
    warmer_k: float = 0.0
    drier_pct: float = 0.0
    logger: Logger | None = None
    gap_policy: str | None = None  # of a weather file


@dataclass(frozen=True, repr=False)
class Climate(Record):
    """The air around an instrument: outdoor air through a room, or an indoor logger; then, it may be, a case."""

    name: str
    title: str
    invented: bool
    outdoor: Outdoor | None
    room: Room | None
    humidifier: Humidifier | None
    logger: Logger | None
    case: Case | None
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
            names += [outdoor.weather_file, None if outdoor.logger is None else outdoor.logger.file]
        return tuple(self.beside(name) for name in names if name)

    @property
    def logger_file(self) -> str | None:
        """The measured indoor record's file, where there is one."""
        return None if self.logger is None else self.logger.file


@dataclass(frozen=True)
class Stay:
    """From this date on, the instrument lives in this climate."""

    start: date
    climate: Climate


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


@dataclass(frozen=True)
class LearnedPrior:
    """What many instruments taught about one unknown: median and spread (of its logarithm) of the next one's, and from
    what."""

    name: str
    median: float
    log_sd: float
    source: str


@dataclass(frozen=True, repr=False)
class Scenario(Record):
    """One instrument, where it lived and lives, how it left the bench and what was done to it since.

    work: in order of day. today: the day the question is put; None: the day of set-up."""

    name: str
    title: str
    summary: str
    invented: bool
    instrument: Instrument
    stays: tuple[Stay, ...]
    events: tuple[StringEvent, ...]
    setup: Setup
    rule: Rule
    horizon_years: int
    draws: int
    seed: int
    hysteresis: bool
    weather_members: int
    file: str = field(default="", metadata=NOT_AN_INPUT)
    raw: Mapping[str, Any] = field(default_factory=Frozen, metadata=NOT_AN_INPUT)
    work: tuple[WorkDone, ...] = ()
    today: date | None = None
    learned: tuple[LearnedPrior, ...] = ()
    #: numbers that what-ifs were made with, by name
    numbers: tuple[tuple[str, Datum], ...] = field(default=(), metadata=NOT_AN_INPUT)
