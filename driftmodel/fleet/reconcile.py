"""Do the tables agree with each other: what looks wrong before any forecast is made, each with the rows it is in."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from driftmodel.base.errors import Spot
from driftmodel.base.schema import Flags
from driftmodel.fleet.roster import CLAIM_COLUMNS, DISPOSITIONS, REGRADE, Claims, Units
from driftmodel.fleet.rows import other_currency
from driftmodel.fleet.tables import NONE, Table

if TYPE_CHECKING:
    from driftmodel.fleet.fleet_file import FleetFile

DEAR = 5.0  # times the median cost of its kind; own choice, no source
SAME_JOB = 7  # months between a report and its job in the units table; own choice, no source
LATE_START = 18  # months from the first sale to the first claim; own choice, no source
MOST_ROWS_NAMED = 20


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
    last = np.full(units.count.size, NONE, dtype=np.int64)
    np.maximum.at(last, unit[known & regrade], claims.report[known & regrade])
    behind = np.where(units.regraded == NONE, -SAME_JOB, units.regraded)
    done = regrade & known & (claims.close != NONE) & (claims.report == last[unit])
    add("regrade dates against claims", done & (behind[unit] + 1 < claims.report),
        "a regrade that was closed, and the unit's last_regrade is earlier or empty",
        "bring last_regrade of the units up to date")  # fmt: skip
    mute = (
        (units.regraded != NONE) & (units.row != NONE) & (units.regraded > np.where(last == NONE, -1, last) + SAME_JOB)
    )
    mute &= units.regraded >= since
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
