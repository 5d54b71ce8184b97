"""What is asked of a calibrated instrument: action in the next seasons, where it stands now, the regrade date."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np
from numpy.typing import NDArray

from driftmodel.base.records import WorkDone
from driftmodel.calibration.bench import Bench
from driftmodel.calibration.forward import Moved, action_per_relief, creep_of, moisture_of, moved, saddle_rise_mm
from driftmodel.calibration.layout import Layout, anew_mm, truss_rod_mm
from driftmodel.calibration.sight import ROWS, Moment, Sight, top_share
from driftmodel.calibration.work import ALL_DONE, action_work_mm, saddle_work_mm, spacer_lift_mm
from driftmodel.outlook.calendar import day_of, stay_means
from driftmodel.outlook.regrade import NEVER, due_step, outside_rule
from driftmodel.outlook.work import grade_lifts_mm

Array = NDArray[np.float64]

SEASON_DAYS = 90
WEEK = 7
DAYS_PER_YEAR = 365.25


def next_season(bench: Bench, after: date, wettest: bool = False) -> Moment:
    """The driest (or dampest) 90 days that begin within a year after a day, by the equilibrium moisture content."""
    first = day_of(bench.scenario, after) + 1
    last = min(first + 365 + SEASON_DAYS, bench.lags.emc_pct.size)
    emc = bench.lags.emc_pct[first:last]
    sums = np.convolve(emc, np.ones(SEASON_DAYS), mode="valid")
    at = first + int(sums.argmax() if wettest else sums.argmin())
    return Moment(bench.scenario.stays[0].start + timedelta(days=at), SEASON_DAYS)


def place_states(bench: Bench) -> tuple[Array, NDArray[np.intp]]:
    """The mean state of each place, lags (lag, places), and the place of every week from set-up on (weeks,)."""
    since = day_of(bench.scenario, bench.scenario.setup.setup)
    path = bench.lags.lags_pct[:, since:]
    means = stay_means(bench.scenario, path.astype(np.float32))[:, ::WEEK].astype(float)
    change = np.concatenate([[True], np.any(np.diff(means, axis=1) != 0.0, axis=0)])
    return means[:, change], np.cumsum(change) - 1


@dataclass(frozen=True)
class Asked:
    """Columns of a sight past the readings: the day itself, next dry and damp season, then the places' means."""

    now: date
    seasons: tuple[Moment, Moment]
    places: Array
    place_of_week: NDArray[np.intp]

    @property
    def moments(self) -> tuple[Moment, ...]:
        return (Moment(self.now), *self.seasons)


def what_is_asked(bench: Bench, now: date) -> Asked:
    """The questions put on a day."""
    places, of_week = place_states(bench)
    return Asked(now, (next_season(bench, now), next_season(bench, now, wettest=True)), places, of_week)


@dataclass(frozen=True)
class Answers:
    """For each draw: action (mm, at the 12th fret, work done counted) on the day, over the next dry and damp season and
    at the place's mean state now; saddle rise there; years to the regrade from now, inf if past the horizon; action at
    the place's mean state at the horizon's end (nan if the horizon was left out)."""

    action_now_mm: Array
    action_dry_mm: Array
    action_damp_mm: Array
    action_reference_mm: Array
    saddle_rise_reference_mm: Array
    regrade_years: Array
    action_end_mm: Array


def answers(
    bench: Bench,
    layout: Layout,
    sight: Sight,
    first: int,
    normals: Array,
    asked: Asked,
    work: tuple[WorkDone, ...],
    horizon: bool = True,
) -> Answers:
    """Answers of particles; the sight's columns from `first` on are those of `asked`. horizon False leaves out the
    regrade date (inf), which costs the most."""
    values = layout.values(normals)
    own = _columns(sight, first)
    moisture = moisture_of(layout, own, normals, values)
    movement = moved(bench, moisture, creep_of(layout, own, normals, values), values)
    days = len(asked.moments)
    lift, saddle = spacer_lift_mm(ALL_DONE, work, bench.scenario) + anew_mm(values), saddle_work_mm(ALL_DONE, work)
    level = bench.scenario.setup.action_12th_mm + values["set_up_error"] + (lift + saddle) / 2.0
    level = level + action_work_mm(ALL_DONE, work) + truss_rod_mm(values) * action_per_relief(bench.coefficients)
    rise = saddle_rise_mm(bench, movement)
    action = level[:, None] + rise / 2.0 + movement.bow_action
    weekly = _weekly(bench, layout, normals, values, moisture[:, :, days:], asked) if horizon else None
    here = min((asked.now - bench.scenario.setup.setup).days // WEEK, asked.place_of_week.size - 1)
    if weekly is None:
        place = asked.place_of_week[here]
        lasting = creep_of(layout, own, normals, values)[:, [0]]
        at = moved(bench, moisture[:, :, [days + place]], lasting, values)
        rise_now, bow_now = saddle_rise_mm(bench, at)[:, 0], at.bow_action[:, 0]
        years, end = np.full(len(normals), np.inf), np.full(len(normals), np.nan)
    else:
        rise_week, bow_week = weekly
        rise_now, bow_now = rise_week[:, here], bow_week[:, here]
        path = level[:, None] + rise_week / 2.0 + bow_week
        years, end = _years_to_regrade(bench, rise_week, path, lift, saddle, here), path[:, -1]
    return Answers(
        action[:, 0], action[:, 1], action[:, 2], level + rise_now / 2.0 + bow_now, rise_now + lift, years, end
    )


def _columns(sight: Sight, first: int) -> Sight:
    return Sight(
        sight.moisture[:, :, first:], sight.steady[first:], sight.cycling[:, first:], sight.weather[:, :, first:]
    )


def _weekly(
    bench: Bench, layout: Layout, normals: Array, values: Mapping[str, Array], places: Array, asked: Asked
) -> tuple[Array, Array]:
    """Saddle rise and bow at the place's mean state, (n, weeks): the lasting part weekly, the place's part by place."""
    since = day_of(bench.scenario, bench.scenario.setup.setup)
    steady, cycling = (path[..., since::WEEK] for path in bench.creep)
    path = Sight(np.zeros((len(ROWS), 1, 0)), steady, top_share(bench.table.weights) @ cycling, np.zeros((0, 0, 0)))
    lasting = creep_of(layout, path, normals, values)
    still = moved(bench, places, np.zeros((len(normals), places.shape[2])), values)
    creeping = moved(bench, np.zeros((len(normals), len(ROWS), 1)), np.ones((len(normals), 1)), values)
    of_week = asked.place_of_week
    whole = Moved(
        top_sinkage=still.top_sinkage[:, of_week] + creeping.top_sinkage * lasting,
        neck_rotation=still.neck_rotation[:, of_week] + creeping.neck_rotation * lasting,
        bow_action=still.bow_action[:, of_week],
        relief=still.relief,
        weight=still.weight,
    )
    return saddle_rise_mm(bench, whole), whole.bow_action


def _years_to_regrade(bench: Bench, rise: Array, action: Array, lift: Array, saddle: float, here: int) -> Array:
    """Years from now to the next regrade, the spacer now fitted and the saddle as it now is left in."""
    rule, setup = bench.scenario.rule, bench.scenario.setup
    outside = outside_rule(rise + lift[:, None], action, setup.saddle_room_mm + saddle, rule)
    steps = max(1, -(-rule.days_outside // WEEK))
    due = due_step(outside, steps, np.full(len(rise), here, dtype=np.intp))
    return np.where(due == NEVER, np.inf, (due - here) * WEEK / DAYS_PER_YEAR)


def nearest_grades(bench: Bench, found: Answers, work: tuple[WorkDone, ...]) -> NDArray[np.intp]:
    """The grade each draw wants fitted now, at the place's mean state; -1 where none of the set mends it."""
    scenario = bench.scenario
    fitted_lift = spacer_lift_mm(ALL_DONE, work, scenario)
    lifts = grade_lifts_mm(scenario) - fitted_lift
    room = scenario.setup.saddle_room_mm + saddle_work_mm(ALL_DONE, work)
    action = found.action_reference_mm[:, None] + lifts / 2.0
    bad = outside_rule(found.saddle_rise_reference_mm[:, None] + lifts, action, room, scenario.rule)
    distance = np.where(bad, np.inf, np.abs(action - scenario.setup.action_12th_mm))
    return np.where(np.isfinite(distance).any(axis=1), distance.argmin(axis=1), -1).astype(np.intp)


def refitted(asked: Asked, work: tuple[WorkDone, ...], label: str) -> tuple[WorkDone, ...]:
    """The work with a spacer swap on the day asked about."""
    return (*work, WorkDone(asked.now, spacer=label))


def quantiles(values: Array) -> tuple[float, float, float]:
    """10, 50 and 90 % points; a share that never comes is inf, taken as the value at that rank."""
    low, middle, high = np.quantile(values, [0.1, 0.5, 0.9], method="inverted_cdf")
    return float(low), float(middle), float(high)
