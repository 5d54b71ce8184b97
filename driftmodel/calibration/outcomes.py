"""What is asked of a calibrated instrument: action in the next seasons, where it stands now, the regrade date."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import date, timedelta

import numpy as np

from driftmodel.base.schema import DAYS_PER_YEAR, QUANTILES, Array
from driftmodel.calibration.bench import Bench
from driftmodel.calibration.drives import Moment
from driftmodel.calibration.forward import (
    Moved,
    Particles,
    action_per_relief,
    creep_of,
    moisture_of,
    moved,
    rise_of,
    seasonal_action,
)
from driftmodel.calibration.layout import ANEW, TRUSS_ROD, by_work
from driftmodel.calibration.moments import AtMoments
from driftmodel.outlook.calendar import day_of, fitted_lift_mm, reference_state, saddle_work_mm
from driftmodel.outlook.regrade import NEVER, first_due, outside_rule
from driftmodel.outlook.room_lags import room_weights

SEASON_DAYS = 90
WEEK = 7
#: the movement by moisture has come back when a fifth of it is left
LEFT_SHARE = 0.2
#: particles that are asked how soon
FIRST = 100


def next_season(bench: Bench, after: date, wettest: bool = False) -> Moment:
    """The driest (or dampest) 90 days within a year after a day, by the equilibrium moisture content."""
    first = day_of(bench.scenario, after) + 1
    last = min(first + 365, bench.drive.lags.emc_pct.size)
    emc = bench.drive.lags.emc_pct[first:last]
    sums = np.convolve(emc, np.ones(SEASON_DAYS), mode="valid")
    at = first + int(sums.argmax() if wettest else sums.argmin())
    return Moment(bench.scenario.stays[0].start + timedelta(days=at), SEASON_DAYS)


@dataclass(frozen=True)
class Asked:
    """Columns of AtMoments past the readings: the day itself, next dry and damp season, then the reference state of the
    day. reference (lag, weeks): the reference state of every week from set-up on; here: the week of the day."""

    now: date
    seasons: tuple[Moment, Moment]
    reference: Array
    here: int

    @property
    def moments(self) -> tuple[Moment, ...]:
        return (Moment(self.now, after_work=True), *self.seasons)

    @property
    def days(self) -> tuple[date, ...]:
        """The middle of each question: the moments', the day of the reference state; and one for the set-up."""
        return (*(moment.day + timedelta(days=moment.days // 2) for moment in self.moments), self.now, self.now)

    @property
    def a_year_on(self) -> int:
        """The week a year after the day."""
        return min(self.here + 52, int(self.reference.shape[1]) - 1)


def what_is_asked(bench: Bench, now: date) -> Asked:
    """The questions put on a day."""
    since = day_of(bench.scenario, bench.scenario.setup.setup)
    acting = bench.drive.acting
    if bench.rooms is not None:
        acting = np.concatenate([acting, bench.rooms.path[0]])
    reference = reference_state(acting)[:, since::WEEK]
    here = min((now - bench.scenario.setup.setup).days // WEEK, reference.shape[1] - 1)
    return Asked(now, (next_season(bench, now), next_season(bench, now, wettest=True)), reference, here)


@dataclass(frozen=True)
class Answers:
    """For each draw: action (mm, at the 12th fret, work done counted) on the day, over the next dry and damp season and
    at the reference state now; saddle rise there; years to the regrade from now, inf if past the horizon; action at the
    reference state at the horizon's end; both at the reference state a year from now, and then in air kept as at
    set-up; the action in such air now (nan where the horizon was left out). relief_now_mm: the neck's relief on the
    day, over that of the set-up."""

    action_now_mm: Array
    action_dry_mm: Array
    action_damp_mm: Array
    action_reference_mm: Array
    saddle_rise_reference_mm: Array
    regrade_years: Array
    action_end_mm: Array
    action_next_mm: Array
    saddle_rise_next_mm: Array
    action_steady_mm: Array
    saddle_rise_steady_mm: Array
    action_steady_now_mm: Array
    relief_now_mm: Array


def answers_of_particles(
    particles: Particles, own: AtMoments, asked: Asked, horizon: bool = True, weather: Array | None = None
) -> Answers:
    """Answers of particles; own: the columns of `asked`. horizon False leaves out the regrade date (inf), which costs
    the most. weather: its own part at `asked.days`, mm of action, (n, 5)."""
    bench, values, count = particles.bench, particles.values, len(particles.normals)
    scenario, turned = bench.scenario, by_work(TRUSS_ROD, values)
    moisture, creep = moisture_of(particles, own), creep_of(particles, own.creep)
    movement = moved(particles, moisture, creep)
    lift, saddle = fitted_lift_mm(scenario) + by_work(ANEW, values), saddle_work_mm(scenario)
    level = scenario.setup.action_12th_mm + values["set_up_error"] + (lift + saddle) / 2.0
    level = level + sum(one.action_mm for one in scenario.work) + turned * action_per_relief(bench.coefficients)
    action = level[:, None] + rise_of(bench, movement) / 2.0 + movement.bow_action
    reference = moisture[:, :, [len(asked.moments)]]
    if horizon:
        rise_week, bow_week, bowed, steady = _weekly(particles, reference, asked)
        rod_set = level[:, None] + rise_week / 2.0 + bow_week
        path = rod_set + bowed
        rise_now, bow_now = rise_week[:, asked.here], (bow_week + bowed)[:, asked.here]
        years, end = _years_to_regrade(bench, rise_week, rod_set, lift, saddle, asked.here), path[:, -1]
        then = asked.a_year_on
        next_year = (
            path[:, then],
            rise_week[:, then] + lift,
            level + steady[:, 1] / 2.0 + bowed[:, then],
            steady[:, 1] + lift,
            level + steady[:, 0] / 2.0 + bowed[:, asked.here],
        )
    else:
        at = moved(particles, reference, creep[:, :, [0]])
        rise_now, bow_now = rise_of(bench, at)[:, 0], at.bow_action[:, 0]
        none = np.full(count, np.nan)
        years, end = np.full(count, np.inf), none
        next_year = (none, none, none, none, none)
    away = np.zeros((count, len(asked.days))) if weather is None else weather
    return Answers(
        action[:, 0] + away[:, 0],
        action[:, 1] + away[:, 1],
        action[:, 2] + away[:, 2],
        level + rise_now / 2.0 + bow_now + away[:, 3],
        rise_now + lift + 2.0 * away[:, 3],
        years,
        end,
        *next_year,
        movement.relief[:, 0] + turned,
    )


def _weekly(particles: Particles, now: Array, asked: Asked) -> tuple[Array, Array, Array, Array]:
    """Saddle rise and the moisture's bow at the reference state, and the bow's lasting part, (n, weeks): moisture there
    now (n, rows, 1), and what the reference moves from now on and before, by its lags; and the rise in air kept as at
    set-up, now and in a year, (n, 2)."""
    bench, count = particles.bench, len(particles.normals)
    on_lags = np.einsum("ni,rik->nrk", particles.on, bench.table.weights)
    on_lags *= particles.values["moisture_level"][:, None, None]
    if bench.rooms is not None:
        terms = bench.rooms.rows.terms(particles.values, count)
        on_lags = np.stack([room_weights(one, bench.rooms.rows, terms) for one in on_lags.transpose(1, 0, 2)], axis=1)
    still, by_lag = moved(particles, now), moved(particles, on_lags)
    change = asked.reference - asked.reference[:, [asked.here]]
    sink, turn, bowed = creep_of(particles, bench.creep.columns(slice(None, None, WEEK)))
    whole = Moved(
        top_sinkage=still.top_sinkage + by_lag.top_sinkage @ change + sink,
        neck_rotation=still.neck_rotation + by_lag.neck_rotation @ change + turn,
        bow_action=still.bow_action + by_lag.bow_action @ change,
        relief=still.relief,
        weight=still.weight,
    )
    then = [asked.here, asked.a_year_on]
    none = np.zeros((count, 2))
    steady = Moved(sink[:, then], turn[:, then], none, none, none)
    return rise_of(bench, whole), whole.bow_action, bowed, rise_of(bench, steady)


def _years_to_regrade(bench: Bench, rise: Array, action: Array, lift: Array, saddle: float, here: int) -> Array:
    """Years from now to the next regrade, the spacer now fitted and the saddle as it now is left in."""
    scenario = replace(bench.scenario, today=None)  # the day asked about is told by `here`
    outside = outside_rule(rise + lift[:, None], action, scenario.setup.saddle_room_mm + saddle, scenario.rule)
    due = first_due(outside, scenario, WEEK, here * WEEK)
    return np.where(due == NEVER, np.inf, (due - here * WEEK) / DAYS_PER_YEAR)


def weeks_to_come_back(particles: Particles) -> int:
    """Weeks until the action's movement by moisture is within LEFT_SHARE of settled after a step of the air, at 20
    degC, in nine of ten of the first of them; 1 to 26."""
    particles, table = particles.first(FIRST), particles.bench.table
    lags = np.einsum("ni,rik->nrk", particles.on, table.weights)  # (n, rows, lag)
    taus = np.tile(table.time_constants_days, 2)
    days = np.arange(0.0, 183.0, 3.5)
    answered = 1.0 - np.exp(-days[:, None] / taus)  # (days, lag)
    moisture = np.einsum("nrk,dk->nrd", lags, answered)
    action = seasonal_action(particles, moisture)
    left = np.abs(action - action[:, [-1]]) > LEFT_SHARE * np.abs(action).max(axis=1, keepdims=True)
    last = np.where(left.any(axis=1), days.size - 1 - left[:, ::-1].argmax(axis=1), 0)
    return int(np.clip(np.ceil(np.quantile(days[last], 0.9) / 7.0), 1, 26))


def quantiles(values: Array, weights: Array | None = None) -> tuple[float, float, float]:
    """10, 50 and 90 % points; a share that never comes is inf, taken as the value at that rank."""
    low, middle, high = np.quantile(values, QUANTILES, method="inverted_cdf", weights=weights)
    return float(low), float(middle), float(high)
