"""When a regrade is due, to which grade, and when again: passages of the lasting drift, vectorised over draws."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from driftmodel.base.records import Rule, Scenario
from driftmodel.outlook.work import action_by_step_mm, lift_by_step_mm, saddle_by_step_mm, today_step
from driftmodel.outlook.work import grade_lifts_mm as grade_lifts_mm

Array = NDArray[np.float64]
NEVER = -1  # index of a passage that is not within the horizon
NO_GRADE = -1  # no spacer of the set mends it


@dataclass(frozen=True)
class Reading:
    """Where the instrument stands at the reference moisture state, (draws, steps), the fitted spacer left in.

    saddle_rise_mm: saddle over the fret plane since set-up. action_mm: at the 12th fret. Steps are equal.
    """

    saddle_rise_mm: Array
    action_mm: Array
    step_days: int


@dataclass(frozen=True)
class Regrades:
    """step: (draws, occasions) step at which each regrade is due, NEVER if not within the horizon.
    grade: (draws, occasions) index into the spacer set, NO_GRADE where none mends it or none is due."""

    step: NDArray[np.intp]
    grade: NDArray[np.intp]


def outside_rule(
    saddle_rise_mm: Array, action_mm: Array, saddle_room_mm: float | Array, rule: Rule
) -> NDArray[np.bool_]:
    """True where a reading at the reference state breaks the rule: action at the 12th fret outside its limits, saddle
    room used up (a saddle lowered by as much as it has risen over the fret plane), or projection out of tolerance."""
    return (
        (action_mm < rule.action_low_mm)
        | (action_mm > rule.action_high_mm)
        | (saddle_room_mm - saddle_rise_mm < rule.saddle_room_least_mm)
        | (np.abs(saddle_rise_mm) > rule.projection_tolerance_mm)
    )


def due_step(outside: NDArray[np.bool_], steps: int, start: NDArray[np.intp]) -> NDArray[np.intp]:
    """First step, at or after `start` (draws,), that ends `steps` steps outside in a row; NEVER where there is none."""
    count = np.cumsum(outside, axis=1, dtype=np.int32)
    held = np.zeros_like(outside)
    held[:, steps - 1 :] = count[:, steps - 1 :] == steps
    held[:, steps:] = (count[:, steps:] - count[:, :-steps]) == steps
    held &= np.arange(outside.shape[1])[None, :] >= (start + steps - 1)[:, None]
    return np.where(held.any(axis=1), held.argmax(axis=1), NEVER).astype(np.intp)


def regrades(reading: Reading, scenario: Scenario, occasions: int = 4) -> Regrades:
    """The regrades each draw needs, in turn.

    Due when the reading has been outside the rule for its days in a row. The grade fitted is the one that brings the
    action back nearest to what it was at set-up, among those that bring all inside the rule. A regrade resets the
    angle and not the wood: the next passage counts on the same path. Where no grade mends it, the passages end there:
    the neck needs other work. Work done at the bench is counted as the event it is; none is due before today, and days
    outside up to today count.
    """
    rule, lifts = scenario.rule, grade_lifts_mm(scenario)
    draws, whole = reading.action_mm.shape
    fitted = lift_by_step_mm(scenario, whole, reading.step_days)
    saddle_work = saddle_by_step_mm(scenario, whole, reading.step_days)
    worked = action_by_step_mm(scenario, whole, reading.step_days) - fitted / 2.0
    room = scenario.setup.saddle_room_mm + saddle_work
    steps = max(1, -(-rule.days_outside // reading.step_days))
    lift = np.zeros(draws)  # of a spacer to come, over the one now fitted
    start = np.full(draws, max(today_step(scenario, reading.step_days) - steps + 1, 0), dtype=np.intp)
    alive = np.ones(draws, dtype=bool)
    when = np.full((draws, occasions), NEVER, dtype=np.intp)
    grade = np.full((draws, occasions), NO_GRADE, dtype=np.intp)
    for occasion in range(occasions):
        rows = np.flatnonzero(alive)
        if not rows.size:
            break
        saddle = reading.saddle_rise_mm[rows] + fitted + lift[rows, None]
        action = reading.action_mm[rows] + (fitted + lift[rows, None]) / 2.0 + worked
        step = due_step(outside_rule(saddle, action, room, rule), steps, start[rows])
        due = rows[step != NEVER]
        alive[rows[step == NEVER]] = False
        if not due.size:
            break
        at = step[step != NEVER]
        when[due, occasion] = at
        chosen = _nearest_grade(reading, due, at, lifts, saddle_work[at], worked[at], scenario)
        grade[due, occasion] = chosen
        alive[due[chosen == NO_GRADE]] = False
        lift[due] = np.where(chosen == NO_GRADE, lift[due], lifts[chosen] - fitted[-1])
        start[due] = at + 1
    return Regrades(when, grade)


def _nearest_grade(
    reading: Reading,
    rows: NDArray[np.intp],
    at: NDArray[np.intp],
    lifts: Array,
    saddle_work: Array,
    worked: Array,
    scenario: Scenario,
) -> NDArray[np.intp]:
    saddle = reading.saddle_rise_mm[rows, at][:, None] + lifts
    action = (reading.action_mm[rows, at] + worked)[:, None] + lifts / 2.0
    bad = outside_rule(saddle, action, scenario.setup.saddle_room_mm + saddle_work[:, None], scenario.rule)
    distance = np.where(bad, np.inf, np.abs(action - scenario.setup.action_12th_mm))
    return np.where(np.isfinite(distance).any(axis=1), distance.argmin(axis=1), NO_GRADE).astype(np.intp)
