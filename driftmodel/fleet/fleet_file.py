"""The shape of a fleet file (TOML): strict, extra keys forbidden; it names the tables, designs, regions and habits."""

from __future__ import annotations

from datetime import date
from typing import Any

from pydantic import Field, field_validator, model_validator

from driftmodel.base.file_models import FileModel, day
from driftmodel.base.limits import MOST_SEED


def _f(example: str, default: Any = ..., **limits: Any) -> Any:
    return Field(default, examples=[example], **limits)


class FilesFile(FileModel):
    units: str = _f('"units.csv"')
    claims: str | None = _f('"claims.csv"', None)
    plan: str | None = _f('"plan.csv"', None)
    rates: str = _f('"rates.csv"')


class DesignFile(FileModel):
    scenario: str = _f('"first-winter"')


class RegionFile(FileModel):
    climates: dict[str, str] = _f('{ open = "cold_city_heated", cased = "cold_city_in_case" }', min_length=1)
    seasonal_complaints_per_thousand: list[float] = _f(
        "[2.0, 2.0, 1.0, 0.5, 0.2, 0.2, 0.2, 0.2, 0.2, 0.5, 1.0, 2.0]", min_length=12, max_length=12
    )

    @field_validator("seasonal_complaints_per_thousand")
    @classmethod
    def _is_rate(cls, rates: list[float]) -> list[float]:
        if min(rates) < 0 or max(rates) > 1000:
            raise ValueError("complaints a month per thousand units, January first, each between 0 and 1000")
        return rates


class HabitsFile(FileModel):
    """How owners and benches behave: common practice, no source, until claims say otherwise."""

    report_lag_shares: list[float] = _f(
        "[0.3, 0.25, 0.2, 0.15, 0.1]  # reported 0, 1, 2 ... months after", min_length=1
    )
    report_lag_worth: float = _f("20.0  # the shares above are held as firmly as so many claims", 20.0, gt=0, le=1e6)
    end_of_cover_share: float = _f(
        "0.2  # of owners in cover, wait with a report until their cover ends", 0.0, ge=0, le=1
    )
    end_of_cover_months: int = _f("3  # and then report in its last so many months", 3, ge=1, le=24)
    end_of_cover_worth: float = _f("20.0  # the share above is held as firmly as so many claims", 20.0, gt=0, le=1e6)
    rates_worth: float = _f(
        "20.0  # hours and cost of the rates are held as firmly as so many jobs", 20.0, gt=0, le=1e6
    )
    job_spread_pct: float = _f(
        "40.0  # of one job's hours and cost about their mean, until claims say", 40.0, gt=0, le=300
    )
    job_lag_months: int = _f("1", ge=0, le=24)
    sale_lag_months: int = _f("3", ge=0, le=60)

    @field_validator("report_lag_shares")
    @classmethod
    def _is_whole(cls, shares: list[float]) -> list[float]:
        if len(shares) > 60 or min(shares) < 0 or abs(sum(shares) - 1) > 1e-6:
            raise ValueError("at most 60 shares of at least 0 that add up to 1")
        return shares


class FleetFile(FileModel):
    title: str = _f('"Our fleet, two regions"')
    invented: bool = _f("false", False)
    cutoff: date = day("2026-06-30")
    claims_since: date | None = day("2019-01-01", None)
    horizon_months: int = _f("24", ge=1, le=240)
    samples: int = _f("500", 500, ge=50, le=20000)
    draws: int = _f("200", 200, ge=16, le=20000)
    members: int = _f("8", 8, ge=1, le=50)
    seed: int = _f("1", ge=0, le=MOST_SEED)
    multiplier_log_sd: float = _f("0.5", 0.5, gt=0, le=3)
    service: float = _f("0.95", 0.95, gt=0, lt=1)
    discount_pct: float = _f("3.0  # a year, of the reserve; 0 unless stated", 0.0, ge=0, le=50)
    fiscal_year_begins: int = _f("7  # month of the calendar in which a fiscal year begins", 1, ge=1, le=12)
    opening_accrual: float = _f("20000.0", 0.0, ge=0)
    currency: str = _f('"EUR"', min_length=1, max_length=8)
    rejects_most_pct: float = _f("1.0", 1.0, ge=0, le=100)
    grades: list[str] = _f('["H", "I", "J", "K", "L"]', min_length=1)
    suspects_most_pct: float = _f("10.0  # of claims; more that look wrong in one way stop the run", 10.0, ge=0, le=100)
    columns: dict[str, dict[str, str]] = _f("[columns.claims]  # our names and those of your export", {})
    files: FilesFile
    habits: HabitsFile
    designs: dict[str, DesignFile] = _f("[designs.large]", min_length=1)
    regions: dict[str, RegionFile] = _f("[regions.north]", min_length=1)

    @model_validator(mode="after")
    def _agrees(self) -> FleetFile:
        if len(set(self.grades)) != len(self.grades):
            raise ValueError("grades that all differ")
        if self.claims_since is not None and self.claims_since >= self.cutoff:
            raise ValueError(f"claims_since before the cutoff ({self.cutoff})")
        if unknown := set(self.columns) - {"units", "claims", "plan", "rates"}:
            raise ValueError(f"columns of units, claims, plan or rates, not of {', '.join(sorted(unknown))}")
        if self.members > self.draws:
            raise ValueError(f"at least one draw for each weather member ({self.members})")
        return self
