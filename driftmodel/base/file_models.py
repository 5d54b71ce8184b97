"""The shape of instrument, climate and scenario files: strict, extra keys forbidden, used only at the file edge."""

from __future__ import annotations

from datetime import date
from itertools import pairwise
from typing import Any

from pydantic import BaseModel, ConfigDict, Field, field_validator, model_validator


def _f(example: str, default: Any = ..., **limits: Any) -> Any:
    """A field with an example line for the message that mends it."""
    return Field(default, examples=[example], **limits)


def _length(example: str, most: float = 2000.0) -> Any:
    return _f(example, gt=0, le=most)


def _month_list(example: str, default: Any = ...) -> Any:
    return _f(example, default)


class FileModel(BaseModel):
    model_config = ConfigDict(strict=True, extra="forbid", frozen=True, allow_inf_nan=False)


def _months(months: list[int]) -> list[int]:
    if any(month < 1 or month > 12 for month in months) or len(set(months)) != len(months):
        raise ValueError("months from 1 (January) to 12 (December), each once")
    return months


def _points(points: list[list[float]], least: int) -> list[list[float]]:
    if len(points) < least or any(len(point) != 2 for point in points):
        raise ValueError(f"at least {least} points of the form [x, y]")
    return points


# ---------------------------------------------------------------- instrument


class BraceFile(FileModel):
    name: str = _f('"x brace, bass to treble"')
    wood: str = _f('"sitka spruce"')
    path_mm: list[list[float]] = _f("[[85, -140], [430, 165]]")
    width_mm: float = _length("8.0", 60)
    height_mm: float = _length("15.0", 60)
    end_height_mm: float = _length("3.0", 60)
    end_taper_mm: float = _f("60.0", ge=0, le=300)

    _two = field_validator("path_mm")(lambda points: _points(points, 2))

    @model_validator(mode="after")
    def _ends_lower(self) -> BraceFile:
        if self.end_height_mm > self.height_mm:
            raise ValueError(f"end_height_mm ({self.end_height_mm:g}) no larger than height_mm ({self.height_mm:g})")
        return self


class PlateFile(FileModel):
    wood: str = _f('"sitka spruce"')
    thickness_mm: float = _f("2.8", gt=0.5, le=10)
    dome_radius_mm: float = _f("8500.0  # 0 for a flat plate", ge=0)
    ring_angle_deg: float = _f("0.0  # 0 quarter-sawn, 90 flat-sawn", ge=0, le=90)
    finish_outside: str = _f('"nitrocellulose lacquer"')
    finish_inside: str = _f('"bare"')
    braces: list[BraceFile] = _f("[]  # or [[body.top.braces]] tables")
    hole_centre_mm: list[float] | None = _f("[155, 0]", None, min_length=2, max_length=2)
    hole_diameter_mm: float = _f("100.0", 0.0, ge=0, le=200)

    @field_validator("dome_radius_mm")
    @classmethod
    def _domed_or_flat(cls, radius: float) -> float:
        if 0 < radius < 1000:
            raise ValueError("0 (flat), or a dome radius of at least 1000 mm")
        return radius

    @model_validator(mode="after")
    def _whole_hole(self) -> PlateFile:
        if (self.hole_centre_mm is None) != (self.hole_diameter_mm == 0):
            raise ValueError("hole_centre_mm and hole_diameter_mm together, or neither")
        return self


class SidesFile(FileModel):
    wood: str = _f('"honduran mahogany"')
    thickness_mm: float = _f("2.3", gt=0.5, le=10)
    depth_neck_mm: float = _length("100.0", 300)
    depth_tail_mm: float = _length("120.0", 300)
    lining_width_mm: float = _length("6.0", 30)
    lining_height_mm: float = _length("14.0", 40)
    lining_wood: str = _f('"basswood"')


class BlockFile(FileModel):
    wood: str = _f('"honduran mahogany"')
    length_mm: float = _length("55.0", 150)
    half_width_mm: float = _length("38.0", 120)


class BridgeFile(FileModel):
    wood: str = _f('"east indian rosewood"')
    front_mm: float = _length("277.0")
    back_mm: float = _length("307.0")
    half_length_mm: float = _length("76.0", 200)
    thickness_mm: float = _length("8.5", 30)
    saddle_mm: float = _length("287.3")
    plate_wood: str = _f('"sugar maple"')
    plate_thickness_mm: float = _length("2.5", 10)
    plate_half_length_mm: float = _length("80.0", 200)

    @model_validator(mode="after")
    def _in_order(self) -> BridgeFile:
        if not self.front_mm <= self.saddle_mm <= self.back_mm:
            raise ValueError("front_mm <= saddle_mm <= back_mm, all measured from the body join")
        return self


class BodyFile(FileModel):
    outline_mm: list[list[float]] = _f("[[0, 60], [250, 140], [500, 55]]  # x from the join, half width")
    top: PlateFile
    back: PlateFile
    sides: SidesFile
    neck_block: BlockFile
    tail_block: BlockFile
    bridge: BridgeFile

    @field_validator("outline_mm")
    @classmethod
    def _runs_to_tail(cls, points: list[list[float]]) -> list[list[float]]:
        _points(points, 4)
        if any(later[0] <= earlier[0] for earlier, later in pairwise(points)):
            raise ValueError("outline points whose x grows from the body join to the tail")
        if points[0][0] != 0 or any(half <= 0 for _, half in points):
            raise ValueError("an outline that starts at x = 0 with half widths above 0")
        return points

    @model_validator(mode="after")
    def _bridge_on_top(self) -> BodyFile:
        if self.bridge.back_mm >= self.outline_mm[-1][0]:
            raise ValueError(f"a bridge in front of the tail (x below {self.outline_mm[-1][0]:g} mm)")
        return self


class NeckFile(FileModel):
    wood: str = _f('"honduran mahogany"')
    fingerboard_wood: str = _f('"east indian rosewood"')
    width_nut_mm: float = _length("44.0", 100)
    width_body_mm: float = _length("56.0", 120)
    depth_nut_mm: float = _length("14.5", 60)
    depth_body_mm: float = _length("17.5", 60)
    fingerboard_thickness_mm: float = _length("6.0", 15)
    ring_angle_deg: float = _f("20.0", ge=0, le=90)
    finish: str = _f('"nitrocellulose lacquer"')
    fingerboard_finish: str = _f('"bare"')


class StringsFile(FileModel):
    scale_mm: float = _f("645.0", ge=300, le=1200)
    tension_n: float | None = _f("750.0", None, gt=50, le=3000)
    gauges_in: list[float] | None = _f("[0.012, 0.016, 0.024, 0.032, 0.042, 0.053]", None)
    wound: list[bool] | None = _f("[false, false, true, true, true, true]", None)
    pitches: list[str] | None = _f('["E4", "B3", "G3", "D3", "A2", "E2"]', None)

    @model_validator(mode="after")
    def _pull_is_known(self) -> StringsFile:
        sets = [self.gauges_in, self.wound, self.pitches]
        if self.tension_n is not None and all(item is None for item in sets):
            return self
        if self.tension_n is None and self.gauges_in and self.wound and self.pitches:
            if not len(self.gauges_in) == len(self.wound) == len(self.pitches):
                raise ValueError("gauges_in, wound and pitches of one length, a value for each string")
            if any(not 0.005 <= gauge <= 0.2 for gauge in self.gauges_in):
                raise ValueError("gauges_in in inches between 0.005 and 0.2 (0.012, not 12)")
            return self
        raise ValueError("either tension_n, or all three of gauges_in, wound and pitches")


class JointFile(FileModel):
    body_fret: int = _f("14", ge=8, le=24)
    spacer_length_mm: float = _length("75.0", 200)
    tongue_length_mm: float = _length("110.0", 200)
    spacers: dict[str, float] = _f("{ D = -0.05, E = 0.0, F = 0.05 }  # label = taper in mm")

    @field_validator("spacers")
    @classmethod
    def _has_zero(cls, spacers: dict[str, float]) -> dict[str, float]:
        if 0.0 not in spacers.values():
            raise ValueError("a spacer set with one spacer of taper 0, the straight one")
        if len(set(spacers.values())) != len(spacers):
            raise ValueError("spacers whose tapers all differ")
        if any(abs(taper) > 3 for taper in spacers.values()):
            raise ValueError("tapers between -3 and 3 mm")
        return spacers


class InstrumentFile(FileModel):
    title: str = _f('"Large flat-top, bench no. 7"')
    invented: bool = _f("false")
    strings: StringsFile
    joint: JointFile
    body: BodyFile
    neck: NeckFile


# ---------------------------------------------------------------- climate


class NormalsFile(FileModel):
    temperature_degc: list[float] = _f("[-4, -2, 4, 10, 16, 21, 24, 23, 18, 12, 5, -2]", min_length=12, max_length=12)
    relative_humidity_pct: list[float] = _f(
        "[72, 70, 66, 62, 62, 64, 66, 68, 68, 66, 70, 74]", min_length=12, max_length=12
    )
    daily_range_degc: list[float] = _f("[7, 8, 9, 11, 12, 11, 11, 11, 11, 11, 8, 7]", min_length=12, max_length=12)
    day_to_day_sd_k: float = _f("3.5", ge=0, le=15)
    day_to_day_sd_pct: float = _f("8.0", ge=0, le=25)
    persistence_days: float = _f("3.0", gt=0, le=60)

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


class OutdoorFile(FileModel):
    weather_file: str | None = _f('"../weather/chicago.csv"', None)
    normals: NormalsFile | None = None
    year_to_year_sd_k: float = _f("1.2", ge=0, le=5)
    year_to_year_sd_pct: float = _f("3.0", ge=0, le=15)

    @model_validator(mode="after")
    def _one_source(self) -> OutdoorFile:
        if (self.weather_file is None) == (self.normals is None):
            raise ValueError("exactly one of weather_file and normals")
        return self


class RoomFile(FileModel):
    volume_m3: float = _f("300.0", gt=5, le=100000)
    air_changes_per_hour: float = _f("0.5", gt=0.01, le=20)
    moisture_source_kg_per_day: float = _f("5.4", ge=0, le=200)
    heating_setpoint_degc: float | None = _f("21.0", None, ge=0, le=30)
    cooling_setpoint_degc: float | None = _f("25.0", None, ge=15, le=35)
    dehumidified_to_pct: float | None = _f("60.0", None, ge=20, le=90)
    buffer_hours: float = _f("12.0", ge=0, le=500)

    @model_validator(mode="after")
    def _heated_below_cooled(self) -> RoomFile:
        heat, cool = self.heating_setpoint_degc, self.cooling_setpoint_degc
        if heat is not None and cool is not None and heat >= cool:
            raise ValueError("a heating set point below the cooling set point")
        return self


class HumidifierFile(FileModel):
    setpoint_pct: float = _f("45.0", ge=10, le=80)
    capacity_l_per_day: float = _f("10.0", gt=0, le=500)
    months: list[int] = _f("[10, 11, 12, 1, 2, 3, 4]")

    _real = field_validator("months")(_months)


class CaseFile(FileModel):
    half_time_days: float = _f("7.0", gt=0, le=1000)
    out_of_case_share: float = _f("0.1", ge=0, le=1)
    humidifier_pct: float | None = _f("45.0", None, ge=10, le=75)
    humidifier_months: list[int] = _f("[11, 12, 1, 2, 3]", default_factory=list)

    _real = field_validator("humidifier_months")(_months)


class LoggerFile(FileModel):
    file: str = _f('"my_room.csv"')
    columns: dict[str, str] = _f('{ temperature = "Temp (C)", relative_humidity = "RH (%)" }', default_factory=dict)
    time_zone: str | None = _f('"America/Chicago"', None)
    gap_policy: str | None = _f('"interpolate"', None, pattern="^(interpolate|hold)$")
    repeat_years: bool = _f("true", False)


class ClimateFile(FileModel):
    title: str = _f('"Heated house in a cold continental city"')
    invented: bool = _f("false")
    outdoor: OutdoorFile | None = None
    room: RoomFile | None = None
    logger: LoggerFile | None = None
    humidifier: HumidifierFile | None = None
    case: CaseFile | None = None

    @model_validator(mode="after")
    def _one_air(self) -> ClimateFile:
        if self.logger is not None and (self.outdoor or self.room or self.humidifier):
            raise ValueError("either [logger] (measured indoor air), or [outdoor] with [room]; not both")
        if self.logger is None and self.outdoor is None:
            raise ValueError("[outdoor] with [room], or [logger]")
        if self.humidifier is not None and self.room is None:
            raise ValueError("a [room] for the [humidifier] to stand in")
        return self


# ---------------------------------------------------------------- scenario


class StayFile(FileModel):
    start: date = _f("2026-09-01", alias="from")
    climate: str = _f('"cold_city_heated"')


class EventFile(FileModel):
    start: date = _f("2030-06-01", alias="from")
    strings_on: bool = _f("false")


class SetupFile(FileModel):
    strung: date = _f("2026-08-15")
    setup: date = _f("2026-10-01")
    built_relative_humidity_pct: float = _f("45.0", gt=1, le=95)
    built_temperature_degc: float = _f("21.0", ge=0, le=40)
    action_12th_mm: float = _f("2.2", gt=0.3, le=8)
    action_reading_sd_mm: float = _f("0.05", ge=0, le=1)
    saddle_room_mm: float = _f("2.0", ge=0, le=15)
    spacer: str = _f('"E"')


class RuleFile(FileModel):
    action_low_mm: float = _f("1.7", gt=0, le=8)
    action_high_mm: float = _f("2.7", gt=0, le=10)
    saddle_room_least_mm: float = _f("0.5", ge=0, le=10)
    projection_tolerance_mm: float = _f("1.5", gt=0, le=10)
    days_outside: int = _f("60", ge=1, le=3650)

    @model_validator(mode="after")
    def _low_below_high(self) -> RuleFile:
        if self.action_low_mm >= self.action_high_mm:
            raise ValueError("action_low_mm below action_high_mm")
        return self


class ScenarioFile(FileModel):
    title: str = _f('"First winter"')
    summary: str = _f('"A new guitar goes to a heated house."')
    invented: bool = _f("false")
    instrument: str = _f('"large_x_braced"')
    horizon_years: int = _f("20", ge=1, le=60)
    draws: int = _f("200", 200, ge=10, le=20000)
    seed: int = _f("1", ge=0)
    hysteresis: bool = _f("true", True)
    weather_members: int = _f("4", 4, ge=1, le=50)
    stay: list[StayFile] = _f("[[stay]] with from = 2026-08-01 and climate = ...", min_length=1)
    event: list[EventFile] = _f("[[event]]", default_factory=list)
    setup: SetupFile
    rule: RuleFile

    @model_validator(mode="after")
    def _dates_in_order(self) -> ScenarioFile:
        if self.setup.strung > self.setup.setup:
            raise ValueError("strung on or before the day of set-up")
        if self.stay[0].start > self.setup.strung:
            raise ValueError(f"a first stay that starts on or before the day the strings went on ({self.setup.strung})")
        if any(later.start <= earlier.start for earlier, later in pairwise(self.stay)):
            raise ValueError("stays in order of their dates, each later than the one before")
        low, high = self.rule.action_low_mm, self.rule.action_high_mm
        if not low <= self.setup.action_12th_mm <= high:
            raise ValueError(f"an action at set-up inside the rule's tolerance, {low:g} to {high:g} mm")
        return self
