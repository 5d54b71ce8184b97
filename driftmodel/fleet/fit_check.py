"""Does the physics fit the fleet: what came against what it expected of the units at risk, by age, season and year."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from driftmodel.base import library
from driftmodel.fleet.cohorts import histories
from driftmodel.fleet.correction import NEWER, Correction
from driftmodel.fleet.demand import Demand
from driftmodel.fleet.exposure import AGE_BINS, EXPECTED, TOLD

FAR_LOW, FAR_HIGH, MANY_CLAIMS = 0.5, 2.0, 100  # an alert beyond these; own choice, no source
CHANGED = 0.5  # chance from which on newer units are told to be changed ones; own choice, no source
YEAR_FAR, YEAR_SURE = 1.3, 3.0  # times the earlier years, and standard deviations from them; own choice, no source
CANDIDATES = (
    "a claims file given twice, units or claims that are missing, a tolerance or design file that is not the one sold, "
    "a rule of cover that is not in the table, climates that are not where the guitars live"
)


@dataclass(frozen=True)
class FitRow:
    """Regrades told and expected by the physics: by "age", "month" of the calendar or "year" of a region, named."""

    by: str
    name: str
    came: float
    expected: float

    @property
    def ratio(self) -> float | None:
        return self.came / self.expected if self.expected > 0.0 else None

    @property
    def standard_error(self) -> float | None:
        """Of the ratio, by chance alone: counts are Poisson."""
        return float(np.sqrt(self.came)) / self.expected if self.expected > 0.0 else None


def fit_rows(demand: Demand) -> list[FitRow]:
    """All regrades, first and later, by months since sale or since the last one; by month; by region and year."""
    behind, since = demand.expected.behind, histories(demand.fleet, demand.cutoff).since
    whole = behind.sum(axis=(0, 1, 2))  # 3, bins, months
    rows = []
    ends = [*AGE_BINS[1:].tolist(), None]
    for at, (first, end) in enumerate(zip(AGE_BINS.tolist(), ends, strict=True)):
        came, expected = float(whole[TOLD, at].sum()), float(whole[EXPECTED, at].sum())
        if came or expected >= 0.5:
            last = "" if end is None else f" to {end - 1}" if end - 1 > first else ""
            rows.append(FitRow("age", f"{first}{last} months", came, expected))
    months = since + np.arange(whole.shape[2])
    for month in range(12):
        chosen = months % 12 == month
        rows.append(FitRow("month", f"{month + 1:02d}", *_sums(whole[..., chosen])))
    of_region = behind.sum(axis=(1, 2))
    for r, region in enumerate(demand.fleet.regions):
        for year in np.unique(months // 12).tolist():
            rows.append(FitRow("year", f"{region}, {year}", *_sums(of_region[r][..., months // 12 == year])))
    return rows


def _sums(table: np.ndarray) -> tuple[float, float]:
    return float(table[TOLD].sum()), float(table[EXPECTED].sum())


def alerts(demand: Demand) -> list[str]:
    """Regions and designs whose many claims are far from the physics, and regions whose last year is unlike those
    before, with what may be wrong."""
    behind = demand.expected.behind
    expected = behind[:, :, :, EXPECTED].sum(axis=(2, 3, 4))
    found = []
    for r, region in enumerate(demand.fleet.regions):
        for d, design in enumerate(demand.fleet.designs):
            claims, mean = int(demand.claims[r, d]), float(expected[r, d])
            times = claims / mean if mean > 0.0 else float("inf")
            if claims > MANY_CLAIMS and not FAR_LOW <= times <= FAR_HIGH:
                words = (
                    "where the physics expects none" if mean < 0.5 else f"{times:.2g} times what the physics expects"
                )
                found.append(
                    f"{region}, {design}: {claims:,} claims, {words}. The forecast follows the claims; look for "
                    f"{CANDIDATES}."
                )
    fit = demand.correction
    goes_on = fit.chances @ np.array([each.last_year()[2] for each in fit.rivals])  # as the sampled futures have it
    for region, far, sd, kept in zip(demand.fleet.regions, *fit.last_year()[:2], goes_on, strict=True):
        if abs(far) > max(np.log(YEAR_FAR), YEAR_SURE * sd):
            found.append(
                f"{region}: its last year of claims brought {np.exp(far):.2g} times what the years before lead one to "
                f"expect; the forecast has {np.exp(kept):.2g} times as many for the coming year, in a wider band. Look "
                "for a changed supplier, finish, retailer or rule of cover, or a dry winter."
            )
    return found + _changed(fit, demand.fleet.designs)


def _changed(fit: Correction, designs: Sequence[str]) -> list[str]:
    """Of newer units that are sooner unlike the older ones of their design than alike, the plainest design."""
    chance = float(fit.chances @ [each.changed for each in fit.rivals])
    if chance < CHANGED:
        return []
    apart = next(each for each in fit.rivals if each.changed)
    mean, sd = apart.newer(apart.mean)[0], apart.sd(NEWER)
    plain, years = int(np.argmax(np.abs(mean) / sd)), library.general("newer_sold_within").value
    part = f"in {100 * chance:.0f} % of its futures and for alike in the others: its band holds both"
    return [
        f"{designs[plain]}: units sold in the last {years:g} years come to {np.exp(mean[plain]):.2g} times the first "
        "regrades of its older ones at their age. The forecast takes newer units for "
        f"changed {part if chance < 0.995 else 'in nearly all of its futures'}. If the design was changed, tell it as "
        "one of its own."
    ]
