"""A fleet read from its file and tables, checked and reconciled."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np

from driftmodel.base.arrays import only
from driftmodel.base.errors import Spot
from driftmodel.base.schema import Integers
from driftmodel.fleet.reconcile import reconciled, stop_at_suspects
from driftmodel.fleet.roster import CLAIM_COLUMNS, CLAIM_EXTRAS, PLAN_COLUMNS, Claims, Fleet, Tally, Units
from driftmodel.fleet.rows import claims_of, plan_of, rates_of, unit_table, units_of
from driftmodel.fleet.tables import NONE, Table, month_number, read_table, write_faults


def read_fleet(path: str | Path, rejects: Path | None = None) -> Fleet:
    """A fleet from its TOML file and the tables it names.

    Bad rows are listed in `faults` (and in the file `rejects`, if given) and left out; all else is used. Raises
    BadInput when a file, column or key is at fault, or more rows are bad than `rejects_most_pct` allows."""
    from driftmodel.base.tomlfile import validated
    from driftmodel.fleet.fleet_file import FleetFile

    file = Path(path)
    settings, _ = validated(FleetFile, file)
    regions, designs = tuple(settings.regions), tuple(settings.designs)
    exposures = tuple(dict.fromkeys(name for region in settings.regions.values() for name in region.climates))
    cutoff = month_number(settings.cutoff)
    folder, named = file.parent, settings.columns
    rates = rates_of(folder / settings.files.rates, regions, named.get("rates"))
    tables = [unit_table(folder / settings.files.units, named.get("units"))]
    units, serial = units_of(tables[0], settings, regions, exposures, designs, cutoff)
    tallies = [_tally(tables[0], units.count)]
    good = ~tables[0].bad
    sold = only(units, good)
    serials: list[str] = tables[0].frame["serial"][good].astype(str).tolist() if serial else []
    if settings.files.plan:
        plan_table = read_table(folder / settings.files.plan, PLAN_COLUMNS, may_be_empty=True, named=named.get("plan"))
        plan = plan_of(plan_table, settings, regions, exposures, designs, cutoff)
        tables.append(plan_table)
        tallies.append(_tally(plan_table, plan.count))
        sold = _joined(sold, only(plan, ~plan_table.bad))
    since = NONE if settings.claims_since is None else month_number(settings.claims_since)
    claims = _no_claims()
    if settings.files.claims:
        claim_table = read_table(
            folder / settings.files.claims, CLAIM_COLUMNS, CLAIM_EXTRAS, may_be_empty=True, named=named.get("claims")
        )
        claims = claims_of(claim_table, settings, regions, designs, cutoff, tables[0], units)
        tables.append(claim_table)
        tallies.append(_tally(claim_table, np.ones(claim_table.rows, dtype=np.int64)))
    findings = reconciled(tables, sold, claims, settings, since)
    faults = tuple(fault for table in tables for fault in sorted(table.faults, key=lambda fault: fault.row))
    if rejects is not None:
        write_faults(faults, rejects)
    _stop_at_threshold(tables, settings.rejects_most_pct, rejects)
    stop_at_suspects(findings, settings.suspects_most_pct)
    return Fleet(
        file, settings, regions, exposures, designs, cutoff, since, sold, claims, rates, serials, faults,
        tuple(tallies), findings,
    )  # fmt: skip


def _tally(table: Table, count: Integers) -> Tally:
    rejected = table.bad
    return Tally(str(table.file), table.rows, int(rejected.sum()), int(count.sum()), int(count[rejected].sum()))


def _stop_at_threshold(tables: Sequence[Table], most_pct: float, rejects: Path | None) -> None:
    for table in tables:
        wrong = int(table.bad.sum())
        if table.rows and 100.0 * wrong / table.rows > most_pct:
            first = min(table.faults, key=lambda fault: fault.row)
            told = f"; all are in {rejects}" if rejects else ""
            raise Spot(table.file, f"row {first.row}, column {first.column}").refusal(
                f"{wrong} of {table.rows} rows cannot be used; the first: {first.value!r}, {first.reason}. Needed: at "
                f"most {most_pct:g} % of bad rows (rejects_most_pct). Mend: correct that row and its like{told}"
            )
        if table.rows and wrong == table.rows:
            raise Spot(table.file, "row 2").refusal("no row can be used. Needed: rows. Mend: correct the table")


def _joined(first: Units, second: Units) -> Units:
    return Units(
        *(np.concatenate([getattr(first, name), getattr(second, name)]) for name in Units.__dataclass_fields__)
    )


def _no_claims() -> Claims:
    none, zero = np.empty(0, dtype=np.int32), np.empty(0)
    return Claims(none, none, none, none, none, none, zero, zero, none, np.empty(0, dtype=np.int64), none)
