"""From expected reports and claims to one sample cube, from which every number of a demand forecast is taken.

Quantiles do not add: so all totals, parts, hours and money are summed sample by sample and only then ranked."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from driftmodel.base.arrays import only, ratio
from driftmodel.base.materials import recording
from driftmodel.base.schema import Array, Dataset, Integers, described
from driftmodel.base.workers import Crew, Progress
from driftmodel.fleet.cell_demand import Window
from driftmodel.fleet.claims import (
    Multiplier,
    complaint_law,
    counted,
    gamma_of,
    grade_shares,
    known_claims,
    lateness,
    prior,
    seasonal_expected,
)
from driftmodel.fleet.claims_fit import correct
from driftmodel.fleet.cohorts import Cohorts, between, cohorts_of, cover_left, histories, in_cover
from driftmodel.fleet.correction import Correction
from driftmodel.fleet.delay import (
    ReportingLag,
    WaitingShare,
    fell_due,
    monthly,
    reporting_lag,
    waiting_share,
    with_habits,
)
from driftmodel.fleet.exposure import EXPECTED, TOLD
from driftmodel.fleet.future import one_future, parts_of, past_reports, reports
from driftmodel.fleet.passage import CellPassages
from driftmodel.fleet.roster import REGRADE, Claims, Fleet
from driftmodel.fleet.run import SOON_MONTHS, FleetDemand, run_cells, weather_sd, window_of
from driftmodel.fleet.tables import month_label
from driftmodel.outlook.drift import told

NO_GRADE = "none mends it"
AT_ONCE = 50  # samples worked on together
ROUNDING = 1e-9  # reports: less is nobody's, and is no reason to draw a number that all after it would hang on
FIRM_CLAIMS = 10.0  # so many claims tell the level as firmly as the physics does; own choice, no source


@dataclass(frozen=True)
class ToCome:
    """Counts of some units: regrades (samples, reach, regions, designs, 2), out of and in cover, by month of report;
    visits (samples, reach, regions, designs) for seasonal complaints in cover."""

    regrades: NDArray[np.uint32]
    visits: NDArray[np.uint32]


@dataclass(frozen=True)
class Demand:
    """A demand forecast. cube: Dataset of counts (sample, month, region, design, grade, cover) `regrades`,
    (sample, month, region, design) `seasonal` and (sample, region, design) `not_yet_reported`. sold, planned: regrades
    and visits of units sold by the cut-off and after it, over the reach: the forecast's months and on to the end of
    every unit's cover. expected: what the physics alone says, over the reach. correction: how claims move it;
    before, claims, after: prior, regrade claims and posterior of the ratio of what comes to what the physics expects,
    (regions, designs); multiplier: (samples, regions, designs) that ratio. lag: share reported 0, 1, ... months after,
    and waiting: share of owners who wait until their cover ends, the estimates; each sample has its own from what is
    known of them."""

    fleet: Fleet
    cohorts: Cohorts
    cube: Dataset
    sold: ToCome
    planned: ToCome
    expected: FleetDemand
    correction: Correction
    before: Multiplier
    claims: Integers
    after: Multiplier
    multiplier: Array
    lag: Array
    waiting: float
    cutoff: int
    widening: float = 0.0


def forecast_demand(
    fleet: Fleet,
    function: CellPassages,
    *,
    cutoff: int | None = None,
    months: int | None = None,
    to_end_of_cover: bool = True,
    widening: float = 0.0,
    crew: Crew | None = None,
    progress: Progress = lambda done, of: None,
) -> Demand:
    """Regrades to come, month by month. function: passages of a cell, see passage.CellPassages.

    cutoff (month number) and months: in place of the fleet's own; an earlier cut-off knows nothing that came later.
    to_end_of_cover: whether to look on to the end of every sold unit's cover, past the months asked for. widening: log
    standard deviation by region and year on top of the model's, from a backtest."""
    settings = fleet.settings
    cutoff = fleet.cutoff if cutoff is None else cutoff
    months = settings.horizon_months if months is None else months
    reach = max(months, cover_left(fleet, cutoff, months)) if to_end_of_cover else months
    known = known_claims(fleet.claims, cutoff)
    waits = waiting_share(known, cutoff, fleet.claims_since, settings.habits)
    lag = reporting_lag(known, cutoff, settings.habits, waits)
    past = histories(fleet, cutoff)
    cohorts = cohorts_of(fleet, past.units, past.first)
    shape = (len(fleet.regions), len(fleet.designs))
    window = window_of(
        fleet, cutoff, reach, past, lag=tuple(lag.shares.tolist()), waiting=waits.mean, soon=min(SOON_MONTHS, months)
    )
    with recording() as numbers:
        expected = run_cells(
            cohorts, function, window, shape, draws=settings.draws, seed=settings.seed,
            between=between(past, cohorts), crew=crew, progress=progress,
        )  # fmt: skip
    regrade = known.disposition == REGRADE
    count = counted(known, regrade & (known.report >= fleet.claims_since), shape)
    fresh, again = parts_of(expected, window)
    correction = correct(
        expected.behind,
        fresh.units_and_reports(cutoff) + again.units_and_reports(cutoff),
        past,
        cutoff,
        window.lag_shares,
        lateness(only(known, regrade & (waits.mean == 0.0)), cutoff, shape[0], lag),
        log_sd=settings.multiplier_log_sd,
        weather_sd=weather_sd(expected),
    )
    sampled = sample_cube(fleet, cohorts, expected, correction, window, lag, waits, known, months, widening)
    described(sampled.cube).attrs |= told(numbers)
    law = gamma_of(sampled.multiplier)
    return Demand(
        fleet, cohorts, sampled.cube, sampled.sold, sampled.planned, expected.first_months(months), correction,
        prior(settings.multiplier_log_sd), count, law, sampled.multiplier, lag.shares, waits.mean, cutoff,
        widening,
    )  # fmt: skip


@dataclass(frozen=True)
class Sampled:
    """Sampled futures, see Demand."""

    cube: Dataset
    sold: ToCome
    planned: ToCome
    multiplier: Array


def sample_cube(
    fleet: Fleet,
    cohorts: Cohorts,
    expected: FleetDemand,
    correction: Correction,
    window: Window,
    lag: ReportingLag,
    waits: WaitingShare,
    known: Claims,
    months: int,
    widening: float = 0.0,
) -> Sampled:
    """Counts by sample. Each sample has one correction of the hazard, one habit of reporting for the fleet and its own
    years to come; counts are Poisson about that. Sample i has its own stream, so more samples leave the first ones as
    they were."""
    import xarray as xr

    settings, cutoff, reach = fleet.settings, window.cutoff, window.months
    shape = (len(fleet.regions), len(fleet.designs))
    samples, grades = settings.samples, len(settings.grades) + 1
    regrades = np.empty((samples, months, *shape, grades, 2), dtype=np.uint32)
    sold, planned = (
        ToCome(np.zeros((samples, reach, *shape, 2), np.uint32), np.zeros((samples, reach, *shape), np.uint32))
        for _ in range(2)
    )
    waiting = np.empty((samples, *shape), dtype=np.uint32)
    multiplier = np.empty((samples, *shape))
    plain = monthly(expected)
    shares = [grade_shares(part[:, :, :months], known) for part in (expected.first, expected.repeat)]
    fresh, again = parts_of(expected, window)
    complaint = complaint_law(fleet, cohorts, known, cutoff)
    calls_sold, calls_planned = (
        seasonal_expected(fleet, in_cover(cohorts, shape, cutoff + 1, reach, later), cutoff + 1)
        for later in (cohorts.sale <= cutoff, cohorts.sale > cutoff)
    )
    calendar = np.arange(cutoff + 1, cutoff + 1 + reach)
    came = expected.behind[:, :, :, TOLD].sum(axis=(2, 3, 4))
    physics = expected.behind[:, :, :, EXPECTED].sum(axis=(2, 3))
    back = np.arange(lag.shares.size)
    for start in range(0, samples, AT_ONCE):
        streams = [np.random.default_rng([settings.seed, i, 6]) for i in range(start, min(start + AT_ONCE, samples))]
        effects, factors, lags, waited, seasons, paces = [], [], [], [], [], []
        for random in streams:
            lags.append(lag.draw(random))
            change, wait = lags[-1] - lag.shares, waits.draw(random)
            now = with_habits(plain, expected, change, wait - waits.mean)
            prompt = with_habits(plain, expected, change, -waits.mean) if wait > 0.0 else now
            rival, drawn, factor = one_future(correction, calendar, widening, random)
            # where claims have told the level, another lag of reports moves months and not the level
            moved = ratio(now.history, plain.history) ** (came / (came + FIRM_CLAIMS))
            habit = np.where(plain.first > 0.0, ratio(now.first, plain.first), 1.0)
            habit = habit / np.where(moved > 0.0, moved, 1.0)[..., None]
            factors.append(factor + np.log(np.maximum(habit, 1e-9)))
            # how many wait for the end of their cover the physics must say
            waited.append((wait, np.maximum(now.pending - (1.0 - wait) * prompt.pending, 0.0)))
            effects.append(drawn)
            seasons.append(np.exp(rival.season(drawn))[:, None])
            paces.append(np.exp(rival.pace_due(drawn, cutoff - back))[:, None])
        every = np.array(effects)
        so_far = past_reports(correction, expected.behind, every)
        level = np.where(
            physics.any(axis=2), ratio(so_far.sum(axis=3), physics.sum(axis=2)), np.exp(correction.level(every))
        )
        whole = reports(fresh, again, expected.gaps, correction, cutoff, every, np.array(factors))
        both = [whole, whole]
        if not fresh.sold.all():
            both[0] = reports(fresh, again, expected.gaps, correction, cutoff, every, np.array(factors), sold_only=True)
        for place, random in enumerate(streams):
            sample = start + place
            count = []
            for kind in (0, 1):
                of_sold, of_all = both[0][kind][place], both[1][kind][place]
                of_planned = of_all - of_sold
                of_planned = random.poisson(np.where(of_planned > ROUNDING, of_planned, 0.0))
                of_sold = random.poisson(of_sold)
                sold.regrades[sample] += of_sold.astype(np.uint32)
                planned.regrades[sample] += of_planned.astype(np.uint32)
                whole = np.moveaxis((of_sold + of_planned)[:months], 0, 2)  # region, design, month, cover
                count.append(random.multinomial(whole, np.moveaxis(shares[kind], 3, 4)))
            regrades[sample] = np.moveaxis(count[0] + count[1], (2, 3, 4), (0, 4, 3))
            visits = random.gamma(complaint.shape, 1.0 / complaint.rate)
            for kept, ahead in ((sold, calls_sold), (planned, calls_planned)):
                kept.visits[sample] = np.moveaxis(random.poisson(ahead * visits[:, None, None]), 2, 0)
            multiplier[sample] = level[place]
            ahead = sum(part[place].sum(axis=-1) for part in both[1])  # month, region, design
            even = np.moveaxis(ahead, 0, 2) * np.exp(-factors[place]) * seasons[place][..., calendar % 12]
            before = so_far[place] * seasons[place][..., (cutoff + 1 + np.arange(-so_far.shape[3], 0)) % 12]
            due = due_late(before, even, lags[place]) * paces[place] @ untold(lags[place])
            wait, still = waited[place]
            waiting[sample] = random.poisson((1.0 - wait) * due + still * level[place])
    seasonal = (sold.visits + planned.visits)[:, :months]
    whole_cube = ("sample", "month", "region", "design", "grade", "cover")
    cube = xr.Dataset(
        {
            "regrades": (whole_cube, regrades, {"long_name": "regrades reported", "units": "1"}),
            "seasonal": (whole_cube[:4], seasonal, {"long_name": "seasonal complaints, in cover", "units": "1"}),
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
    return Sampled(cube, sold, planned, multiplier)


def untold(lag: Array) -> Array:
    """Share of what fell due 0, 1, ... months before the end of the cut-off that is not told by then, (lags,)."""
    return np.maximum(1.0 - np.cumsum(lag), 0.0)


def due_late(before: Array, ahead: Array, lag: Array) -> Array:
    """Regrades that fell due 0, 1, ... months before the end of the cut-off, (..., lags), of those told in months
    before its end and after it, (..., months) each."""
    months = np.concatenate([before, ahead], axis=-1)
    return fell_due(months, lag)[..., np.maximum(before.shape[-1] - 1 - np.arange(lag.size), 0)]
