"""Rows of the fleet's tables, each checked: units, shipment plan and claims with their faults, rates without any."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from driftmodel.base.errors import Spot
from driftmodel.base.schema import Flags, Integers
from driftmodel.fleet.roster import DISPOSITIONS, MOST_COVER, RATE_COLUMNS, Claims, Months, Rates, Units
from driftmodel.fleet.tables import NONE, Table, read_table

if TYPE_CHECKING:
    from driftmodel.fleet.fleet_file import FleetFile


def units_of(table: Table, settings: FleetFile) -> tuple[Units, bool]:
    """Units of the units table, a row a row, and whether any has a serial."""
    region, exposure, design = _kept(table, settings)
    grade, cutoff = table.words("grade", settings.grades), settings.last_month
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
    empty = table.empty("serial")
    _repeated(table, table.frame["serial"].cat.codes.to_numpy(), empty, "serial")
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


def _repeated(table: Table, codes: NDArray[Any], empty: Flags, column: str) -> None:
    seen = np.bincount(codes[~empty & (codes >= 0)], minlength=1)
    if seen.size and seen.max() > 1:
        _, first = np.unique(codes, return_index=True)
        later = np.ones(table.rows, dtype=bool)
        later[first] = False
        table.fault(later & ~empty, column, "already used in an earlier row")


def _kept(table: Table, settings: FleetFile) -> tuple[Months, Months, Months]:
    """Region, exposure and design (rows,); a region has a climate for each exposure that is kept in it."""
    regions, exposures = list(settings.regions), settings.exposures
    region, exposure = table.words("region", regions), table.words("exposure", exposures)
    has = np.array([[name in settings.regions[place].climates for name in exposures] for place in regions])
    known = (region != NONE) & (exposure != NONE)
    table.fault(known & ~has[region, exposure], "exposure", "this region names no climate for this exposure")
    return region, exposure, table.words("design", list(settings.designs))


def plan_of(table: Table, settings: FleetFile) -> Units:
    """Units of the shipment plan, a row a row."""
    region, exposure, design = _kept(table, settings)
    build, sale = table.months("build_date"), table.months("sale_date")
    cover = table.numbers("cover_months", 0.0, MOST_COVER, whole=True)
    count = table.numbers("count", 1.0, 1e9, whole=True)
    good = ~table.bad
    table.fault(
        good & (sale <= settings.last_month), "sale_date", "not after the cutoff; sold units belong in the units table"
    )
    table.fault(good & (sale < build), "sale_date", "before build_date")
    none = np.full(table.rows, NONE, dtype=np.int32)
    cover, count = np.nan_to_num(cover), np.nan_to_num(count, nan=1.0)
    return Units(
        region, exposure, design, build, sale, cover.astype(np.int32), none, none, count.astype(np.int64),
        np.ones(table.rows, dtype=bool), none,
    )  # fmt: skip


def claims_of(table: Table, settings: FleetFile, unit_rows: Table, units: Units) -> Claims:
    """Claims, each joined by its serial to the row of `unit_rows` that `units` was made from, where it has one."""
    region, cutoff = table.words("region", list(settings.regions)), settings.last_month
    design = table.words("design", list(settings.designs))
    event, report = table.months("event_date"), table.months("report_date")
    close = table.months("close_date", needed=False)
    disposition = table.words("disposition", DISPOSITIONS)
    hours = table.numbers("hours", 0.0, 1000.0, absent=np.nan)
    cost = table.numbers("cost", 0.0, 1e7, absent=np.nan)
    cost = np.where(other_currency(table, settings.currency), np.nan, cost)
    table.numbers("action_mm", 0.0, 20.0, absent=0.0)
    table.words("grade_before", settings.grades, needed=False)
    grade = table.words("grade_after", settings.grades, needed=False)
    good = ~table.bad
    table.fault(good & (report < event), "report_date", "before event_date")
    table.fault(good & (close != NONE) & (close < report), "close_date", "before report_date")
    table.fault(good & (report > cutoff), "report_date", "after the cutoff")
    table.fault(good & (close > cutoff), "close_date", "after the cutoff")
    empty = table.empty("claim")
    table.fault(empty, "claim", "empty; every claim has its own number")
    _repeated(table, table.frame["claim"].cat.codes.to_numpy(), empty, "claim")
    unit = _unit_of(table, unit_rows)
    known = ~table.bad & (unit != NONE) & ~unit_rows.bad[unit]  # a fault of the unit's row is told there
    other = known & (units.design[unit] != design)
    table.fault(other, "design", "not the design of the unit with this serial")
    table.fault(known & ~other & units.planned[unit], "serial", "the unit with this serial is not sold yet")
    end = np.where(known, units.sale[unit] + units.cover[unit], NONE).astype(np.int32)
    place = np.cumsum(~unit_rows.bad) - 1  # of a row among those that are used
    of = np.where(known, place[unit], NONE)
    columns: tuple[Any, ...] = (region, design, event, report, close, disposition, hours, cost, end, of, grade)
    return Claims(*(column[~table.bad] for column in columns))


def other_currency(table: Table, currency: str) -> Flags:
    """Rows (claims,) whose currency is told and is not the fleet's."""
    return np.asarray(table.parsed("currency", lambda text: bool(text) and text != currency, bool, False))


def _unit_of(claims: Table, unit_rows: Table) -> Integers:
    """Row (claims,) of the units table with a claim's serial, NONE without one. A serial that is not there is a fault,
    unless units without serials are, one of which it may be."""
    if not claims.has("serial"):
        return np.full(claims.rows, NONE, dtype=np.int64)
    serials = unit_rows.frame["serial"].cat
    codes = serials.codes.to_numpy()
    row_of = np.full(len(serials.categories) + 1, NONE, dtype=np.int64)
    row_of[codes[::-1]] = np.arange(codes.size)[::-1]  # the first row of a serial that stands there twice
    texts = claims.frame["serial"].cat.categories
    place = serials.categories.get_indexer(texts)
    rows = {str(text).strip(): int(row_of[at]) if at >= 0 else NONE for text, at in zip(texts, place, strict=True)}
    all_named = not unit_rows.empty("serial").any()

    def row(text: str) -> int:
        found = rows.get(text, NONE) if text else NONE
        if text and found == NONE and all_named:
            raise ValueError("no unit of the units table has this serial")
        return found

    return np.asarray(claims.parsed("serial", row, np.int64, NONE))


def rates_of(file: Path, regions: Sequence[str], named: Mapping[str, str] | None = None) -> Rates:
    """Rates of every region; here any fault stops the run, for money is not guessed."""
    table = read_table(file, RATE_COLUMNS, named=named)
    region = table.words("region", regions)
    columns = [table.numbers(name, 0.0, 1e6) for name in RATE_COLUMNS[1:]]
    _repeated(table, region, region == NONE, "region")
    if table.faults:
        fault = min(table.faults, key=lambda found: found.row)
        raise Spot(file, f"row {fault.row}, column {fault.column}").refusal(
            f"{fault.value!r}: {fault.reason}. Needed: one row of numbers of at least 0 for each region. "
            f"Mend: correct `{fault.column}` in that row"
        )
    for index, name in enumerate(regions):
        if index not in region:
            raise Spot(file, "column region").refusal(
                f"no rates for the region {name}. Needed: one row for each region of the fleet file. "
                f"Mend: add a row that starts with {name}"
            )
    order = np.argsort(region)
    return Rates(*(column[order] for column in columns))
