"""A fleet as its planner keeps it: units, claims, shipment plan and rates, read, checked and reconciled."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from driftmodel.base.errors import BadInput
from driftmodel.fleet.tables import NONE, Fault, Table, month_number, read_table, write_faults

if TYPE_CHECKING:
    from driftmodel.fleet.fleet_file import FleetFile

Months = NDArray[np.int32]
UNIT_COLUMNS = (
    "serial",
    "design",
    "build_date",
    "ship_date",
    "sale_date",
    "region",
    "exposure",
    "grade",
    "cover_months",
)
CLAIM_COLUMNS = ("claim", "design", "region", "event_date", "report_date", "close_date", "disposition")
CLAIM_EXTRAS = ("serial", "action_mm", "grade_before", "grade_after", "hours", "cost")
PLAN_COLUMNS = ("design", "region", "exposure", "build_date", "sale_date", "cover_months", "count")
RATE_COLUMNS = ("region", "hours_regrade", "hours_seasonal", "cost_per_hour", "cost_per_part", "cost_freight")
DISPOSITIONS = ("regrade", "seasonal", "other", "rejected")
MOST_COVER = 600.0


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
    count: NDArray[np.int64]
    planned: NDArray[np.bool_]
    row: Months


@dataclass(frozen=True)
class Claims:
    """Claims, (claims,) each: months as month numbers, close NONE if open, disposition index into DISPOSITIONS."""

    region: Months
    design: Months
    event: Months
    report: Months
    close: Months
    disposition: Months
    hours: NDArray[np.float64]
    cost: NDArray[np.float64]


@dataclass(frozen=True)
class Rates:
    """By region, (regions,): hours a job, and money in the fleet's currency."""

    hours_regrade: NDArray[np.float64]
    hours_seasonal: NDArray[np.float64]
    cost_per_hour: NDArray[np.float64]
    cost_per_part: NDArray[np.float64]
    cost_freight: NDArray[np.float64]


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


def read_fleet(path: str | Path, rejects: Path | None = None) -> Fleet:
    """A fleet from its TOML file and the tables it names.

    Bad rows are listed in `faults` (and in the file `rejects`, if given) and left out; all else is used. Raises
    BadInput when a file, column or key is at fault, or more rows are bad than `rejects_most_pct` allows.
    """
    from driftmodel.base.tomlfile import validated
    from driftmodel.fleet.fleet_file import FleetFile

    file = Path(path)
    settings, _ = validated(FleetFile, file)
    regions, designs = tuple(settings.regions), tuple(settings.designs)
    exposures = tuple(dict.fromkeys(name for region in settings.regions.values() for name in region.climates))
    cutoff = month_number(settings.cutoff)
    folder = file.parent
    rates = _rates(folder / settings.files.rates, regions)
    tables = [_unit_table(folder / settings.files.units)]
    units, serial = _units(tables[0], settings, regions, exposures, designs, cutoff)
    tallies = [_tally(tables[0], units.count)]
    good = ~tables[0].bad
    sold = _only(units, good)
    serials: list[str] = tables[0].frame["serial"][good].astype(str).tolist() if serial else []
    if settings.files.plan:
        plan_table = read_table(folder / settings.files.plan, PLAN_COLUMNS, may_be_empty=True)
        plan = _plan(plan_table, settings, regions, exposures, designs, cutoff)
        tables.append(plan_table)
        tallies.append(_tally(plan_table, plan.count))
        sold = _joined(sold, _only(plan, ~plan_table.bad))
    claims = _no_claims()
    if settings.files.claims:
        claim_table = read_table(folder / settings.files.claims, CLAIM_COLUMNS, CLAIM_EXTRAS, may_be_empty=True)
        claims = _claims(claim_table, settings, regions, designs, cutoff)
        tables.append(claim_table)
        tallies.append(_tally(claim_table, np.ones(claim_table.rows, dtype=np.int64)))
    faults = tuple(fault for table in tables for fault in sorted(table.faults, key=lambda fault: fault.row))
    if rejects is not None:
        write_faults(faults, rejects)
    _stop_at_threshold(tables, settings.rejects_most_pct, rejects)
    since = NONE if settings.claims_since is None else month_number(settings.claims_since)
    return Fleet(
        file, settings, regions, exposures, designs, cutoff, since, sold, claims, rates, serials, faults, tuple(tallies)
    )


def _unit_table(file: Path) -> Table:
    return read_table(file, UNIT_COLUMNS, ("count", "last_regrade"))


def _units(
    table: Table,
    settings: FleetFile,
    regions: Sequence[str],
    exposures: Sequence[str],
    designs: Sequence[str],
    cutoff: int,
) -> tuple[Units, bool]:
    region, exposure = table.words("region", regions), table.words("exposure", exposures)
    _climate_exists(table, region, exposure, settings, regions, exposures)
    design, grade = table.words("design", designs), table.words("grade", settings.grades)
    build, ship = table.months("build_date"), table.months("ship_date", needed=False)
    sale, regraded = table.months("sale_date", needed=False), table.months("last_regrade", needed=False)
    cover = table.numbers("cover_months", 0.0, MOST_COVER, whole=True)
    count = table.numbers("count", 1.0, 1e9, absent=1.0, whole=True)
    good = ~table.bad
    table.fault(good & (build > cutoff), "build_date", "after the cutoff; future builds belong in the plan")
    table.fault(good & (ship != NONE) & (ship < build), "ship_date", "before build_date")
    table.fault(good & (ship > cutoff), "ship_date", "after the cutoff")
    table.fault(good & (sale != NONE) & (sale < np.maximum(ship, build)), "sale_date", "before build_date or ship_date")
    table.fault(good & (sale > cutoff), "sale_date", "after the cutoff; leave it empty until sold")
    table.fault(good & (regraded > cutoff), "last_regrade", "after the cutoff")
    table.fault(good & (regraded != NONE) & (sale == NONE), "last_regrade", "a regrade of a unit that is not sold")
    table.fault(good & (regraded != NONE) & (sale != NONE) & (regraded < sale), "last_regrade", "before sale_date")
    serials = table.frame["serial"].cat
    codes = serials.codes.to_numpy()
    empty = np.array([not str(text).strip() for text in serials.categories] + [True])[codes]
    _repeated(table, codes, empty, "serial")
    if table.has("count"):
        table.fault(
            ~table.bad & ~empty & (count != 1.0), "count", "one serial is one unit; leave serial empty for a cohort"
        )
    else:
        table.fault(~table.bad & empty, "serial", "empty, and there is no count column")
    waiting = sale == NONE
    lag = settings.habits.sale_lag_months
    assumed = np.maximum(np.where(ship == NONE, cutoff + 1, ship) + lag, cutoff + 1)
    unsold = np.where(waiting, assumed, sale).astype(np.int32)
    whole = np.where(np.isnan(count), 1.0, count).astype(np.int64)
    rows = np.arange(2, table.rows + 2, dtype=np.int32)
    months = np.where(np.isnan(cover), 0.0, cover).astype(np.int32)
    units = Units(region, exposure, design, build, unsold, months, regraded, grade, whole, waiting, rows)
    return units, bool((~empty).any())


def _repeated(table: Table, codes: NDArray[Any], empty: NDArray[np.bool_], column: str) -> None:
    seen = np.bincount(codes[~empty & (codes >= 0)], minlength=1)
    if seen.size and seen.max() > 1:
        _, first = np.unique(codes, return_index=True)
        later = np.ones(table.rows, dtype=bool)
        later[first] = False
        table.fault(later & ~empty, column, "already used in an earlier row")


def _climate_exists(
    table: Table,
    region: Months,
    exposure: Months,
    settings: FleetFile,
    regions: Sequence[str],
    exposures: Sequence[str],
) -> None:
    has = np.array([[name in settings.regions[place].climates for name in exposures] for place in regions])
    known = (region != NONE) & (exposure != NONE)
    table.fault(known & ~has[region, exposure], "exposure", "this region names no climate for this exposure")


def _plan(
    table: Table,
    settings: FleetFile,
    regions: Sequence[str],
    exposures: Sequence[str],
    designs: Sequence[str],
    cutoff: int,
) -> Units:
    region, exposure = table.words("region", regions), table.words("exposure", exposures)
    _climate_exists(table, region, exposure, settings, regions, exposures)
    design = table.words("design", designs)
    build, sale = table.months("build_date"), table.months("sale_date")
    cover = table.numbers("cover_months", 0.0, MOST_COVER, whole=True)
    count = table.numbers("count", 1.0, 1e9, whole=True)
    good = ~table.bad
    table.fault(good & (sale <= cutoff), "sale_date", "not after the cutoff; sold units belong in the units table")
    table.fault(good & (sale < build), "sale_date", "before build_date")
    none = np.full(table.rows, NONE, dtype=np.int32)
    cover, count = np.nan_to_num(cover), np.nan_to_num(count, nan=1.0)
    return Units(
        region, exposure, design, build, sale, cover.astype(np.int32), none, none, count.astype(np.int64),
        np.ones(table.rows, dtype=bool), none,
    )  # fmt: skip


def _claims(table: Table, settings: FleetFile, regions: Sequence[str], designs: Sequence[str], cutoff: int) -> Claims:
    region, design = table.words("region", regions), table.words("design", designs)
    event, report = table.months("event_date"), table.months("report_date")
    close = table.months("close_date", needed=False)
    disposition = table.words("disposition", DISPOSITIONS)
    hours = table.numbers("hours", 0.0, 1000.0, absent=0.0)
    cost = table.numbers("cost", 0.0, 1e7, absent=0.0)
    table.numbers("action_mm", 0.0, 20.0, absent=0.0)
    for column in ("grade_before", "grade_after"):
        table.words(column, settings.grades, needed=False)
    good = ~table.bad
    table.fault(good & (report < event), "report_date", "before event_date")
    table.fault(good & (close != NONE) & (close < report), "close_date", "before report_date")
    table.fault(good & (report > cutoff), "report_date", "after the cutoff")
    table.fault(good & (close > cutoff), "close_date", "after the cutoff")
    names = table.frame["claim"].cat
    codes = names.codes.to_numpy()
    empty = np.array([not str(text).strip() for text in names.categories] + [True])[codes]
    table.fault(empty, "claim", "empty; every claim has its own number")
    _repeated(table, codes, empty, "claim")
    kept = ~table.bad
    return Claims(
        region[kept], design[kept], event[kept], report[kept], close[kept], disposition[kept], hours[kept], cost[kept]
    )


def _rates(file: Path, regions: Sequence[str]) -> Rates:
    """Rates of every region; here any fault stops the run, for money is not guessed."""
    table = read_table(file, RATE_COLUMNS)
    region = table.words("region", regions)
    columns = [table.numbers(name, 0.0, 1e6) for name in RATE_COLUMNS[1:]]
    _repeated(table, region, region == NONE, "region")
    if table.faults:
        fault = min(table.faults, key=lambda found: found.row)
        raise BadInput(
            f"{fault.value!r}: {fault.reason}",
            "one row of numbers of at least 0 for each region",
            file=file,
            place=f"row {fault.row}, column {fault.column}",
            mend=f"correct `{fault.column}` in that row",
        )
    for index, name in enumerate(regions):
        if index not in region:
            raise BadInput(
                f"no rates for the region {name}",
                "one row for each region of the fleet file",
                file=file,
                place="column region",
                mend=f"add a row that starts with {name}",
            )
    order = np.argsort(region)
    return Rates(*(column[order] for column in columns))


def _tally(table: Table, count: NDArray[np.int64]) -> Tally:
    rejected = table.bad
    return Tally(str(table.file), table.rows, int(rejected.sum()), int(count.sum()), int(count[rejected].sum()))


def _stop_at_threshold(tables: Sequence[Table], most_pct: float, rejects: Path | None) -> None:
    for table in tables:
        wrong = int(table.bad.sum())
        if table.rows and 100.0 * wrong / table.rows > most_pct:
            first = min(table.faults, key=lambda fault: fault.row)
            told = f"; all are in {rejects}" if rejects else ""
            raise BadInput(
                f"{wrong} of {table.rows} rows cannot be used; the first: {first.value!r}, {first.reason}",
                f"at most {most_pct:g} % of bad rows (rejects_most_pct)",
                file=table.file,
                place=f"row {first.row}, column {first.column}",
                mend=f"correct that row and its like{told}",
            )
        if table.rows and wrong == table.rows:
            raise BadInput("no row can be used", "rows", file=table.file, place="row 2", mend="correct the table")


def _only(units: Units, kept: NDArray[np.bool_]) -> Units:
    return Units(*(getattr(units, name)[kept] for name in Units.__dataclass_fields__))


def _joined(first: Units, second: Units) -> Units:
    return Units(
        *(np.concatenate([getattr(first, name), getattr(second, name)]) for name in Units.__dataclass_fields__)
    )


def _no_claims() -> Claims:
    none, zero = np.empty(0, dtype=np.int32), np.empty(0)
    return Claims(none, none, none, none, none, none, zero, zero)
