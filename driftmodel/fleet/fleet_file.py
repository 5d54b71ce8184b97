"""The shape of a fleet file (TOML): strict, extra keys forbidden; it names the tables, designs, regions and habits."""

from __future__ import annotations

from datetime import date

from pydantic import field_validator

from driftmodel.base.file_models import INVENTED, SEED, TITLE, Faults, FileModel, day, key
from driftmodel.base.schema import MOST_SEED
from driftmodel.fleet.tables import month_number


class FilesFile(FileModel):
    units: str = key('"units.csv"', "table of units")
    claims: str | None = key('"claims.csv"', "table of claims", None)
    plan: str | None = key('"plan.csv"', "table of units still to be shipped", None)
    rates: str = key('"rates.csv"', "table of hours and costs by region")


class DesignFile(FileModel):
    scenario: str = key('"first-winter"', "scenario of the design")


class RegionFile(FileModel):
    climates: dict[str, str] = key(
        '{ open = "cold_city_heated", cased = "cold_city_in_case" }', "climate of each exposure", min_length=1
    )
    seasonal_complaints_per_thousand: list[float] = key(
        "[2.0, 2.0, 1.0, 0.5, 0.2, 0.2, 0.2, 0.2, 0.2, 0.5, 1.0, 2.0]",
        "complaints that come back with the season, each month",
        min_length=12,
        max_length=12,
    )

    @field_validator("seasonal_complaints_per_thousand")
    @classmethod
    def _is_rate(cls, rates: list[float]) -> list[float]:
        if min(rates) < 0 or max(rates) > 1000:
            raise ValueError("complaints a month per thousand units, January first, each between 0 and 1000")
        return rates


class HabitsFile(FileModel):
    """How owners and benches behave: common practice, no source, until claims say otherwise."""

    report_lag_shares: list[float] = key(
        "[0.3, 0.25, 0.2, 0.15, 0.1]", "share of claims reported 0, 1, 2 ... months after they fall due", min_length=1
    )
    report_lag_worth: float = key("20.0", "claims those shares are worth", 20.0, gt=0, le=1e6)
    end_of_cover_share: float = key("0.2", "share of owners in cover who wait until it ends", 0.0, ge=0, le=1)
    end_of_cover_months: int = key("3", "and report in its last so many months", 3, ge=1, le=24)
    end_of_cover_worth: float = key("20.0", "claims that share is worth", 20.0, gt=0, le=1e6)
    rates_worth: float = key("20.0", "jobs the rates of hours and cost are worth", 20.0, gt=0, le=1e6)
    job_spread_pct: float = key(
        "40.0  # of one job's hours and cost about their mean, until claims say",
        "spread of one job's hours and cost",
        40.0,
        gt=0,
        le=300,
    )
    job_lag_months: int = key("1", "from report to the job", ge=0, le=24)
    sale_lag_months: int = key("3", "from shipment to sale", ge=0, le=60)

    @field_validator("report_lag_shares")
    @classmethod
    def _is_whole(cls, shares: list[float]) -> list[float]:
        if len(shares) > 60 or min(shares) < 0 or abs(sum(shares) - 1) > 1e-6:
            raise ValueError("at most 60 shares of at least 0 that add up to 1")
        return shares


class CentreFile(FileModel):
    """A place that keeps spacers: for which regions, how many months an order takes, and what it has."""

    regions: list[str] = key('["north"]', "regions a service centre serves", min_length=1)
    lead_months: int = key("3", "from a service centre's order to its shelf", 3, ge=1, le=24)
    on_hand: dict[str, int] = key("{ H = 4, J = 2 }", "spacers on its shelf, by grade", {})
    on_order: dict[str, int] = key("{ J = 6 }", "spacers on their way to it, by grade", {})


class FleetFile(FileModel):
    title: str = key('"Our fleet, two regions"', TITLE)
    invented: bool = key("false", INVENTED, False)
    cutoff: date = day("2026-06-30", "last day the tables tell of")
    claims_since: date | None = day("2019-01-01", "first day of which every claim is kept", None)
    horizon_months: int = key("24", "months ahead", ge=1, le=240)
    samples: int = key("500", "samples of the future", 500, ge=50, le=20000)
    draws: int = key("200", "runs of the same years, each with the unknowns drawn anew", 200, ge=16, le=20000)
    members: int = key("8", "different weathers", 8, ge=1, le=50)
    seed: int = key("1", SEED, ge=0, le=MOST_SEED)
    multiplier_log_sd: float = key(
        "0.5", "how far a region and design may stray from the physics, before claims tell", 0.5, gt=0, le=3
    )
    service: float = key("0.95", "share of jobs that shall find their spacer on the shelf", 0.95, gt=0, lt=1)
    discount_pct: float = key("3.0", "discount of the reserve, a year", 0.0, ge=0, le=50)
    fiscal_year_begins: int = key("7", "month the books' year begins in", 1, ge=1, le=12)
    policy_months: list[int] = key(
        "[24, 36, 60, 84, 120]", "lengths of cover to price", [24, 36, 60, 84, 120], min_length=1
    )
    opening_accrual: float = key("20000.0", "reserve in the books at the cut-off", 0.0, ge=0)
    currency: str = key('"EUR"', "of costs", min_length=1, max_length=8)
    rejects_most_pct: float = key("1.0", "share of bad rows above which nothing is forecast", 1.0, ge=0, le=100)
    grades: list[str] = key('["H", "I", "J", "K", "L"]', "labels of the spacers that are stocked", min_length=1)
    suspects_most_pct: float = key(
        "10.0", "share of claims that look wrong in one way above which nothing is forecast", 10.0, ge=0, le=100
    )
    columns: dict[str, dict[str, str]] = key(
        "[columns.claims]", "headers of the tables as they are, where they differ from the names asked for", {}
    )
    files: FilesFile
    habits: HabitsFile
    designs: dict[str, DesignFile] = key("[designs.large]", "", min_length=1)
    regions: dict[str, RegionFile] = key("[regions.north]", "regions a service centre serves", min_length=1)
    centres: dict[str, CentreFile] = key("[centres.main]", "", {})

    @property
    def exposures(self) -> tuple[str, ...]:
        """How owners keep a guitar, in the order in which the regions name it."""
        return tuple(dict.fromkeys(name for region in self.regions.values() for name in region.climates))

    @property
    def last_month(self) -> int:
        """Month number of the cutoff."""
        return month_number(self.cutoff)

    def faults(self) -> Faults:
        if len(set(self.grades)) != len(self.grades):
            twice = next(label for label in self.grades if self.grades.count(label) > 1)
            named = ", ".join(f'"{label}"' for label in dict.fromkeys(self.grades))
            yield ("grades", f'"{twice}" twice. Needed: grades that all differ. Mend: grades = [{named}]')
        if self.claims_since is not None and self.claims_since >= self.cutoff:
            yield (
                "claims_since",
                f"claims_since {self.claims_since} and cutoff {self.cutoff}. Needed: claims_since before the cutoff. "
                f"Mend: claims_since = {self.cutoff.replace(year=self.cutoff.year - 3, day=1)}",
            )
        if unknown := set(self.columns) - {"units", "claims", "plan", "rates"}:
            table = min(unknown)
            yield (
                f"columns.{table}",
                f"columns of {table}. Needed: columns of units, claims, plan or rates. "
                "Mend: rename the table [columns.claims]",
            )
        if not all(1 <= length <= 240 for length in self.policy_months):
            yield (
                "policy_months",
                f"policy_months {self.policy_months}. Needed: lengths of cover from 1 to 240 months. "
                "Mend: policy_months = [24, 36, 60]",
            )
        served = [region for centre in self.centres.values() for region in centre.regions]
        if self.centres and sorted(served) != sorted(self.regions):
            named = ", ".join(f'"{region}"' for region in self.regions)
            yield (
                f"centres.{next(iter(self.centres))}.regions",
                f"centres that serve {', '.join(served)}. Needed: each region served by one centre. "
                f"Mend: regions = [{named}]",
            )
        for name, centre in self.centres.items():
            for place, held in (("on_hand", centre.on_hand), ("on_order", centre.on_order)):
                if others := sorted(grade for grade, many in held.items() if grade not in self.grades or many < 0):
                    yield (
                        f"centres.{name}.{place}",
                        f"{held[others[0]]} pieces of {others[0]}. Needed: 0 or more pieces of the fleet's grades. "
                        f"Mend: {place} = {{ {self.grades[0]} = 1 }}",
                    )
        if self.members > self.draws:
            yield (
                "draws",
                f"{self.draws} draws for {self.members} members. Needed: at least one draw for each weather member. "
                f"Mend: draws = {16 * self.members}",
            )
