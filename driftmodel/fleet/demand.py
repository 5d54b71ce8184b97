"""From expected reports and claims to one sample cube, from which every number of a demand forecast is taken.

Quantiles do not add: so all totals, parts, hours and money are summed sample by sample and only then ranked.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from driftmodel.base.arrays import ratio
from driftmodel.base.provenance import recording
from driftmodel.fleet import claims as claims_law
from driftmodel.fleet.claims import Multiplier
from driftmodel.fleet.cohorts import Cohorts, cohorts_of, in_cover, known_at
from driftmodel.fleet.delay import ReportingLag, WaitingShare
from driftmodel.fleet.expect import Window
from driftmodel.fleet.habits import Monthly, monthly, reporting_lag, waiting_share, with_habits
from driftmodel.fleet.passage import CellPassages
from driftmodel.fleet.roster import REGRADE, SEASONAL, Claims, Fleet
from driftmodel.fleet.run import Crew, FleetDemand, Progress, run_cells
from driftmodel.fleet.tables import NONE, month_label
from driftmodel.outlook.origin import told

if TYPE_CHECKING:
    from xarray import Dataset

Array = NDArray[np.float64]
NO_GRADE = "none mends it"
SOON_MONTHS = 12
QUANTILES = (0.1, 0.5, 0.9)


@dataclass(frozen=True)
class Demand:
    """A demand forecast. cube: Dataset of counts (sample, month, region, design, grade, cover) `regrades`,
    (sample, month, region, design) `seasonal` and (sample, region, design) `not_yet_reported`. expected: what the
    physics alone says. before, data, after: prior, (claims, expected) and posterior of the multiplier, (regions,
    designs). lag: share reported 0, 1, ... months after, and waiting: share of owners who wait until their cover ends,
    the estimates; each sample has its own from what is known of them.
    """

    fleet: Fleet
    cohorts: Cohorts
    cube: Dataset
    expected: FleetDemand
    before: Multiplier
    claims: NDArray[np.int64]
    after: Multiplier
    lag: Array
    waiting: float
    cutoff: int


def forecast_demand(
    fleet: Fleet,
    function: CellPassages,
    *,
    cutoff: int | None = None,
    months: int | None = None,
    crew: Crew | None = None,
    progress: Progress = lambda done, of: None,
) -> Demand:
    """Regrades to come, month by month. function: passages of a cell, see passage.CellPassages.

    cutoff (month number) and months: in place of the fleet's own; an earlier cut-off knows nothing that came later.
    """
    settings = fleet.settings
    cutoff = fleet.cutoff if cutoff is None else cutoff
    months = settings.horizon_months if months is None else months
    known = known_claims(fleet.claims, cutoff)
    waits = waiting_share(known, cutoff, fleet.claims_since, settings.habits)
    lag = reporting_lag(known, cutoff, settings.habits, waits)
    cohorts = cohorts_of(fleet, known_at(fleet.units, cutoff))
    shape = (len(fleet.regions), len(fleet.designs))
    soon = min(SOON_MONTHS, months)
    years = fleet.units.sale // 12
    window = Window(
        cutoff=cutoff,
        months=months,
        members=settings.members,
        grades=len(settings.grades) + 1,
        lag_shares=tuple(lag.shares.tolist()),
        claims_since=fleet.claims_since,
        soon=soon,
        waiting_share=waits.mean,
        waiting_months=settings.habits.end_of_cover_months,
        first_sale_year=int(years.min()),
        sale_years=int(years.max() - years.min()) + 1,
    )
    with recording() as numbers:
        expected = run_cells(
            cohorts, function, window, shape, draws=settings.draws, seed=settings.seed, crew=crew, progress=progress
        )
    regrade = known.disposition == REGRADE
    since = fleet.claims_since
    count = _counted(known, regrade & ((known.report >= since) | (since == NONE)), shape)
    before = claims_law.prior(settings.multiplier_log_sd)
    after = claims_law.posterior(before, count, expected.history)
    cube = sample_cube(fleet, cohorts, expected, before, count, lag, waits, known, cutoff, months)
    cube.attrs |= told(numbers)
    return Demand(fleet, cohorts, cube, expected, before, count, after, lag.shares, waits.mean, cutoff)


def known_claims(claims: Claims, cutoff: int) -> Claims:
    """The claims reported by the end of a month."""
    kept = claims.report <= cutoff
    return Claims(*(getattr(claims, name)[kept] for name in Claims.__dataclass_fields__))


def _counted(claims: Claims, chosen: NDArray[np.bool_], shape: tuple[int, int]) -> NDArray[np.int64]:
    table = np.zeros(shape, dtype=np.int64)
    np.add.at(table, (claims.region[chosen], claims.design[chosen]), 1)
    return table


def weather_ratio(expected: FleetDemand) -> Array:
    """How much more or less than the mean member each member brings, (members, regions, years + 1), the past last.

    The spread between members is weather and the noise of a finite number of draws. The noise is known from the draws'
    scatter; what is left is weather, and each member's ratio is drawn in to 1 by the noise's share (the linear Bayes
    estimate, Robbins 1983).
    """
    level = expected.level
    mean = level.mean(axis=0)
    members = level.shape[0]
    between = level.var(axis=0, ddof=1) if members > 1 else np.zeros_like(mean)
    weather = np.maximum(between - expected.noise.mean(axis=0), 0.0)
    kept = weather / np.maximum(weather + expected.noise, 1e-300)
    ratio = level / np.where(mean > 0.0, mean, 1.0)
    return np.asarray(np.where(mean > 0.0, np.maximum(1.0 + kept * (ratio - 1.0), 0.0), 1.0))


def scaled(expected: Monthly, weather: Array, multiplier: Array) -> tuple[Array, Array]:
    """Expected first and repeat reports (regions, designs, months) under a multiplier (regions, designs) of the hazard
    and a member's weather ratio (regions, years + 1).

    Units at risk run down as they are regraded, so a large multiplier brings regrades forward and never makes more of
    them than there are units. With all at 1 this is the physics' own number.
    """
    first, repeat, risk = expected.first, expected.repeat, expected.at_risk
    months = first.shape[-1]
    by_month = np.repeat(weather[:, :-1], 12, axis=1)[:, None, :months]
    multiplier = multiplier[..., None] * by_month
    hazard = np.minimum(ratio(first, risk), 1.0)
    joining = np.diff(risk, axis=-1) + first[..., :-1]  # units sold since
    pool = expected.regraded + np.concatenate(
        [np.zeros((*first.shape[:2], 1)), np.cumsum(first, axis=-1)[..., :-1]], axis=-1
    )
    again = ratio(repeat, pool)
    out_first, out_repeat = np.empty_like(first), np.empty_like(repeat)
    left, done = risk[..., 0].copy(), expected.regraded[..., 0].copy()
    for month in range(first.shape[-1]):
        out_first[..., month] = left * (1.0 - (1.0 - hazard[..., month]) ** multiplier[..., month])
        base = pool[..., month]
        # repeats within the month of a pool that is still empty belong to its first regrades
        grown = np.where(base > 0.0, again[..., month] * done, repeat[..., month])
        out_repeat[..., month] = multiplier[..., month] * grown
        done = done + out_first[..., month]
        if month + 1 < first.shape[-1]:
            left = np.maximum(left - out_first[..., month] + joining[..., month], 0.0)
    return out_first, out_repeat


def sample_cube(
    fleet: Fleet,
    cohorts: Cohorts,
    expected: FleetDemand,
    before: Multiplier,
    count: NDArray[np.int64],
    lag: ReportingLag,
    waits: WaitingShare,
    known: Claims,
    cutoff: int,
    months: int,
) -> Dataset:
    """Counts by sample. Each sample lives in one weather member, with one habit of reporting for the fleet and one
    multiplier for each region x design, from what claims say of that member's past under that habit; counts are Poisson
    about that. Sample i has its own stream, so more samples leave the first ones as they were."""
    import xarray as xr

    settings = fleet.settings
    shape = (len(fleet.regions), len(fleet.designs))
    samples, grades = settings.samples, len(settings.grades) + 1
    regrades = np.empty((samples, months, *shape, grades, 2), dtype=np.uint32)
    seasonal = np.empty((samples, months, *shape), dtype=np.uint32)
    waiting = np.empty((samples, *shape), dtype=np.uint32)
    plain = monthly(expected)
    share_first, share_repeat = _shares(expected.first), _shares(expected.repeat)
    weather = weather_ratio(expected)
    complaint = _complaint_law(fleet, cohorts, known, cutoff)
    ahead = _seasonal_expected(fleet, in_cover(cohorts, shape, cutoff + 1, months), cutoff + 1)
    for sample in range(samples):
        random = np.random.default_rng([settings.seed, sample, 6])
        member = sample % settings.members
        change = lag.draw(random) - lag.shares
        now = with_habits(plain, expected, change, waits.draw(random) - waits.mean)
        after = claims_law.posterior(before, count, now.history * weather[member, :, -1:])
        multiplier = random.gamma(after.shape, 1.0 / after.rate)
        first, repeat = scaled(now, weather[member], multiplier)
        mean = first[..., None, None] * share_first + repeat[..., None, None] * share_repeat
        regrades[sample] = np.moveaxis(random.poisson(mean), 2, 0)
        level = random.gamma(complaint.shape, 1.0 / complaint.rate)
        seasonal[sample] = np.moveaxis(random.poisson(ahead * level[:, None, None]), 2, 0)
        waiting[sample] = random.poisson(now.pending * weather[member, :, -1:] * multiplier)
    whole = ("sample", "month", "region", "design", "grade", "cover")
    return xr.Dataset(
        {
            "regrades": (whole, regrades, {"long_name": "regrades reported", "units": "1"}),
            "seasonal": (whole[:4], seasonal, {"long_name": "seasonal complaints, in cover", "units": "1"}),
            "not_yet_reported": (
                ("sample", "region", "design"),
                waiting,
                {"long_name": "regrades due at the cut-off and not reported by then", "units": "1"},
            ),
        },
        coords={
            "month": [month_label(cutoff + 1 + step) for step in range(months)],
            "region": list(fleet.regions),
            "design": list(fleet.designs),
            "grade": [*settings.grades, NO_GRADE],
            "cover": ["out of cover", "in cover"],
        },
        attrs={"title": settings.title, "cutoff": month_label(cutoff), "seed": settings.seed},
    )


def _shares(parts: Array) -> Array:
    """Shares over grade and cover of each month's number, (..., grades, 2); a month without any has none."""
    return ratio(parts, parts.sum(axis=(-1, -2), keepdims=True))


def _seasonal_expected(fleet: Fleet, covered: Array, start: int) -> Array:
    """Complaints that come back with the season, at the stated rates: (regions, designs, months) of units in cover."""
    rate = np.array([fleet.settings.regions[name].seasonal_complaints_per_thousand for name in fleet.regions]) / 1000.0
    calendar = (start + np.arange(covered.shape[2])) % 12
    return np.asarray(covered * rate[:, calendar][:, None, :])


def _complaint_law(fleet: Fleet, cohorts: Cohorts, known: Claims, cutoff: int) -> Multiplier:
    """Multiplier of the stated seasonal rates by region, from the seasonal claims so far."""
    start = int(cohorts.sale.min(initial=cutoff)) if fleet.claims_since == NONE else fleet.claims_since
    shape = (len(fleet.regions), len(fleet.designs))
    past = _seasonal_expected(fleet, in_cover(cohorts, shape, start, max(cutoff - start + 1, 1)), start)
    count = _counted(known, (known.disposition == SEASONAL) & (known.report >= start), shape).sum(axis=1)
    return claims_law.posterior(claims_law.prior(fleet.settings.multiplier_log_sd), count, past.sum(axis=(1, 2)))
