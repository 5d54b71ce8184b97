"""The shape of a climate file: outdoor air and the room it goes through, or a logger; humidifier and case."""

from __future__ import annotations

from datetime import date as Date

from pydantic import field_validator, model_validator

from driftmodel.base.file_models import FileModel, key, over_keys


def _months(months: list[int]) -> list[int]:
    if any(month < 1 or month > 12 for month in months) or len(set(months)) != len(months):
        raise ValueError("months from 1 (January) to 12 (December), each once")
    return months


class NormalsFile(FileModel):
    temperature_degc: list[float] = key("[-4, -2, 4, 10, 16, 21, 24, 23, 18, 12, 5, -2]", min_length=12, max_length=12)
    relative_humidity_pct: list[float] = key(
        "[72, 70, 66, 62, 62, 64, 66, 68, 68, 66, 70, 74]", min_length=12, max_length=12
    )
    daily_range_degc: list[float] = key("[7, 8, 9, 11, 12, 11, 11, 11, 11, 11, 8, 7]", min_length=12, max_length=12)
    day_to_day_sd_k: float = key("3.5", ge=0, le=15)
    day_to_day_sd_pct: float = key("8.0", ge=0, le=25)
    persistence_days: float = key("3.0", gt=0, le=60)

    @field_validator("relative_humidity_pct")
    @classmethod
    def _is_percent(cls, values: list[float]) -> list[float]:
        if max(values) <= 1:
            raise ValueError("relative humidity in percent (65, not 0.65)")
        if min(values) < 0 or max(values) > 100:
            raise ValueError("relative humidity between 0 and 100 %")
        return values

    @field_validator("temperature_degc")
    @classmethod
    def _is_weather(cls, values: list[float]) -> list[float]:
        if min(values) < -60 or max(values) > 50:
            raise ValueError("monthly means between -60 and 50 degC (use temperature_degf for Fahrenheit)")
        return values


class LoggerKeys(FileModel):
    """How a logger's file is read, where it does not tell itself."""

    columns: dict[str, str] = key('{ temperature = "Temp (C)", relative_humidity = "RH (%)" }', default_factory=dict)
    time_zone: str | None = key('"America/Chicago"', None)
    day_first: bool | None = key("true", None)
    gap_policy: str | None = key('"interpolate"', None, pattern="^(interpolate|hold)$")
    gap_limit_days: float = key("7.0", 7.0, gt=0, le=3660)
    repeat_years: bool = key("true", False)


class LoggerFile(LoggerKeys):
    file: str = key('"my_room.csv"')


class OutdoorFile(LoggerKeys):
    weather_file: str | None = key('"../weather/chicago.csv"', None)
    logger_file: str | None = key('"outdoor.csv"', None)
    normals: NormalsFile | None = None
    year_to_year_sd_k: float = key("1.2", 1.2, ge=0, le=5)
    year_to_year_sd_pct: float = key("3.0", 3.0, ge=0, le=15)

    @model_validator(mode="after")
    def _one_source(self) -> OutdoorFile:
        given = [name for name in ("weather_file", "logger_file", "normals") if getattr(self, name) is not None]
        if len(given) != 1:
            raise over_keys(
                " and ".join(given) + " given" if given else "no source of outdoor air",
                "exactly one of weather_file, logger_file and normals",
                given[-1] if given else "weather_file",
                f"delete {given[-1]}" if given else 'weather_file = "../weather/chicago.csv"',
            )
        return self


#: what may be unknown of a room
ROOM_UNKNOWNS = ("excess_cold", "excess_warm", "summer_warmth", "heating_set_point")


class SeenFile(FileModel):
    """A hygrometer's reading: of a day, or the mean of months."""

    date: Date | None = key("2026-01-15", None)
    months: list[int] = key("[1, 2]", default_factory=list)
    relative_humidity_pct: float | None = key("34.0", None, ge=5, le=100)
    temperature_degc: float | None = key("21.0", None, ge=-10, le=45)
    tolerance_pct: float = key("4.0", 4.0, gt=0, le=30)
    tolerance_k: float = key("1.0", 1.0, gt=0, le=10)

    _real = field_validator("months")(_months)

    @model_validator(mode="after")
    def _says_something(self) -> SeenFile:
        if (self.date is None) == (not self.months):
            raise over_keys(
                "a hygrometer's reading " + ("of no time" if self.date is None else "of a date and of months"),
                "either the date of the reading or the months it is the mean of",
                "date",
                "date = 2026-01-15, and no months",
            )
        if self.relative_humidity_pct is None and self.temperature_degc is None:
            raise over_keys(
                "a hygrometer's reading of nothing",
                "relative_humidity_pct, temperature_degc or both",
                "relative_humidity_pct",
                "relative_humidity_pct = 34.0",
            )
        return self


class RoomFile(FileModel):
    """All keys may be left out: the median house."""

    home: str | None = key('"heated flat"', None)
    excess_cold_g_m3: float | None = key("2.3", None, ge=0, le=20)
    excess_warm_g_m3: float | None = key("0.5", None, ge=0, le=20)
    volume_m3: float | None = key("220.0", None, gt=5, le=100000)
    air_changes_per_hour: float | None = key("0.44", None, gt=0.01, le=20)
    moisture_source_kg_per_day: float | None = key("5.4", None, ge=0, le=200)
    heated: bool | None = key("false", None)
    heating_setpoint_degc: float | None = key("21.0", None, ge=0, le=30)
    night_setback_k: float | None = key("3.0", None, ge=0, le=10)
    cooling_setpoint_degc: float | None = key("25.0", None, ge=15, le=35)
    dehumidified_to_pct: float | None = key("60.0", None, ge=20, le=90)
    summer_warmth: float | None = key("1.0", None, ge=0, le=3)
    log_sd: dict[str, float] = key("{ excess_cold = 0.15 }", default_factory=dict)
    seen: list[SeenFile] = key("[{ months = [1], relative_humidity_pct = 34.0 }]", default_factory=list)

    @model_validator(mode="after")
    def _agrees_with_itself(self) -> RoomFile:
        heat, cool = self.heating_setpoint_degc, self.cooling_setpoint_degc
        if self.heated is False and (heat is not None or self.night_setback_k):
            raise over_keys(
                "heated = false and a heating set point",
                "one of the two",
                "heated",
                "heated = true",
            )
        if heat is not None and cool is not None and heat >= cool:
            raise over_keys(
                f"heated to {heat:g} degC and cooled to {cool:g} degC",
                "a heating set point below the cooling set point",
                "heating_setpoint_degc",
                f"heating_setpoint_degc = {cool - 2.0:g}",
            )
        for name, spread in self.log_sd.items():
            if name not in ROOM_UNKNOWNS or not 0.0 <= spread <= 2.0:
                raise over_keys(
                    f"a spread of {name} of {spread:g}",
                    f"a spread of {', '.join(ROOM_UNKNOWNS)}, from 0 to 2",
                    f"log_sd.{name}",
                    "log_sd = { excess_cold = 0.15 }",
                )
        made_of = (self.volume_m3, self.air_changes_per_hour, self.moisture_source_kg_per_day)
        if self.excess_cold_g_m3 is not None and None not in made_of:
            parts = "volume_m3, air_changes_per_hour and moisture_source_kg_per_day"
            raise over_keys(
                "an excess and all that makes it",
                f"excess_cold_g_m3, or {parts}, not all",
                "excess_cold_g_m3",
                "delete the line excess_cold_g_m3 = ...",
            )
        return self


class HumidifierFile(FileModel):
    setpoint_pct: float = key("45.0", ge=10, le=80)
    capacity_l_per_day: float = key("10.0", gt=0, le=500)
    months: list[int] = key("[10, 11, 12, 1, 2, 3, 4]", default_factory=list)

    _real = field_validator("months")(_months)


class CaseFile(FileModel):
    half_time_days: float = key("7.0", gt=0, le=1000)
    out_of_case_share: float = key("0.1", ge=0, le=1)
    humidifier_pct: float | None = key("45.0", None, ge=10, le=75)
    humidifier_months: list[int] = key("[11, 12, 1, 2, 3]", default_factory=list)
    leaky: bool = key("true", False)

    _real = field_validator("humidifier_months")(_months)


class ClimateFile(FileModel):
    title: str = key('"Heated house in a cold continental city"', "")
    invented: bool = key("false", False)
    outdoor: OutdoorFile | None = None
    room: RoomFile | None = None
    logger: LoggerFile | None = None
    humidifier: HumidifierFile | None = None
    case: CaseFile | None = None

    @model_validator(mode="after")
    def _one_air(self) -> ClimateFile:
        if self.logger is not None and (self.outdoor or self.room or self.humidifier):
            raise over_keys(
                "[logger] beside [outdoor], [room] or [humidifier]",
                "either [logger] (measured indoor air), or [outdoor] with [room]",
                "logger",
                "delete the table [logger], or all of the others",
            )
        if self.logger is None and self.outdoor is None:
            raise over_keys(
                "no air at all", "[outdoor] with [room], or [logger]", "outdoor",
                '[outdoor] with weather_file = "../weather/chicago.csv"',
            )  # fmt: skip
        if self.humidifier is not None and self.room is None:
            raise over_keys(
                "a [humidifier] and no [room]", "a room for the humidifier to stand in", "humidifier",
                "add the table [room]",
            )  # fmt: skip
        return self
