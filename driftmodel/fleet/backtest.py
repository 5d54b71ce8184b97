"""Forecasts as they would have been made, against what then came: rolling origins on the date of report.

An origin knows the claims reported and the regrades done by then. Shipments after it are taken as they came, for a
backtest of demand is not one of sales. A last regrade after the origin hides one before it; such units count as never
regraded at the origin."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from driftmodel.base.arrays import ratio
from driftmodel.base.schema import BAND, QUANTILES, Array
from driftmodel.base.workers import Crew, Progress
from driftmodel.fleet import scores
from driftmodel.fleet.cohorts import known_at
from driftmodel.fleet.demand import Demand, forecast_demand
from driftmodel.fleet.passage import CellPassages
from driftmodel.fleet.roster import REGRADE, Fleet, reported
from driftmodel.fleet.run import remembered
from driftmodel.fleet.tables import NONE, month_label

MODEL = "this forecast"
WIDENINGS = (0.0, 0.05, 0.1, 0.15, 0.2, 0.25, 0.3, 0.4, 0.5, 0.7, 1.0)
ORIGINS, ORIGIN_MONTHS = 4, 6  # a backtest makes four forecasts of half a year each, the last two years of claims
LEAST_PAST_MONTHS = 12  # sales before the first origin; own choice, no source
LEAST_CLAIMS = 40  # regrades told before the first origin, without which no backtest is made; own choice, no source
REFERENCES = ("pooled empirical hazard", "last year's months", "constant rate")


@dataclass(frozen=True)
class Backtest:
    """rows: one for each origin, month, region and design, with what came and the 80 % interval. crps, wis: mean score
    by the name of the model; skill: 1 - CRPS / the reference's CRPS. coverage_80: share of the transform of counts
    between 0.1 and 0.9, see scores.coverage_counts; closed_80: share from P10 to P90, both ends included, which is more
    where counts are small; sums_80: as coverage_80, of the sums of each date's months by region and in all; pit: (10,).
    widening: log standard deviation by region and year that the band must be
    widened by to hold what came, see `widening_needed`; 0 where it held."""

    rows: tuple[dict[str, Any], ...]
    widening: float
    crps: dict[str, float]
    wis: dict[str, float]
    skill: dict[str, float]
    coverage_80: float
    closed_80: float
    sums_80: float
    pit: Array


def origins_of(fleet: Fleet) -> list[int]:
    """Dates of a backtest over the last two years, as far back as there are sales and claims to forecast from."""
    since = int(fleet.units.sale[~fleet.units.planned].min(initial=fleet.cutoff))
    if fleet.claims_since != NONE:
        since = max(since, fleet.claims_since)
    regrades = np.sort(fleet.claims.report[fleet.claims.disposition == REGRADE])
    found = [fleet.cutoff - ORIGIN_MONTHS * step for step in range(ORIGINS, 0, -1)]
    return [
        origin
        for origin in found
        if origin >= since + LEAST_PAST_MONTHS and np.searchsorted(regrades, origin, side="right") >= LEAST_CLAIMS
    ]


def checked_forecast(
    fleet: Fleet, function: CellPassages, *, crew: Crew | None = None, progress: Progress = lambda done, of: None
) -> tuple[Demand, Backtest | None]:
    """A forecast whose band is as wide as forecasts made at earlier dates needed, and their backtest; None where there
    are too few claims for one."""
    function = remembered(function, crew)
    origins = origins_of(fleet)
    found = forecast_demand(fleet, function, crew=crew, progress=progress) if not origins else None
    if found is not None:
        return found, None
    tested = backtest(fleet, function, origins, ORIGIN_MONTHS, crew=crew)
    return forecast_demand(fleet, function, crew=crew, widening=tested.widening, progress=progress), tested


def verdict(result: Backtest | None) -> str:
    """What the backtest says of the band, in one sentence."""
    if result is None:
        return "No backtest was made: the band is the model's own and has not been put to the test."
    within, low, high = result.coverage_80, *scores.chance_band(len(result.rows), 0.8)
    held = f"forecasts made at earlier dates held {100 * within:.0f} % of what came in their 80 % band"
    if result.widening > 0.0:
        sums = f"{100 * result.sums_80:.0f} % of the sums of {ORIGIN_MONTHS} months"
        return (
            f"The band is widened by {100 * result.widening:.0f} % a region and year: without that {held}, and {sums}."
        )
    if within < low:
        return f"Too narrow: {held}."
    return f"The band stands as the model has it: {held}" + (", which is wide." if within > high else ".")


def backtest(
    fleet: Fleet, function: CellPassages, origins: Sequence[int], months: int, *, crew: Crew | None = None
) -> Backtest:
    """Forecasts of `months` months from each origin (month numbers), scored month by month, region by design.

    Raises ValueError when an origin's months reach beyond the fleet's cut-off."""
    if any(origin + months > fleet.cutoff for origin in origins):
        raise ValueError(f"origins no later than {month_label(fleet.cutoff - months)}, so that what came is known")
    function = remembered(function, crew)
    every: list[tuple[Array, Array]] = []
    models: dict[str, list[Array]] = {name: [] for name in (MODEL, *REFERENCES)}
    came: list[Array] = []
    rows: list[dict[str, Any]] = []
    for origin in origins:
        demand = forecast_demand(fleet, function, cutoff=origin, months=months, to_end_of_cover=False, crew=crew)
        cube = demand.cube["regrades"].values.sum(axis=(4, 5)).astype(float)  # sample, month, region, design
        actual = reported(fleet, origin + 1, months)
        every.append((cube.sum(axis=3), actual.sum(axis=2)))
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
    low, high = np.quantile(samples[MODEL], BAND, axis=1)
    return Backtest(
        tuple(rows),
        widening_needed(every, fleet.settings.seed),
        crps,
        wis,
        {name: scores.skill(crps[MODEL], crps[name]) for name in REFERENCES},
        scores.coverage_counts(samples[MODEL], observed),
        scores.coverage(low, high, observed),
        _held(list(enumerate(every)), 0.0, fleet.settings.seed)[1][0],
        scores.pit(samples[MODEL], observed),
    )


def widening_needed(forecasts: Sequence[tuple[Array, Array]], seed: int) -> float:
    """The smallest log standard deviation of a factor by region, of those tried, with which the 80 % bands hold what
    came: regions' months, and their and the fleet's sums, each as often as 80 % less one standard error of so many
    forecasts (in the spirit of Romano, Patterson and Candes 2019, citation from memory). Never less than the model's,
    and of three dates or more never for the sake of one alone: what is asked for with any one left out.

    forecasts: (samples, months, regions) and what came (months, regions), an origin each."""
    if len(forecasts) < 3:
        return _needed(list(enumerate(forecasts)), seed)
    every = list(enumerate(forecasts))
    return min(_needed(every[:out] + every[out + 1 :], seed) for out in range(len(every)))


def _needed(forecasts: list[tuple[int, tuple[Array, Array]]], seed: int) -> float:
    for spread in WIDENINGS:
        held = _held(forecasts, spread, seed)
        if all(share >= 0.8 - 0.4 / np.sqrt(many) for share, many in held):
            return spread
    return WIDENINGS[-1]


def _held(forecasts: list[tuple[int, tuple[Array, Array]]], spread: float, seed: int) -> list[tuple[float, int]]:
    """Share of months, and of sums, that the 80 % bands hold when widened so, and how many there are."""
    months: list[tuple[Array, Array]] = []
    sums: list[tuple[Array, Array]] = []
    for at, (cube, came) in forecasts:
        random = np.random.default_rng([seed, at, 8])
        wide = cube * np.exp(spread * random.standard_normal((cube.shape[0], 1, cube.shape[2])))
        months.append((wide.reshape(cube.shape[0], -1).T, came.ravel()))
        whole, total = wide.sum(axis=1), came.sum(axis=0)
        if cube.shape[2] > 1:
            whole = np.column_stack([whole, whole.sum(axis=1)])
            total = np.append(total, total.sum())
        sums.append((whole.T, total))
    found = []
    for parts in (months, sums):
        # a widened count is no whole number: within half of one it is the same
        samples, came = np.round(np.concatenate([s for s, _ in parts])), np.concatenate([c for _, c in parts])
        found.append((scores.coverage_counts(samples, came), came.size))
    return found


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
        np.add.at(mean[step], (units.region[here], units.design[here]), units.count[here] * hazard[age[here]])
    return mean


def _rows(fleet: Fleet, origin: int, cube: Array, actual: Array) -> list[dict[str, Any]]:
    low, middle, high = np.quantile(cube, QUANTILES, axis=0)
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
    lines.append(f"By CRPS {skill_words(result)}.")
    lines.append("CRPS: " + ", ".join(f"{name} {value:.2f}" for name, value in result.crps.items()) + ".")
    lines.append("WIS: " + ", ".join(f"{name} {value:.2f}" for name, value in result.wis.items()) + ".")
    return "\n".join(lines)


def skill_words(result: Backtest) -> str:
    """How much better or worse than each plain method, by CRPS."""
    found = []
    for name, value in result.skill.items():
        word = "better than" if value > 0.0 else "worse than"
        found.append(f"{abs(100 * value):.0f} % {word} {name}" if value else f"as good as {name}")
    return ", ".join(found)
