"""The nouns: frozen records that every room shares. They hold facts and know no physics."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date
from math import inf
from pathlib import Path
from typing import Any

from driftmodel.base.frozen import Frozen, Record
from driftmodel.base.materials import Datum

Point = tuple[float, float]
#: metadata of a field that says where a record was read, not what it says
NOT_AN_INPUT = {"input": False}


@dataclass(frozen=True)
class Brace:
    """A glued bar on a plate. path_mm: (x, y) corner points; heights fall to end_height_mm over end_taper_mm."""

    name: str
    wood: str
    path_mm: tuple[Point, ...]
    width_mm: float
    height_mm: float
    end_height_mm: float
    end_taper_mm: float


@dataclass(frozen=True, repr=False)
class Plate(Record):
    """Top or back. ring_angle_deg: 0 quarter-sawn, 90 flat-sawn. dome_radius_mm: 0 means flat. braces_*_bridge: height
    of the braces before the bridge's front and behind its back edge, as a share of what is drawn."""

    wood: str
    thickness_mm: float
    dome_radius_mm: float
    ring_angle_deg: float
    finish_outside: str
    finish_inside: str
    braces: tuple[Brace, ...]
    hole_centre_mm: Point | None = None
    hole_diameter_mm: float = 0.0
    braces_before_bridge: float = 1.0
    braces_behind_bridge: float = 1.0


@dataclass(frozen=True)
class Bridge:
    """The bridge and the plate under it: its front edge, back edge and saddle are measured from the body join. anchor:
    the strings end in 'pins' through the top or at a 'tie block'; anchor_mm: where, from the join; None: as usual."""

    wood: str
    front_mm: float
    back_mm: float
    half_length_mm: float
    thickness_mm: float
    saddle_mm: float
    plate_wood: str
    plate_thickness_mm: float
    plate_half_length_mm: float
    anchor: str = "pins"
    anchor_mm: float | None = None


@dataclass(frozen=True)
class Sides:
    wood: str
    thickness_mm: float
    depth_neck_mm: float
    depth_tail_mm: float
    lining_width_mm: float
    lining_height_mm: float
    lining_wood: str


@dataclass(frozen=True)
class Block:
    """grain: 'upright' from back to top, 'across' the body or 'along' it."""

    wood: str
    length_mm: float
    half_width_mm: float
    grain: str = "upright"


@dataclass(frozen=True, repr=False)
class Body(Record):
    """x runs from the body join to the tail, y across; outline_mm: (x, half width) points from join to tail."""

    outline_mm: tuple[Point, ...]
    top: Plate
    back: Plate
    sides: Sides
    neck_block: Block
    tail_block: Block
    bridge: Bridge


@dataclass(frozen=True)
class Neck:
    """Depths without fingerboard; the fingerboard is flat-bottomed, of even thickness. rod_length_mm: how far from the
    nut the truss rod reaches; None where it was not measured."""

    wood: str
    fingerboard_wood: str
    width_nut_mm: float
    width_body_mm: float
    depth_nut_mm: float
    depth_body_mm: float
    fingerboard_thickness_mm: float
    ring_angle_deg: float
    finish: str
    fingerboard_finish: str
    rod_length_mm: float | None = None


@dataclass(frozen=True)
class SpacerSet:
    """Labels and tapers as the maker lists them; taper_mm is heel minus far edge over the joint length.

    A larger taper turns the nut end up (action rises)."""

    labels: tuple[str, ...]
    tapers_mm: tuple[float, ...]
    joint_length_mm: float
    tongue_length_mm: float


@dataclass(frozen=True)
class Joint:
    """How the neck is held: heel 'bolted' or 'glued', tongue 'glued', 'bolted' or 'free'; bolts, and the clamp force of
    each when fresh (None where it was not measured)."""

    heel: str = "bolted"
    tongue: str = "bolted"
    bolts: int = 2
    bolt_preload_n: float | None = None


@dataclass(frozen=True)
class Strings:
    """Either the total pull in N is stated, or gauges, windings and pitches say what it must be. over_top_at_join_mm:
    height of the strings over the top's face at the body join; None where it was not measured."""

    scale_mm: float
    tension_n: float | None = None
    gauges_in: tuple[float, ...] = ()
    wound: tuple[bool, ...] = ()
    pitches: tuple[str, ...] = ()
    over_top_at_join_mm: float | None = None


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
class Seen:
    """What a hygrometer in the room showed: on a day, or as a month's mean; either value may be missing."""

    months: tuple[int, ...]
    day: date | None
    relative_humidity_pct: float | None
    temperature_c: float | None
    tolerance_pct: float
    tolerance_k: float


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
class Humidifier:
    """A room humidifier. It runs when the room is below its set point, in the months named or, with none, in any."""

    setpoint_pct: float
    capacity_l_per_day: float
    months: tuple[int, ...]


@dataclass(frozen=True)
class Case:
    """A closed case: half-time of its answer to a step in room humidity; out_of_case_share is time spent outside it.

    leaky: warming dries the air in it, as it does the room's, only less; in a tight one the wood gives moisture off."""

    half_time_days: float
    out_of_case_share: float
    humidifier_pct: float | None
    humidifier_months: tuple[int, ...] = ()
    leaky: bool = False


@dataclass(frozen=True)
class Normals:
    """Twelve monthly means of outdoor air, January first, with the weather noise about them."""

    temperature_c: tuple[float, ...]
    relative_humidity_pct: tuple[float, ...]
    daily_range_c: tuple[float, ...]
    day_to_day_sd_c: float
    day_to_day_sd_pct: float
    persistence_days: float


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
class StringEvent:
    start: date
    strings_on: bool


@dataclass(frozen=True)
class Setup:
    """How the instrument left the bench. built_*: the air the body was closed in; strung: strings first at pitch."""

    strung: date
    setup: date
    built_relative_humidity_pct: float
    built_temperature_c: float
    action_12th_mm: float
    action_reading_sd_mm: float
    saddle_room_mm: float
    spacer: str


@dataclass(frozen=True)
class Rule:
    """When a regrade is due: action at the 12th fret outside these, or saddle room below, for this many days."""

    action_low_mm: float
    action_high_mm: float
    saddle_room_least_mm: float
    projection_tolerance_mm: float
    days_outside: int


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
