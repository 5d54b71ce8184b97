"""Forecasts as they would have been made, against what then came: rolling origins on the date of report.

An origin knows the claims reported and the regrades done by then. Shipments after it are taken as they came, for a
backtest of demand is not one of sales. A last regrade after the origin hides one before it; such units count as never
regraded at the origin.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from driftmodel.base.arrays import ratio
from driftmodel.fleet import scores
from driftmodel.fleet.cohorts import known_at
from driftmodel.fleet.demand import forecast_demand
from driftmodel.fleet.passage import Cell, CellPassages, Passages
from driftmodel.fleet.roster import REGRADE, Fleet
from driftmodel.fleet.run import Crew
from driftmodel.fleet.tables import NONE, month_label

Array = NDArray[np.float64]
MODEL = "this forecast"
REFERENCES = ("pooled empirical hazard", "last year's months", "constant rate")


@dataclass(frozen=True)
class Backtest:
    """rows: one for each origin, month, region and design, with what came and the 80 % interval. crps, wis: mean score
    by the name of the model; skill: 1 - CRPS / the reference's CRPS. coverage_80: share of the transform of counts
    between 0.1 and 0.9, see scores.coverage_counts; closed_80: share from P10 to P90, both ends included, which is more
    where counts are small; pit: (10,)."""

    rows: tuple[dict[str, Any], ...]
    crps: dict[str, float]
    wis: dict[str, float]
    skill: dict[str, float]
    coverage_80: float
    closed_80: float
    pit: Array


class Remembered:
    """The same passages, each cell made once in this process."""

    def __init__(self, function: CellPassages) -> None:
        self.function = function
        self.kept: dict[tuple[str, int, int, int], Passages] = {}

    def fingerprint(self, cell: Cell) -> Any:
        of = getattr(self.function, "fingerprint", None)
        return of(cell) if of else self.function

    def __call__(self, cell: Cell, members: int, draws: int, seed: int) -> Passages:
        key = (cell.key, members, draws, seed)
        if key not in self.kept:
            self.kept[key] = self.function(cell, members, draws, seed)
        return self.kept[key]


def backtest(
    fleet: Fleet, function: CellPassages, origins: Sequence[int], months: int, *, crew: Crew | None = None
) -> Backtest:
    """Forecasts of `months` months from each origin (month numbers), scored month by month, region by design.

    Raises ValueError when an origin's months reach beyond the fleet's cut-off.
    """
    if any(origin + months > fleet.cutoff for origin in origins):
        raise ValueError(f"origins no later than {month_label(fleet.cutoff - months)}, so that what came is known")
    function = Remembered(function) if crew is None else function
    models: dict[str, list[Array]] = {name: [] for name in (MODEL, *REFERENCES)}
    came: list[Array] = []
    rows: list[dict[str, Any]] = []
    for origin in origins:
        demand = forecast_demand(fleet, function, cutoff=origin, months=months, to_end_of_cover=False, crew=crew)
        cube = demand.cube["regrades"].values.sum(axis=(4, 5)).astype(float)  # sample, month, region, design
        actual = reported(fleet, origin + 1, months)
        came.append(actual.ravel())
        models[MODEL].append(cube.reshape(cube.shape[0], -1).T)
        for name, mean in zip(REFERENCES, references(fleet, origin, months), strict=True):
            random = np.random.default_rng([fleet.settings.seed, origin, REFERENCES.index(name)])
            models[name].append(
                random.poisson(mean, (cube.shape[0], *mean.shape)).reshape(cube.shape[0], -1).T.astype(float)
            )
        rows += _rows(fleet, origin, cube, actual)
    observed = np.concatenate(came)
    samples = {name: np.concatenate(parts) for name, parts in models.items()}
    crps = {name: float(scores.crps_samples(part, observed).mean()) for name, part in samples.items()}
    wis = {name: float(scores.weighted_interval_score(part, observed).mean()) for name, part in samples.items()}
    low, high = np.quantile(samples[MODEL], [0.1, 0.9], axis=1)
    return Backtest(
        tuple(rows),
        crps,
        wis,
        {name: scores.skill(crps[MODEL], crps[name]) for name in REFERENCES},
        scores.coverage_counts(samples[MODEL], observed),
        scores.coverage(low, high, observed),
        scores.pit(samples[MODEL], observed),
    )


def reported(fleet: Fleet, start: int, months: int) -> Array:
    """Regrade claims by month of report, (months, regions, designs)."""
    claims = fleet.claims
    table = np.zeros((months, len(fleet.regions), len(fleet.designs)))
    at = claims.report - start
    chosen = (claims.disposition == REGRADE) & (at >= 0) & (at < months)
    np.add.at(table, (at[chosen], claims.region[chosen], claims.design[chosen]), 1.0)
    return table


def references(fleet: Fleet, origin: int, months: int) -> tuple[Array, Array, Array]:
    """What the plain forecasts of REFERENCES expect, (months, regions, designs) each."""
    last_year = reported(fleet, origin - 11, 12)
    same_months = last_year[np.arange(months) % 12]
    constant = np.broadcast_to(last_year.mean(axis=0), (months, *last_year.shape[1:]))
    return _pooled_hazard(fleet, origin, months), same_months, np.asarray(constant)


def _pooled_hazard(fleet: Fleet, origin: int, months: int) -> Array:
    """Regrades per unit and month of age since sale, over the whole fleet, carried on over the units there are."""
    units = known_at(fleet.units, origin)
    most = origin + months - int(units.sale.min()) + 1
    done = units.regraded != NONE
    events = np.bincount((units.regraded - units.sale)[done], units.count[done], most)
    until = np.where(done, units.regraded, origin) - units.sale
    seen = until >= 0
    watched = np.bincount(until[seen], units.count[seen], most)[::-1].cumsum()[::-1]  # watched at least to this age
    hazard = ratio(events, watched)
    mean = np.zeros((months, len(fleet.regions), len(fleet.designs)))
    for step in range(months):
        age = origin + 1 + step - units.sale
        here = age >= 0
        np.add.at(
            mean[step],
            (units.region[here], units.design[here]),
            units.count[here] * hazard[np.minimum(age[here], most - 1)],
        )
    return mean


def _rows(fleet: Fleet, origin: int, cube: Array, actual: Array) -> list[dict[str, Any]]:
    low, middle, high = np.quantile(cube, [0.1, 0.5, 0.9], axis=0)
    return [
        {
            "origin": month_label(origin),
            "month": month_label(origin + 1 + m),
            "lead_months": m + 1,
            "region": region,
            "design": design,
            "came": int(actual[m, r, d]),
            "p10": float(low[m, r, d]),
            "p50": float(middle[m, r, d]),
            "p90": float(high[m, r, d]),
        }
        for m in range(actual.shape[0])
        for r, region in enumerate(fleet.regions)
        for d, design in enumerate(fleet.designs)
    ]


def backtest_words(result: Backtest) -> str:
    """The outcome in plain sentences, whether it flatters or not."""
    lines = [
        f"{len(result.rows)} forecasts of a month, a region and a design, made at earlier dates, against what came."
    ]
    within, low, high = result.coverage_80, *scores.chance_band(len(result.rows), 0.8)
    verdict = "as it should" if low <= within <= high else "too narrow" if within < low else "too wide"
    lines += [
        f"The 80 % interval held {100 * within:.0f} % of them: {verdict}.",
        f"By chance alone {100 * low:.0f} to {100 * high:.0f} % would do for {len(result.rows)} forecasts, "
        "if no two shared weather.",
        f"From P10 to P90 with both ends lie {100 * result.closed_80:.0f} %: counts are whole, so small ones hold "
        "more.",
    ]
    for name, value in result.skill.items():
        word = "better than" if value > 0.0 else "worse than" if value < 0.0 else "as good as"
        lines.append(f"CRPS {abs(100 * value):.0f} % {word} {name}." if value else f"As good as {name}.")
    lines.append("CRPS: " + ", ".join(f"{name} {value:.2f}" for name, value in result.crps.items()) + ".")
    lines.append("WIS: " + ", ".join(f"{name} {value:.2f}" for name, value in result.wis.items()) + ".")
    return "\n".join(lines)
