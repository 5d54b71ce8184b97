"""A fleet read from its file and tables, and whether these agree with each other: what looks wrong before any forecast
is made, each with the rows it is in."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from driftmodel.base.arrays import only
from driftmodel.base.errors import Spot
from driftmodel.base.schema import Flags, Integers
from driftmodel.fleet.roster import (
    CLAIM_COLUMNS,
    CLAIM_EXTRAS,
    DISPOSITIONS,
    PLAN_COLUMNS,
    REGRADE,
    UNIT_COLUMNS,
    UNIT_EXTRAS,
    Claims,
    Fleet,
    Tally,
    Units,
    last_claimed,
    regraded_unclaimed,
)
from driftmodel.fleet.rows import claims_of, other_currency, plan_of, rates_of, units_of
from driftmodel.fleet.tables import NONE, Table, month_number, read_table, write_faults

if TYPE_CHECKING:
    from driftmodel.fleet.fleet_file import FleetFile

DEAR = 5.0  # times the median cost of its kind; own choice, no source
LATE_START = 18  # months from the first sale to the first claim; own choice, no source
MOST_ROWS_NAMED = 20


def read_fleet(path: str | Path, rejects: Path | None = None) -> Fleet:
    """A fleet from its TOML file and the tables it names.

    Bad rows are listed in `faults` (and in the file `rejects`, if given) and left out; all else is used. Raises
    BadInput when a file, column or key is at fault, or more rows are bad than `rejects_most_pct` allows."""
    from driftmodel.base.tomlfile import validated
    from driftmodel.fleet.fleet_file import FleetFile

    file = Path(path)
    settings, _ = validated(FleetFile, file)
    regions, since = tuple(settings.regions), NONE
    if settings.claims_since is not None:
        since = month_number(settings.claims_since)
    folder, files, named = file.parent, settings.files, settings.columns
    rates = rates_of(folder / files.rates, regions, named.get("rates"))
    tables = [read_table(folder / files.units, UNIT_COLUMNS, UNIT_EXTRAS, named=named.get("units"))]
    units, serial = units_of(tables[0], settings)
    tallies = [_tally(tables[0], units.count)]
    good = ~tables[0].bad
    sold = only(units, good)
    serials: list[str] = tables[0].frame["serial"][good].astype(str).tolist() if serial else []
    if files.plan:
        table = read_table(folder / files.plan, PLAN_COLUMNS, may_be_empty=True, named=named.get("plan"))
        plan = plan_of(table, settings)
        tables.append(table)
        tallies.append(_tally(table, plan.count))
        sold = _joined(sold, only(plan, ~table.bad))
    claims = _no_claims()
    if files.claims:
        table = read_table(
            folder / files.claims, CLAIM_COLUMNS, CLAIM_EXTRAS, may_be_empty=True, named=named.get("claims")
        )
        claims = claims_of(table, settings, tables[0], units)
        tables.append(table)
        tallies.append(_tally(table, np.ones(table.rows, dtype=np.int64)))
    findings = reconciled(tables, sold, claims, settings, since)
    faults = tuple(fault for table in tables for fault in sorted(table.faults, key=lambda fault: fault.row))
    if rejects is not None:
        write_faults(faults, rejects)
    _stop_at_threshold(tables, settings.rejects_most_pct, rejects)
    stop_at_suspects(findings, settings.suspects_most_pct)
    return Fleet(
        file, settings, regions, settings.exposures, tuple(settings.designs), settings.last_month, since, sold, claims,
        rates, serials, faults, tuple(tallies), findings,
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


@dataclass(frozen=True)
class Finding:
    """One kind of thing that looks wrong. rows: lines of `file` it is in; of: rows looked at; stops: whether too many
    of it stop a run; mend: what to do."""

    check: str
    file: str
    rows: tuple[int, ...]
    of: int
    words: str
    mend: str
    stops: bool = True

    @property
    def told(self) -> str:
        """In a sentence, the first rows named."""
        if not self.rows:
            return self.words
        named = ", ".join(str(row) for row in self.rows[:MOST_ROWS_NAMED])
        more = f" and {len(self.rows) - MOST_ROWS_NAMED:,} more" if len(self.rows) > MOST_ROWS_NAMED else ""
        return f"{len(self.rows):,} of {self.of:,} rows: {self.words} (row {named}{more} of {Path(self.file).name})."


def reconciled(
    tables: Sequence[Table], units: Units, claims: Claims, settings: FleetFile, since: int
) -> tuple[Finding, ...]:
    """What looks wrong; units and claims are the rows of the tables that can be used. Empty where all agree."""
    found = [
        Finding("columns not used", str(table.file), (), table.rows, "Columns kept out of "
                f"{Path(table.file).name}: {', '.join(table.unused)}.", "none needed", stops=False)
        for table in tables if table.unused
    ]  # fmt: skip
    table = next((each for each in tables if {*CLAIM_COLUMNS} <= {*each.frame.columns}), None)
    if table is None or claims.report.size == 0:
        return tuple(found)
    rows = np.flatnonzero(~table.bad) + 2
    of, known = int(rows.size), claims.unit != NONE
    regrade = claims.disposition == REGRADE
    unit = np.where(known, claims.unit, 0)

    def add(check: str, wrong: Flags, words: str, mend: str, stops: bool = True) -> None:
        if wrong.any():
            found.append(Finding(check, str(table.file), tuple(rows[wrong].tolist()), of, words, mend, stops))

    add("suspected duplicates", _alike(table)[~table.bad], "alike in all but the number of the claim",
        "take out the claims that were filed twice")  # fmt: skip
    add("region against serial", known & (units.region[unit] != claims.region),
        "another region than that of the unit with this serial", "correct one of the two")  # fmt: skip
    add("claim before sale", known & (claims.report < units.sale[unit]),
        "reported before its unit was sold", "correct the sale or the report date")  # fmt: skip
    last = last_claimed(units, claims, known & regrade)
    done = regrade & known & (claims.close != NONE) & (claims.report == last[unit])
    add("regrade dates against claims", done & (units.regraded[unit] + 1 < claims.report),
        "a regrade that was closed, and the unit's last_regrade is earlier or empty",
        "bring last_regrade of the units up to date")  # fmt: skip
    mute = regraded_unclaimed(units, last, settings.habits.job_lag_months)
    mute &= (units.row != NONE) & (units.regraded >= since)
    if known[regrade].mean() > 0.9 if regrade.any() else False:
        lines = tuple(units.row[mute].tolist())
        if lines:
            found.append(
                Finding("regrade dates against claims", str(tables[0].file), lines, int(units.count.size),
                        "last_regrade, and no claim of that time names the unit", "add the claim or correct the date",
                        stops=False)
            )  # fmt: skip
    for kind, name in enumerate(DISPOSITIONS):
        chosen = (claims.disposition == kind) & (claims.cost > 0.0)
        if chosen.sum() >= 5:
            middle = float(np.median(claims.cost[chosen]))
            add("cost outliers", chosen & (claims.cost > DEAR * middle),
                f"cost more than {DEAR:g} times the median of its kind ({name}: {middle:,.0f})",
                "look for another currency, or two jobs in one", stops=False)  # fmt: skip
    add("mixed currencies", other_currency(table, settings.currency)[~table.bad],
        f"cost in another currency than {settings.currency}: not used", f"convert it to {settings.currency}",
        stops=False)  # fmt: skip
    first_sale, first_claim = int(units.sale.min()), int(claims.report.min())
    if since == NONE and first_claim - first_sale > LATE_START:
        found.append(
            Finding("first claim against first sale", str(table.file), (), of,
                    f"The first claim came {first_claim - first_sale} months after the first sale: earlier ones may be "
                    "missing.", "name the first month of the claims file: claims_since = 2020-01-01", stops=False)
        )  # fmt: skip
    return tuple(found)


def _alike(table: Table) -> Flags:
    """Rows like an earlier one in all but the claim's number; without a serial only where hours or cost are told too,
    for two guitars of a design may well be reported in one month."""
    columns = [name for name in table.frame.columns if name != "claim"]
    codes = [table.frame[name].cat.codes for name in columns]
    _, of = np.unique(np.stack([code.to_numpy() for code in codes], axis=1), axis=0, return_inverse=True)
    of = of.ravel()
    seen = np.ones(table.rows, dtype=bool)
    seen[np.unique(of, return_index=True)[1]] = False
    if table.has("serial"):
        named = table.parsed("serial", bool, bool, False)
        return np.asarray(seen & named)
    return seen if table.has("cost") or table.has("hours") else np.zeros(table.rows, dtype=bool)


def stop_at_suspects(findings: Sequence[Finding], most_pct: float) -> None:
    """Raises BadInput when one kind of suspicion is in more rows than that."""
    for finding in findings:
        if finding.stops and len(finding.rows) > max(most_pct / 100.0 * finding.of, 1.0):
            raise Spot(finding.file, f"row {finding.rows[0]}").refusal(
                f"{len(finding.rows):,} of {finding.of:,} rows: {finding.words}. Needed: at most {most_pct:g} % of "
                f"suspect rows (suspects_most_pct). Mend: {finding.mend}, or state suspects_most_pct = 100"
            )
