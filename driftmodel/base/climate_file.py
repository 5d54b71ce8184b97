"""The shape of a climate file: outdoor air and the room it goes through, or a logger; humidifier and case."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date as Date
from typing import Annotated, Any

from pydantic import field_validator

from driftmodel.base.file_models import INVENTED, TITLE, Faults, FileModel, Noun, Pairs, key, record_of


def _months(months: tuple[int, ...]) -> tuple[int, ...]:
    if any(month < 1 or month > 12 for month in months) or len(set(months)) != len(months):
        raise ValueError("months from 1 (January) to 12 (December), each once")
    return months


def monthly(example: str, words: str, **more: Any) -> Any:
    """A key of twelve values, January first."""
    return key(f"[{example}]", words, min_length=12, max_length=12, **more)


@dataclass(frozen=True)
class Normals(Noun):
    """Twelve monthly means of outdoor air, January first, with the weather noise about them."""

    temperature_c: Annotated[
        tuple[float, ...],
        monthly("-4, -2, 4, 10, 16, 21, 24, 23, 18, 12, 5, -2", "mean outdoor temperature of each month, January first",
                alias="temperature_degc"),
    ]  # fmt: skip
    relative_humidity_pct: Annotated[
        tuple[float, ...],
        monthly("72, 70, 66, 62, 62, 64, 66, 68, 68, 66, 70, 74", "mean outdoor humidity of each month"),
    ]
    daily_range_c: Annotated[
        tuple[float, ...],
        monthly("7, 8, 9, 11, 12, 11, 11, 11, 11, 11, 8, 7", "warmest less coldest hour of a day, each month",
                alias="daily_range_degc"),
    ]  # fmt: skip
    day_to_day_sd_c: Annotated[
        float,
        key("3.5", "how days differ in temperature, one standard deviation", ge=0, le=15, alias="day_to_day_sd_k"),
    ]
    day_to_day_sd_pct: Annotated[float, key("8.0", "how days differ in humidity", ge=0, le=25)]
    persistence_days: Annotated[float, key("3.0", "how long such a difference lasts", gt=0, le=60)]

    @field_validator("relative_humidity_pct")
    @classmethod
    def _is_percent(cls, values: tuple[float, ...]) -> tuple[float, ...]:
        if max(values) <= 1:
            raise ValueError("relative humidity in percent (65, not 0.65)")
        if min(values) < 0 or max(values) > 100:
            raise ValueError("relative humidity between 0 and 100 %")
        return values

    @field_validator("temperature_c")
    @classmethod
    def _is_weather(cls, values: tuple[float, ...]) -> tuple[float, ...]:
        if min(values) < -60 or max(values) > 50:
            raise ValueError("monthly means between -60 and 50 degC (use temperature_degf for Fahrenheit)")
        return values


@dataclass(frozen=True, kw_only=True)
class LoggerKeys(Noun):
    """How a logger's file is read, where it does not tell itself. gap_policy: None refuses gaps; those filled are of at
    most gap_limit_days, and flagged. columns: header texts by role."""

    columns: Annotated[
        Pairs[str],
        key(
            '{ temperature = "Temp (C)", relative_humidity = "RH (%)" }',
            "headers of time, temperature, relative_humidity, where they do not tell themselves",
        ),
    ] = ()
    time_zone: Annotated[str | None, key('"America/Chicago"', "zone of the logger's clock")] = None
    day_first: Annotated[bool | None, key("true", "whether 03/04 is the third of April")] = None
    gap_policy: Annotated[
        str | None,
        key('"interpolate"', "how gaps are filled; refused where none is named", pattern="^(interpolate|hold)$"),
    ] = None
    gap_limit_days: Annotated[float, key("7.0", "longest gap that is filled", gt=0, le=3660)] = 7.0
    repeat_years: Annotated[bool, key("true", "whether the record's years come again past its end")] = False


@dataclass(frozen=True, kw_only=True)
class Logger(LoggerKeys):
    """A measured record of air."""

    file: Annotated[str, key('"my_room.csv"', "the logger's file, seen from this file's folder")]


@dataclass(frozen=True, kw_only=True)
class OutdoorTable(LoggerKeys):
    """Where outdoor air comes from: exactly one of weather_file, normals and logger_file (measured, with its dates)."""

    weather_file: Annotated[
        str | None, key('"../weather/chicago.csv"', "a typical year of hourly weather, seen from this file's folder")
    ] = None
    logger_file: Annotated[str | None, key('"outdoor.csv"', "measured outdoor air")] = None
    normals: Normals | None = None
    year_to_year_sd_c: Annotated[
        float, key("1.2", "how months differ from year to year in temperature", ge=0, le=5, alias="year_to_year_sd_k")
    ] = 1.2
    year_to_year_sd_pct: Annotated[float, key("3.0", "and in humidity", ge=0, le=15)] = 3.0

    @property
    def logger(self) -> Logger | None:
        """The measured record and how it is read, where outdoor air is one."""
        return None if self.logger_file is None else record_of(Logger, self, file=self.logger_file)

    def faults(self) -> Faults:
        given = [name for name in ("weather_file", "logger_file", "normals") if getattr(self, name) is not None]
        if len(given) != 1:
            yield (
                given[-1] if given else "weather_file",
                f"{' and '.join(given) + ' given' if given else 'no source of outdoor air'}. Needed: exactly one of "
                "weather_file, logger_file and normals. Mend: "
                + (f"delete {given[-1]}" if given else 'weather_file = "../weather/chicago.csv"'),
            )


@dataclass(frozen=True, kw_only=True)
class Outdoor(OutdoorTable):
    """Outdoor air, every hour warmer_k warmer and drier_pct points of relative humidity drier than its file says: a
    what-if."""

    warmer_k: float = 0.0
    drier_pct: float = 0.0


#: what may be unknown of a room: name -> the number whose spread it has where its owner does not say
ROOM_UNKNOWNS = {
    "excess_cold": "room_excess_cold",
    "excess_warm": "room_excess_warm",
    "summer_warmth": "room_summer_slope",
    "heating_set_point": "room_heating_set_point",
}


@dataclass(frozen=True)
class Seen(Noun):
    """What a hygrometer in the room showed: on a day, or as the mean of months; either value may be missing."""

    months: Annotated[tuple[int, ...], key("[1, 2]", "months a hygrometer's mean is of")] = ()
    day: Annotated[Date | None, key("2026-01-15", "day of a hygrometer's reading", alias="date")] = None
    relative_humidity_pct: Annotated[float | None, key("34.0", "humidity it showed", ge=5, le=100)] = None
    temperature_c: Annotated[
        float | None, key("21.0", "temperature it showed", ge=-10, le=45, alias="temperature_degc")
    ] = None
    tolerance_pct: Annotated[float, key("4.0", "how well it shows humidity", gt=0, le=30)] = 4.0
    tolerance_k: Annotated[float, key("1.0", "and temperature", gt=0, le=10)] = 1.0

    _real = field_validator("months")(_months)

    def faults(self) -> Faults:
        if (self.day is None) == (not self.months):
            yield (
                "date",
                f"a hygrometer's reading {'of no time' if self.day is None else 'of a date and of months'}. Needed: "
                "either the date of the reading or the months it is the mean of. "
                "Mend: date = 2026-01-15, and no months",
            )
        if self.relative_humidity_pct is None and self.temperature_c is None:
            yield (
                "relative_humidity_pct",
                "a hygrometer's reading of nothing. Needed: relative_humidity_pct, temperature_degc or both. "
                "Mend: relative_humidity_pct = 34.0",
            )


class RoomFile(FileModel):
    """All keys may be left out: the median house."""

    home: str | None = key('"heated flat"', "kind of home, as shipped homes are called", None)
    excess_cold_g_m3: float | None = key(
        "2.3", "vapour indoors over outdoors while it is cold outside", None, ge=0, le=20
    )
    excess_warm_g_m3: float | None = key("0.5", "and while it is warm", None, ge=0, le=20)
    volume_m3: float | None = key("220.0", "volume of the home", None, gt=5, le=100000)
    air_changes_per_hour: float | None = key("0.44", "how often its air is changed", None, gt=0.01, le=20)
    moisture_source_kg_per_day: float | None = key(
        "5.4", "water that people, plants and cooking give off", None, ge=0, le=200
    )
    heated: bool | None = key("false", "false for a home without heating", None)
    heating_setpoint_degc: float | None = key("21.0", "temperature it is heated to", None, ge=0, le=30)
    night_setback_k: float | None = key("3.0", "how much less at night", None, ge=0, le=10)
    cooling_setpoint_degc: float | None = key(
        "25.0", "temperature it is cooled to; without it, not cooled", None, ge=15, le=35
    )
    dehumidified_to_pct: float | None = key("60.0", "humidity a dehumidifier holds", None, ge=20, le=90)
    summer_warmth: float | None = key(
        "1.0", "how much warmer than outdoors it is in summer, times the usual", None, ge=0, le=3
    )
    log_sd: dict[str, float] = key(
        "{ excess_cold = 0.15 }",
        "how well this home's numbers are known, in place of the spread of homes",
        default_factory=dict,
    )
    seen: list[Seen] = key("[{ months = [1], relative_humidity_pct = 34.0 }]", "", default_factory=list)

    def faults(self) -> Faults:
        heat, cool = self.heating_setpoint_degc, self.cooling_setpoint_degc
        if self.heated is False and (heat is not None or self.night_setback_k):
            yield ("heated", "heated = false and a heating set point. Needed: one of the two. Mend: heated = true")
        if heat is not None and cool is not None and heat >= cool:
            yield (
                "heating_setpoint_degc",
                f"heated to {heat:g} degC and cooled to {cool:g} degC. Needed: a heating set point below the cooling "
                f"set point. Mend: heating_setpoint_degc = {cool - 2.0:g}",
            )
        for name, spread in self.log_sd.items():
            if name not in ROOM_UNKNOWNS or not 0.0 <= spread <= 2.0:
                yield (
                    f"log_sd.{name}",
                    f"a spread of {name} of {spread:g}. Needed: a spread of {', '.join(ROOM_UNKNOWNS)}, from 0 to 2. "
                    "Mend: log_sd = { excess_cold = 0.15 }",
                )
        made_of = (self.volume_m3, self.air_changes_per_hour, self.moisture_source_kg_per_day)
        if self.excess_cold_g_m3 is not None and None not in made_of:
            parts = "volume_m3, air_changes_per_hour and moisture_source_kg_per_day"
            yield (
                "excess_cold_g_m3",
                f"an excess and all that makes it. Needed: excess_cold_g_m3, or {parts}, not all. "
                "Mend: delete the line excess_cold_g_m3 = ...",
            )


@dataclass(frozen=True)
class Humidifier(Noun):
    """A room humidifier. It runs when the room is below its set point, in the months named or, with none, in any."""

    setpoint_pct: Annotated[float, key("45.0", "humidity the humidifier holds", ge=10, le=80)]
    capacity_l_per_day: Annotated[float, key("10.0", "water it can give off", gt=0, le=500)]
    months: Annotated[tuple[int, ...], key("[10, 11, 12, 1, 2, 3, 4]", "months it is on; all where none is named")] = ()

    _real = field_validator("months")(_months)


@dataclass(frozen=True)
class Case(Noun):
    """A closed case: half-time of its answer to a step in room humidity; out_of_case_share is time spent outside it.

    leaky: warming dries the air in it, as it does the room's, only less; in a tight one the wood gives moisture off."""

    half_time_days: Annotated[float, key("7.0", "how long the case takes for half of a change", gt=0, le=1000)]
    out_of_case_share: Annotated[float, key("0.1", "share of the time the instrument is out of it", ge=0, le=1)]
    humidifier_pct: Annotated[float | None, key("45.0", "humidity a humidifier in the case holds", ge=10, le=75)] = None
    humidifier_months: Annotated[tuple[int, ...], key("[11, 12, 1, 2, 3]", "months that one is kept filled")] = ()
    leaky: Annotated[bool, key("true", "true for a case that closes badly")] = False

    _real = field_validator("humidifier_months")(_months)


@dataclass(frozen=True, kw_only=True)
class ClimateTable(Noun):
    """What a climate's file and its record both say."""

    title: Annotated[str, key('"Heated house in a cold continental city"', TITLE)] = ""
    invented: Annotated[bool, key("false", INVENTED)] = False
    logger: Logger | None = None
    humidifier: Humidifier | None = None
    case: Case | None = None


@dataclass(frozen=True, kw_only=True)
class ClimateFile(ClimateTable):
    outdoor: OutdoorTable | None = None
    room: RoomFile | None = None

    def faults(self) -> Faults:
        if self.logger is not None and (self.outdoor or self.room or self.humidifier):
            yield (
                "logger",
                "[logger] beside [outdoor], [room] or [humidifier]. Needed: either [logger] (measured indoor air), or "
                "[outdoor] with [room]. Mend: delete the table [logger], or all of the others",
            )
        if self.logger is None and self.outdoor is None:
            yield (
                "outdoor",
                "no air at all. Needed: [outdoor] with [room], or [logger]. "
                'Mend: [outdoor] with weather_file = "../weather/chicago.csv"',
            )
        if self.humidifier is not None and self.room is None:
            yield (
                "humidifier",
                "a [humidifier] and no [room]. Needed: a room for the humidifier to stand in. "
                "Mend: add the table [room]",
            )
