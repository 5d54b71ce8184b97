"""When each unit was regraded, from claims that name it and from the units table, as known at the end of a month."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from driftmodel.base.schema import Array, Integers
from driftmodel.fleet.roster import REGRADE, Fleet, Units
from driftmodel.fleet.tables import NONE

Months = NDArray[np.int32]
#: a last regrade of the units table up to so many months after a unit's last claim, and the job's own lag, is that
#: claim's job; own choice, no source
SAME_JOB_MONTHS = 6


@dataclass(frozen=True)
class Histories:
    """units: as they stood, `regraded` the month of the last report. first: (unit rows,) month of the first one, NONE
    if never. row, begin, stop: (gaps,) unit row and months of two reports that follow each other. told: (regions,
    designs) regrades in these histories since the claims begin; claimed: (months, regions, designs) regrade claims by
    month of report, from month `since` on, None where the fleet keeps no claims."""

    units: Units
    first: Months
    row: Integers
    begin: Months
    stop: Months
    since: int
    told: Array
    claimed: Array | None


def histories(fleet: Fleet, cutoff: int) -> Histories:
    """The histories known at the end of month `cutoff`; sales after it are a plan.

    A unit's claims are its history where claims name it; its last regrade counts as another where it is later than the
    last of them by more than a job takes, and as the only one where no claim names the unit."""
    units, claims = fleet.units, fleet.claims
    chosen = (claims.unit != NONE) & (claims.disposition == REGRADE) & (claims.report <= cutoff)
    row, month = claims.unit[chosen].astype(np.int64), claims.report[chosen].astype(np.int64)
    last = np.full(units.count.size, NONE, dtype=np.int64)
    np.maximum.at(last, row, month)
    lag = fleet.settings.habits.job_lag_months + SAME_JOB_MONTHS
    known = (units.regraded != NONE) & (units.regraded <= cutoff)
    apart = np.flatnonzero(known & ((last == NONE) | (units.regraded > last + lag)))
    row, month = np.append(row, apart), np.append(month, units.regraded[apart].astype(np.int64))
    kept = month >= units.sale[row]
    row, month = row[kept], month[kept]
    order = np.lexsort((month, row))
    row, month = row[order], month[order]
    begins = np.ones(row.size, dtype=bool)
    begins[1:] = row[1:] != row[:-1]
    ends = np.append(begins[1:], True)[: row.size]
    first, final = (np.full(units.count.size, NONE, dtype=np.int32) for _ in range(2))
    first[row[begins]], final[row[ends]] = month[begins], month[ends]
    after = np.flatnonzero(~begins)
    since = _since(fleet, cutoff)
    shape = (len(fleet.regions), len(fleet.designs))
    told = np.zeros(shape)
    late = month >= since
    np.add.at(told, (units.region[row[late]], units.design[row[late]]), units.count[row[late]])
    claimed = None
    if fleet.settings.files.claims is not None:
        all_claims = (claims.disposition == REGRADE) & (claims.report <= cutoff) & (claims.report >= since)
        claimed = np.zeros((cutoff - since + 1, *shape))
        at = (claims.report[all_claims] - since, claims.region[all_claims], claims.design[all_claims])
        np.add.at(claimed, at, 1.0)
    return Histories(
        replace(units, regraded=final, planned=units.planned | (units.sale > cutoff)),
        first,
        row[after],
        month[after - 1].astype(np.int32),
        month[after].astype(np.int32),
        since,
        told,
        claimed,
    )


def _since(fleet: Fleet, cutoff: int) -> int:
    """First month whose claims are kept."""
    sold = int(fleet.units.sale[fleet.units.sale <= cutoff].min(initial=cutoff))
    return sold if fleet.claims_since == NONE else min(max(sold, fleet.claims_since), cutoff)
