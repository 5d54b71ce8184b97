"""A fleet as its planner keeps it: units, claims, shipment plan and rates, read, checked and reconciled."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from driftmodel.base.schema import Array, Flags, Integers
from driftmodel.fleet.tables import NONE, Fault

if TYPE_CHECKING:
    from driftmodel.fleet.fleet_file import FleetFile
    from driftmodel.fleet.reading import Finding

Months = NDArray[np.int32]
UNIT_COLUMNS = (
    "serial", "design", "build_date", "ship_date", "sale_date", "region", "exposure", "grade", "cover_months",
)  # fmt: skip
UNIT_EXTRAS = ("count", "last_regrade")
CLAIM_COLUMNS = ("claim", "design", "region", "event_date", "report_date", "close_date", "disposition")
CLAIM_EXTRAS = ("serial", "action_mm", "grade_before", "grade_after", "hours", "cost", "currency")
PLAN_COLUMNS = ("design", "region", "exposure", "build_date", "sale_date", "cover_months", "count")
RATE_COLUMNS = ("region", "hours_regrade", "hours_seasonal", "cost_per_hour", "cost_per_part", "cost_freight")
DISPOSITIONS = ("regrade", "seasonal", "other", "rejected")
REGRADE, SEASONAL = 0, 1  # places in DISPOSITIONS
MOST_COVER = 600.0
#: a last regrade of the units table up to so many months after a unit's last claim, and the job's own lag, is that
#: claim's job; own choice, no source
SAME_JOB_MONTHS = 6


@dataclass(frozen=True)
class Units:
    """Rows of units, (rows,) each: months as month numbers, names as indices into the fleet's lists; regraded NONE if
    never. planned: not sold by the cut-off (shipment plan and unsold stock). row: line of the file, NONE for plan."""

    region: Months
    exposure: Months
    design: Months
    build: Months
    sale: Months
    cover: Months
    regraded: Months
    grade: Months
    count: Integers
    planned: Flags
    row: Months


@dataclass(frozen=True)
class Claims:
    """Claims, (claims,) each: months as month numbers, close NONE if open, disposition index into DISPOSITIONS; hours
    and cost NaN where not told; cover_end: first month out of cover of the unit named by serial, NONE if none is; unit:
    row of that unit among the fleet's units, NONE likewise; grade: spacer fitted, index, NONE where not told."""

    region: Months
    design: Months
    event: Months
    report: Months
    close: Months
    disposition: Months
    hours: Array
    cost: Array
    cover_end: Months
    unit: Integers
    grade: Months


@dataclass(frozen=True)
class Rates:
    """By region, (regions,): hours a job, and money in the fleet's currency."""

    hours_regrade: Array
    hours_seasonal: Array
    cost_per_hour: Array
    cost_per_part: Array
    cost_freight: Array


@dataclass(frozen=True)
class Tally:
    """Rows and units read, used and rejected, of one file; used + rejected = read. Rejected units whose number cannot
    be read count as one each."""

    file: str
    rows: int
    rows_rejected: int
    units: int
    units_rejected: int


@dataclass(frozen=True)
class Fleet:
    """Everything a demand run reads. serial: (unit rows,) texts, as far as units have them."""

    file: Path
    settings: FleetFile
    regions: tuple[str, ...]
    exposures: tuple[str, ...]
    designs: tuple[str, ...]
    cutoff: int
    claims_since: int
    units: Units
    claims: Claims
    rates: Rates
    serial: Sequence[str]
    faults: tuple[Fault, ...]
    tallies: tuple[Tally, ...]
    findings: tuple[Finding, ...] = ()


def places(fleet: Fleet) -> list[tuple[int, str, int, str]]:
    """Every region and design, each as its place in the fleet's list and its name."""
    designs = list(enumerate(fleet.designs))
    return [(r, region, d, design) for r, region in enumerate(fleet.regions) for d, design in designs]


def reported(fleet: Fleet, start: int, months: int) -> Array:
    """Regrade claims by month of report, (months, regions, designs)."""
    claims = fleet.claims
    table = np.zeros((months, len(fleet.regions), len(fleet.designs)))
    at = claims.report - start
    chosen = (claims.disposition == REGRADE) & (at >= 0) & (at < months)
    np.add.at(table, (at[chosen], claims.region[chosen], claims.design[chosen]), 1.0)
    return table


def last_claimed(units: Units, claims: Claims, chosen: Flags) -> Integers:
    """Month in which the last of the claims chosen (claims,) that name a unit was reported, (unit rows,), NONE where
    none does."""
    last = np.full(units.count.size, NONE, dtype=np.int64)
    np.maximum.at(last, claims.unit[chosen], claims.report[chosen])
    return last


def regraded_unclaimed(units: Units, last: Integers, job_lag_months: int) -> Flags:
    """Units (unit rows,) whose last regrade is no claim's job: it came later after their last claim than a job takes,
    see `last_claimed`, or they have none."""
    return np.asarray(units.regraded > last + job_lag_months + SAME_JOB_MONTHS)  # NONE is before any month
