"""The shape of a scenario file: where an instrument lives from when on, how it left the bench, when to regrade."""

from __future__ import annotations

from datetime import date, timedelta
from itertools import pairwise

from pydantic import model_validator

from driftmodel.base.file_models import FileModel, day, key, over_keys
from driftmodel.base.limits import MOST_SEED


class StayFile(FileModel):
    start: date = day("2026-09-01", alias="from")
    climate: str = key('"cold_city_heated"')
    home: str | None = key('"heated flat"', None)


class EventFile(FileModel):
    start: date = day("2030-06-01", alias="from")
    strings_on: bool = key("false")


class SetupFile(FileModel):
    strung: date = day("2026-08-15")
    setup: date = day("2026-10-01")
    workshop_humidity_pct: float | None = key("45.0  # closed, set up and kept at it until it left", None, gt=1, le=95)
    built_relative_humidity_pct: float | None = key("45.0", None, gt=1, le=95)
    built_temperature_degc: float = key("21.0", 21.0, ge=0, le=40)
    action_12th_mm: float = key("2.2", gt=0.3, le=8)
    action_reading_sd_mm: float = key("0.05", ge=0, le=1)
    saddle_room_mm: float = key("2.0", ge=0, le=15)
    spacer: str = key('"E"')

    @model_validator(mode="after")
    def _closed_somewhere(self) -> SetupFile:
        if self.built_relative_humidity_pct is None and self.workshop_humidity_pct is None:
            raise over_keys(
                "no humidity the body was closed in",
                "workshop_humidity_pct (closed, set up and kept at it), or built_relative_humidity_pct",
                "spacer",
                "add the line  workshop_humidity_pct = 45.0",
            )
        return self


class RuleFile(FileModel):
    action_low_mm: float = key("1.7", gt=0, le=8)
    action_high_mm: float = key("2.7", gt=0, le=10)
    saddle_room_least_mm: float = key("0.5", ge=0, le=10)
    projection_tolerance_mm: float = key("1.5", gt=0, le=10)
    days_outside: int = key("60", ge=1, le=3650)

    @model_validator(mode="after")
    def _low_below_high(self) -> RuleFile:
        if self.action_low_mm >= self.action_high_mm:
            raise over_keys(
                f"action_low_mm {self.action_low_mm:g} and action_high_mm {self.action_high_mm:g}",
                "action_low_mm below action_high_mm",
                "action_low_mm",
                f"action_low_mm = {0.75 * self.action_high_mm:.2f}",
            )
        return self


class ScenarioFile(FileModel):
    title: str = key('"First winter"')
    summary: str = key('"A new guitar goes to a heated house."')
    invented: bool = key("false")
    instrument: str = key('"large_x_braced"')
    horizon_years: int = key("20", ge=1, le=60)
    draws: int = key("200", 200, ge=10, le=20000)
    seed: int = key("1", ge=0, le=MOST_SEED)
    hysteresis: bool = key("true", True)
    learned: str | None = key('"my-workshop/learned.toml"', None)
    weather_members: int = key("4", 4, ge=1, le=50)
    stay: list[StayFile] = key("[[stay]] with from = 2026-08-01 and climate = ...", min_length=1)
    event: list[EventFile] = key("[[event]]", default_factory=list)
    setup: SetupFile
    rule: RuleFile

    @model_validator(mode="after")
    def _dates_in_order(self) -> ScenarioFile:
        if self.setup.strung > self.setup.setup:
            raise over_keys(
                f"strung on {self.setup.strung}, set up on {self.setup.setup}",
                "strung on or before the day of set-up",
                "setup.strung",
                f"strung = {self.setup.setup}",
            )
        if self.stay[0].start > self.setup.strung and self.setup.workshop_humidity_pct is None:
            raise over_keys(
                f"the first stay starts on {self.stay[0].start}",
                f"a first stay that starts on or before the day the strings went on ({self.setup.strung})",
                "stay.0.from",
                f"from = {self.setup.strung}",
            )
        for number, (earlier, later) in enumerate(pairwise(self.stay), start=1):
            if later.start <= earlier.start:
                raise over_keys(
                    f"the stay from {later.start} stands after the one from {earlier.start}",
                    "stays in order of their dates, each later than the one before",
                    f"stay.{number}.from",
                    f"from = {earlier.start + timedelta(days=1)}",
                )
        low, high = self.rule.action_low_mm, self.rule.action_high_mm
        if not low <= self.setup.action_12th_mm <= high:
            raise over_keys(
                f"an action of {self.setup.action_12th_mm:g} mm at set-up",
                f"an action at set-up inside the rule's tolerance, {low:g} to {high:g} mm",
                "setup.action_12th_mm",
                f"action_12th_mm = {(low + high) / 2.0:.2f}",
            )
        return self
