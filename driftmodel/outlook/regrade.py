"""When a regrade is due, to which grade, and when again: passages of the lasting drift, vectorised over draws."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from driftmodel.base.records import Scenario
from driftmodel.base.scenario_file import Rule
from driftmodel.base.schema import Array, Flags
from driftmodel.outlook import calendar

NEVER = -1  # index of a passage that is not within the horizon
NO_GRADE = -1  # no spacer of the set mends it


@dataclass(frozen=True)
class Reading:
    """Where the instrument stands at the reference moisture state, (draws, steps), the fitted spacer left in.

    saddle_rise_mm: saddle over the fret plane since set-up. action_mm: at the 12th fret, as the bench reads it once it
    has set the truss rod: the neck's lasting bow is the rod's to take out and never makes a regrade due. Steps are
    equal."""

    saddle_rise_mm: Array
    action_mm: Array
    step_days: int


@dataclass(frozen=True)
class Regrades:
    """day: (draws, occasions) days from set-up at which each regrade is due, NEVER if not within the horizon; as many
    occasions as the draw with most of them has, one at least.
    grade: (draws, occasions) index into the spacer set, NO_GRADE where none mends it or none is due."""

    day: NDArray[np.intp]
    grade: NDArray[np.intp]


def outside_rule(saddle_rise_mm: Array, action_mm: Array, saddle_room_mm: float | Array, rule: Rule) -> Flags:
    """True where a reading at the reference state breaks the rule: action at the 12th fret outside its limits, saddle
    room used up (a saddle lowered by as much as it has risen over the fret plane), or projection out of tolerance."""
    return (
        (action_mm < rule.action_low_mm)
        | (action_mm > rule.action_high_mm)
        | (saddle_room_mm - saddle_rise_mm < rule.saddle_room_least_mm)
        | (np.abs(saddle_rise_mm) > rule.projection_tolerance_mm)
    )


def first_due(
    outside: Flags, scenario: Scenario, step_days: int, start_day: NDArray[np.intp] | int = 0
) -> NDArray[np.intp]:
    """Days from set-up at which each draw (draws, steps) has been outside the rule for its days with strings at pitch,
    counted from the first reading outside on or after `start_day`; NEVER where that is not within the horizon.

    Days with slack strings neither count nor break the row, and no reading is taken on them. None is due before today;
    days outside up to today count."""
    last = calendar.horizon_days(scenario)
    today = 0 if scenario.today is None else (scenario.today - scenario.setup.setup).days
    since = calendar.day_of(scenario, scenario.setup.setup)
    pitch = calendar.string_load(scenario, since + last + 1)[since:] > 0.0
    played = np.append(0, np.cumsum(pitch))[: last + 1]  # days at pitch before each day
    readings = np.arange(outside.shape[1]) * step_days
    readings = readings[pitch[readings]]
    due = np.searchsorted(played, played[readings] + scenario.rule.days_outside)
    ends = np.maximum(np.searchsorted(readings, due), np.arange(readings.size) + 1)  # readings before the due day
    due = np.maximum(due, readings)
    whole = due <= last
    readings, due, ends = readings[whole], due[whole], ends[whole]
    if not readings.size:
        return np.full(len(outside), NEVER, dtype=np.intp)
    count = np.zeros((len(outside), ends[-1] + 1), dtype=np.int32)
    np.cumsum(outside[:, pitch[::step_days][: outside.shape[1]]][:, : ends[-1]], axis=1, out=count[:, 1:])
    held = count[:, ends] - count[:, : readings.size] == ends - np.arange(readings.size)
    held &= (readings >= np.reshape(start_day, (-1, 1))) & (due > today - step_days)
    due = np.maximum(due, today)
    return np.where(held.any(axis=1), due[held.argmax(axis=1)], NEVER).astype(np.intp)


def nearest_grades(
    saddle_rise_mm: Array, action_mm: Array, lifts_mm: Array, saddle_room_mm: float | Array, scenario: Scenario
) -> NDArray[np.intp]:
    """The grade, by its place among the lifts (grades,), that brings each draw's action (draws,) back nearest to what
    it was at set-up, among those that bring all inside the rule; NO_GRADE where none does."""
    saddle, action = saddle_rise_mm[:, None] + lifts_mm, action_mm[:, None] + lifts_mm / 2.0
    bad = outside_rule(saddle, action, np.reshape(saddle_room_mm, (-1, 1)), scenario.rule)
    distance = np.where(bad, np.inf, np.abs(action - scenario.setup.action_12th_mm))
    return np.where(bad.all(axis=1), NO_GRADE, distance.argmin(axis=1)).astype(np.intp)


def regrades(reading: Reading, scenario: Scenario) -> Regrades:
    """The regrades each draw needs, in turn, as many as fall due within the horizon.

    Due when the reading has been outside the rule for its days in a row. A regrade resets the angle and not the wood:
    the next passage counts on the same path. Where no grade mends it, the passages end there: the neck needs other
    work. Work done at the bench is counted as the event it is; none is due before today, and days outside up to today
    count."""
    lifts = calendar.grade_lifts_mm(scenario)
    count, steps = reading.action_mm.shape
    work = calendar.work_by_steps(scenario, steps, reading.step_days)
    fitted, worked, room = work.lift, work.action - work.lift / 2.0, scenario.setup.saddle_room_mm + work.saddle
    lift = np.zeros(count)  # of a spacer to come, over the one now fitted
    start = np.zeros(count, dtype=np.intp)
    rows = np.arange(count)
    days: list[NDArray[np.intp]] = []
    grades: list[NDArray[np.intp]] = []
    while rows.size:
        saddle = reading.saddle_rise_mm[rows] + fitted + lift[rows, None]
        action = reading.action_mm[rows] + (fitted + lift[rows, None]) / 2.0 + worked
        outside = outside_rule(saddle, action, room, scenario.rule)
        day = first_due(outside, scenario, reading.step_days, start[rows])
        rows, at = rows[day != NEVER], day[day != NEVER]
        if not rows.size and days:
            break
        step = at // reading.step_days
        saddle, action = reading.saddle_rise_mm[rows, step], reading.action_mm[rows, step] + worked[step]
        chosen = nearest_grades(saddle, action, lifts, room[step], scenario)
        for found, values, blank in ((days, at, NEVER), (grades, chosen, NO_GRADE)):
            column = np.full(count, blank, dtype=np.intp)
            column[rows] = values
            found.append(column)
        mended = chosen != NO_GRADE
        rows, at = rows[mended], at[mended]
        lift[rows], start[rows] = lifts[chosen[mended]] - fitted[-1], at + 1
    return Regrades(np.stack(days, axis=1), np.stack(grades, axis=1))


def bow_left(
    reading: Reading, bow_mm: Array, lift_mm: Array | float, scenario: Scenario, due: Regrades | None = None
) -> Array:
    """The neck's lasting bow as it stands in the action, mm (draws, steps), the rod turned when its turn comes.

    bow_mm: since the last turn of the work done. lift_mm: of the spacer fitted, over that of set-up, (draws, steps) or
    one. The rod comes first: it is turned when the reading with the bow in it has been outside the rule for its days
    where without it it would be inside, and at every regrade of `due`."""
    count, steps = reading.action_mm.shape
    step_days, at_step = reading.step_days, np.arange(steps)
    rise = reading.saddle_rise_mm + lift_mm
    work = calendar.work_by_steps(scenario, steps, step_days)
    action = reading.action_mm + np.asarray(lift_mm) / 2.0 + (work.action - work.lift / 2.0)
    room = scenario.setup.saddle_room_mm + work.saddle
    inside = ~outside_rule(rise, action, room, scenario.rule)
    turned = np.zeros((count, steps), dtype=np.intp)  # the step of the last regrade by each step, 0 for none yet
    for day in () if due is None else due.day.T:
        step = np.where(day == NEVER, 0, day // step_days)[:, None]
        turned = np.where(at_step >= step, np.maximum(step, turned), turned)
    left = bow_mm - np.where(turned > 0, np.take_along_axis(bow_mm, turned, axis=1), 0.0)
    rows, start = np.arange(count), np.zeros(count, dtype=np.intp)
    while rows.size:
        outside = inside[rows] & outside_rule(rise[rows], action[rows] + left[rows], room, scenario.rule)
        day = first_due(outside, scenario, step_days, start[rows])
        rows, at = rows[day != NEVER], day[day != NEVER] // step_days
        later = (at_step >= at[:, None]) & (turned[rows] <= at[:, None])  # until a regrade to come
        left[rows] -= np.where(later, left[rows, at][:, None], 0.0)
        start[rows] = (at + 1) * step_days
    return left
