"""From expected reports and claims to one sample cube, from which every number of a demand forecast is taken.

Quantiles do not add: so all totals, parts, hours and money are summed sample by sample and only then ranked."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from driftmodel.base.arrays import only, ratio
from driftmodel.base.materials import recording
from driftmodel.base.schema import Array, Dataset, Flags, Integers, described
from driftmodel.base.workers import Crew, Progress
from driftmodel.fleet import claims as claims_law
from driftmodel.fleet.cell_demand import Window
from driftmodel.fleet.claims import Multiplier
from driftmodel.fleet.claims_fit import correct
from driftmodel.fleet.cohorts import Cohorts, cohorts_of, cover_left, in_cover
from driftmodel.fleet.correction import Correction, expected_of, newer_sold
from driftmodel.fleet.delay import ReportingLag, WaitingShare
from driftmodel.fleet.exposure import AGAIN, BIN_AGES, EXPECTED, FRESH, KINDS, TOLD, UNITS, Spells
from driftmodel.fleet.future import Groups, reports
from driftmodel.fleet.histories import Histories, histories
from driftmodel.fleet.passage import CellPassages
from driftmodel.fleet.report_habits import monthly, reporting_lag, waiting_share, with_habits
from driftmodel.fleet.roster import REGRADE, SEASONAL, Claims, Fleet
from driftmodel.fleet.run import FleetDemand, run_cells
from driftmodel.fleet.tables import NONE, month_label
from driftmodel.outlook.drift import told

NO_GRADE = "none mends it"
SOON_MONTHS = 12
MOST_GROUPS, MOST_REGRADE_GROUPS = 60, 36  # by month of sale, or of the last regrade, that the forecast tells apart
LATENESS_MONTHS = 12  # in which the claims' lateness tells when they fell due; own choice, no source
AT_ONCE = 50  # samples worked on together
FIRM_CLAIMS = 10.0  # so many claims tell the level as firmly as the physics does; own choice, no source
GRADE_WORTH = 20.0  # jobs; own choice, no source


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
            between=_between(past, cohorts), crew=crew, progress=progress,
        )  # fmt: skip
    regrade = known.disposition == REGRADE
    count = _counted(known, regrade & (known.report >= fleet.claims_since), shape)
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
        claims_law.prior(settings.multiplier_log_sd), count, law, sampled.multiplier, lag.shares, waits.mean, cutoff,
        widening,
    )  # fmt: skip


def window_of(
    fleet: Fleet,
    cutoff: int,
    months: int,
    past: Histories,
    *,
    lag: tuple[float, ...] = (1.0,),
    waiting: float = 0.0,
    soon: int = SOON_MONTHS,
) -> Window:
    """What every cell is asked."""
    settings, years = fleet.settings, fleet.units.sale // 12
    return Window(
        cutoff=cutoff,
        months=months,
        members=settings.members,
        grades=len(settings.grades) + 1,
        lag_shares=lag,
        claims_since=fleet.claims_since,
        soon=soon,
        waiting_share=waiting,
        waiting_months=settings.habits.end_of_cover_months,
        first_sale_year=int(years.min()),
        sale_years=int(years.max() - years.min()) + 1,
        since=past.since,
        sales=_groups(past.units.sale, cutoff, MOST_GROUPS),
        regrades=_groups(past.units.regraded[past.units.regraded != NONE], cutoff, MOST_REGRADE_GROUPS),
    )


def _groups(months: NDArray[np.int32], cutoff: int, most: int) -> tuple[int, ...]:
    """First months of about `most` groups of these, a new one after the cut-off."""
    if months.size == 0:
        return (cutoff,)
    low, high = int(months.min()), int(months.max())
    wide = -(-(high - low + 1) // most)
    return (*range(low, min(cutoff, high) + 1, wide), *range(max(cutoff + 1, low), high + 1, wide))


def _between(past: Histories, cohorts: Cohorts) -> dict[int, Spells]:
    """Times between two regrades of a unit, by cell."""
    if past.row.size == 0:
        return {}
    units, row = past.units, past.row
    build, end = units.build[row].astype(np.int64), (units.sale + units.cover)[row].astype(np.int64)
    begin, stop, count = past.begin.astype(np.int64), past.stop.astype(np.int64), units.count[row].astype(float)
    cell = cohorts.cell[cohorts.of_row[row]]
    order = np.argsort(cell, kind="stable")
    there, first = np.unique(cell[order], return_index=True)
    return {
        int(at): Spells(build[own], begin[own], stop[own], end[own], count[own])
        for at, own in zip(there.tolist(), np.split(order, first[1:]), strict=True)
    }


def gamma_of(samples: Array) -> Multiplier:
    """The gamma law of the same mean and variance as samples (samples, ...)."""
    mean, variance = samples.mean(axis=0), np.maximum(samples.var(axis=0), 1e-12)
    return Multiplier(mean**2 / variance, mean / variance)


def known_claims(claims: Claims, cutoff: int) -> Claims:
    """The claims reported by the end of a month."""
    kept = claims.report <= cutoff
    return only(claims, kept)


def _counted(claims: Claims, chosen: Flags, shape: tuple[int, int]) -> Integers:
    table = np.zeros(shape, dtype=np.int64)
    np.add.at(table, (claims.region[chosen], claims.design[chosen]), 1)
    return table


def lateness(claims: Claims, cutoff: int, regions: int, lag: ReportingLag) -> Array:
    """Claims of the last year by region, how many months ago they were reported, and how many months late, no later
    than the lag has it: (regions, months, lags), as far as their lag is still that of the cut-off."""
    ago, late = cutoff - claims.report, claims.report - claims.event
    table = np.zeros((regions, LATENESS_MONTHS, lag.shares.size))
    own = (ago < LATENESS_MONTHS) & (late < lag.shares.size)
    np.add.at(table, (claims.region[own], ago[own], late[own]), lag.keep ** ago[own])
    return table


def weather_ratio(expected: FleetDemand) -> Array:
    """How much more or less than the mean member each member brings, (members, regions, years + 1), the past last.

    The spread between members is weather and the noise of a finite number of draws. The noise is known from the draws'
    scatter; what is left is weather, and each member's ratio is drawn in to 1 by the noise's share (the linear Bayes
    estimate, Robbins 1983)."""
    level = expected.level
    mean = level.mean(axis=0)
    members = level.shape[0]
    between = level.var(axis=0, ddof=1) if members > 1 else np.zeros_like(mean)
    weather = np.maximum(between - expected.noise.mean(axis=0), 0.0)
    kept = weather / np.maximum(weather + expected.noise, 1e-300)
    ratio = level / np.where(mean > 0.0, mean, 1.0)
    return np.asarray(np.where(mean > 0.0, np.maximum(1.0 + kept * (ratio - 1.0), 0.0), 1.0))


def weather_sd(expected: FleetDemand) -> float:
    """Log standard deviation of the first year ahead against the past of the same member, by the physics."""
    kept = weather_ratio(expected)
    ahead = np.log(np.maximum(ratio(kept[:, :, 0], kept[:, :, -1]), 0.1))
    return float(np.minimum(ahead.std(axis=0), 0.5).mean())


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
    complaint = _complaint_law(fleet, cohorts, known, cutoff)
    calls_sold, calls_planned = (
        seasonal_expected(fleet, in_cover(cohorts, shape, cutoff + 1, reach, later), cutoff + 1)
        for later in (cohorts.sale <= cutoff, cohorts.sale > cutoff)
    )
    calendar = np.arange(cutoff + 1, cutoff + 1 + reach)
    came = expected.behind[:, :, :, TOLD].sum(axis=(2, 3, 4))
    already = already_due(lag.shares, waits.mean, reach)
    physics = plain.first + plain.repeat
    physics_says, physics_trend = physics @ already, trend(physics)
    tail = np.maximum(1.0 - np.cumsum(lag.shares), 0.0) + 1e-9  # due so many months ago and not yet told
    between = 1.0 + tail @ (2.0 * np.arange(tail.size)) / tail.sum() - lag.shares @ np.arange(lag.shares.size)
    for start in range(0, samples, AT_ONCE):
        streams = [np.random.default_rng([settings.seed, i, 6]) for i in range(start, min(start + AT_ONCE, samples))]
        habits, effects, factors, tails, lately = [], [], [], [], []
        for random in streams:
            change = lag.draw(random) - lag.shares
            now = with_habits(plain, expected, change, waits.draw(random) - waits.mean)
            rival, drawn, factor = one_future(correction, calendar, widening, random)
            # where claims have told the level, another lag of reports moves months and not the level
            moved = ratio(now.history, plain.history) ** (came / (came + FIRM_CLAIMS))
            habit = np.where(plain.first > 0.0, ratio(now.first, plain.first), 1.0)
            habit = habit / np.where(moved > 0.0, moved, 1.0)[..., None]
            factors.append(factor + np.log(np.maximum(habit, 1e-9)))
            habits.append(now)
            effects.append(drawn)
            tails.append(np.maximum(tail - np.cumsum(change), 0.0))
            lately.append(rival.lately(drawn, cutoff, tail))
        every = np.array(effects)
        level = past_ratio(correction, expected.behind, every)
        whole = reports(fresh, again, expected.gaps, correction, cutoff, every, np.array(factors))
        both = [whole, whole]
        if not fresh.sold.all():
            both[0] = reports(fresh, again, expected.gaps, correction, cutoff, every, np.array(factors), sold_only=True)
        for place, random in enumerate(streams):
            sample = start + place
            count = []
            for kind in (0, 1):
                of_sold, of_all = both[0][kind][place], both[1][kind][place]
                of_planned = random.poisson(np.maximum(of_all - of_sold, 0.0))
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
            even = np.moveaxis(ahead, 0, 2) * np.exp(-factors[place])
            if waits.mean > 0.0:  # how many wait for the end of their cover the physics must say
                moved = ratio(even @ already, physics_says) * np.exp(between * physics_trend)
                due = habits[place].pending * np.where(physics_says > 0.0, moved, level[place])
            else:
                due = even[..., np.minimum(np.arange(tail.size), reach - 1)] @ tails[place]
            waiting[sample] = random.poisson(due * np.exp(lately[place][:, None] - between * trend(even)))
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


def one_future(
    correction: Correction, calendar: Integers, widening: float, random: np.random.Generator
) -> tuple[Correction, Array, Array]:
    """One of the correction's rivals, a draw of its effects, and their log factor by month, see `of_the_months`."""
    rival = correction.one(random)
    drawn = rival.draw(random.standard_normal(correction.mean.size))
    return rival, drawn, of_the_months(rival, drawn, calendar, widening, random)


def of_the_months(
    correction: Correction, effects: Array, calendar: Integers, widening: float, random: np.random.Generator
) -> Array:
    """Log factor of one draw of the effects by its years, wider by `widening`, by season and by chance of a month,
    (regions, 1, months)."""
    regions, months = correction.regions, calendar.size
    year = correction.pace(effects, calendar, random)[:, None, :]
    wider = widening * random.standard_normal((regions, 1, -(-months // 12)))
    year = year + np.repeat(wider, 12, axis=2)[..., :months]
    season = correction.season(effects)[:, calendar % 12][:, None, :]
    return np.asarray(year + season + np.log(gamma_noise(correction.scatter, year.shape, random)))


def already_due(lag: Array, waiting: float, months: int) -> Array:
    """Share of the reports of month 0, 1, ... ahead that were due before them all, (months,), about: those late by the
    lag, and for a year ahead those of owners who wait for the end of their cover. It weighs how far the claims move
    what the physics has of regrades due and not yet reported."""
    late = np.zeros(months)
    tail = 1.0 - np.cumsum(lag)[:months]
    late[: tail.size] = (1.0 - waiting) * tail
    late[:SOON_MONTHS] += waiting
    late[0] += 1e-9  # where all come at once
    return np.asarray(late)


def trend(rate: Array) -> Array:
    """Log growth a month of rates (regions, designs, months) over the first year ahead, (regions, designs)."""
    half = max(min(rate.shape[2], SOON_MONTHS) // 2, 1)
    first = rate[..., :half].sum(axis=2)
    then = rate[..., half : 2 * half].sum(axis=2) if rate.shape[2] > half else first
    return np.asarray(np.where(first > 0.0, np.log(np.clip(ratio(then, first), 0.2, 5.0)), 0.0) / half)


def parts_of(expected: FleetDemand, window: Window) -> tuple[Groups, Groups]:
    """Units never regraded by the cut-off and units regraded by then, in groups."""
    return (
        _in_groups(expected.sold, window.sales, window.cutoff, np.zeros(1, dtype=np.int64)),
        _in_groups(expected.back, window.regrades, window.cutoff, np.arange(1, KINDS)),
    )


def _in_groups(table: Array, first_months: tuple[int, ...], cutoff: int, kinds: Integers) -> Groups:
    """Groups of units, of a table (regions, designs, 3, kinds x groups, months) with the groups' first months."""
    starts = np.array(first_months)
    last = np.append(starts[1:], max(cutoff, int(starts[-1])) + 1) - 1
    last = np.where((starts <= cutoff) & (last > cutoff), cutoff, last)
    middle, sold = np.tile(0.5 * (starts + last), kinds.size), np.tile(starts <= cutoff, kinds.size)
    return Groups(table[:, :, 0], table[:, :, 1], table[:, :, 2], middle, np.repeat(kinds, starts.size), sold)


def gamma_noise(variance: float, shape: tuple[int, ...], random: np.random.Generator) -> Array:
    """Factors of mean 1 and this variance."""
    if variance < 1e-6:
        return np.ones(shape)
    return np.asarray(random.standard_gamma(1.0 / variance, shape) * variance)


def past_ratio(correction: Correction, behind: Array, effects: Array) -> Array:
    """What the corrected hazard makes of the physics' past number, years apart from the mean left out, (draws, regions,
    designs); the level alone where nothing was expected."""
    units, expected = behind[:, :, :, UNITS].sum(axis=4), behind[:, :, :, EXPECTED].sum(axis=(2, 3, 4))
    own, ago = expected_of(behind, correction.least), np.arange(behind.shape[5])[::-1] + BIN_AGES[:, None]
    late = (own[:, :, FRESH] * newer_sold(ago)).sum(axis=3)
    own = own.sum(axis=4)  # region, design, kind, bin
    by_age, by_gap = correction.by_age(effects, int(BIN_AGES[-1]) + 1)
    trust, apart = correction.trust(effects), correction.apart(ratio(own, units))
    got = np.zeros(by_age.shape[:3])
    for kind in range(KINDS):
        sort = FRESH if kind == 0 else AGAIN
        factor = np.exp((by_age, by_gap)[sort][..., BIN_AGES] + trust[:, sort, None, None, None] * apart[:, :, kind])
        got += np.einsum("srdb,rdb->srd", factor, own[:, :, kind])
        if kind == FRESH:
            got += np.einsum("srdb,rdb->srd", factor, late) * np.expm1(correction.newer(effects))
    return np.asarray(np.where(expected > 0.0, ratio(got, expected), np.exp(correction.level(effects))))


def grade_shares(parts: Array, known: Claims) -> Array:
    """Share of each grade, (regions, designs, months, grades, 2): of the physics in that month, in all months where it
    has none, with the grades that claims say were fitted counting as GRADE_WORTH of the physics' jobs would."""
    shape = parts.shape
    whole = parts.sum(axis=(2, 4))  # region, design, grade
    fleet = whole.sum(axis=(0, 1)) + 1e-9
    base = np.where(whole.sum(axis=2, keepdims=True) > 0.0, whole, fleet)
    base = ratio(base, base.sum(axis=2, keepdims=True))
    chosen = (known.disposition == REGRADE) & (known.grade != NONE)
    fitted = np.zeros(whole.shape)
    np.add.at(fitted, (known.region[chosen], known.design[chosen], known.grade[chosen]), 1.0)
    physics = np.where(
        parts.sum(axis=3, keepdims=True) > 0.0,
        ratio(parts, parts.sum(axis=3, keepdims=True)),
        base[:, :, None, :, None],
    )
    weight = ratio(fitted.sum(axis=2), fitted.sum(axis=2) + GRADE_WORTH)[:, :, None, None, None]
    own = ratio(fitted, fitted.sum(axis=2, keepdims=True))[:, :, None, :, None]
    mixed = (1.0 - weight) * physics + weight * np.broadcast_to(own, shape)
    return np.asarray(mixed / mixed.sum(axis=3, keepdims=True))


def seasonal_expected(fleet: Fleet, covered: Array, start: int) -> Array:
    """Complaints that come back with the season, at the stated rates: (regions, designs, months) of units in cover."""
    rate = np.array([fleet.settings.regions[name].seasonal_complaints_per_thousand for name in fleet.regions]) / 1000.0
    calendar = (start + np.arange(covered.shape[2])) % 12
    return np.asarray(covered * rate[:, calendar][:, None, :])


def _complaint_law(fleet: Fleet, cohorts: Cohorts, known: Claims, cutoff: int) -> Multiplier:
    """Multiplier of the stated seasonal rates by region, from the seasonal claims so far."""
    start = int(cohorts.sale.min(initial=cutoff)) if fleet.claims_since == NONE else fleet.claims_since
    shape = (len(fleet.regions), len(fleet.designs))
    past = seasonal_expected(fleet, in_cover(cohorts, shape, start, max(cutoff - start + 1, 1)), start)
    count = _counted(known, (known.disposition == SEASONAL) & (known.report >= start), shape).sum(axis=1)
    return claims_law.posterior(claims_law.prior(fleet.settings.multiplier_log_sd), count, past.sum(axis=(1, 2)))
