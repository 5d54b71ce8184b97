"""Work at the bench on the forecast's steps: what spacers fitted and saddles cut add by step, and the step of today."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from datetime import date

import numpy as np

from driftmodel.base.records import Scenario, WorkDone
from driftmodel.base.scenario_file import StringEvent
from driftmodel.base.schema import DAYS_PER_YEAR, Array
from driftmodel.structure.joint import grade_rotations_deg, pivot_to_saddle_mm, saddle_change_mm


def grade_lifts_mm(scenario: Scenario) -> Array:
    """What each grade of the set adds to the saddle over the fret plane against that of set-up, mm (grades,)."""
    instrument = scenario.instrument
    distance = pivot_to_saddle_mm(instrument.strings.scale_mm, instrument.body_fret)
    lift = saddle_change_mm(grade_rotations_deg(instrument.spacers), distance)
    return np.asarray(lift - lift[instrument.spacers.labels.index(scenario.setup.spacer)], dtype=float)


def fitted_spacer(scenario: Scenario, day: date | None = None) -> str:
    """The spacer in the joint at the end of a day; of all days when none is given."""
    fitted = [one.spacer for one in scenario.work if one.spacer and (day is None or one.day <= day)]
    return fitted[-1] if fitted else scenario.setup.spacer


def fitted_lift_mm(scenario: Scenario) -> float:
    """Lift of the spacer fitted now, over the one of set-up, mm at the saddle over the fret plane."""
    return float(grade_lifts_mm(scenario)[scenario.instrument.spacers.labels.index(fitted_spacer(scenario))])


def saddle_work_mm(scenario: Scenario) -> float:
    """Sum of what was done to the saddle since set-up, mm, + higher."""
    return sum(one.saddle_mm for one in scenario.work)


def saddle_room_now_mm(scenario: Scenario) -> float:
    """Saddle room with the saddle as it now is, mm, movement since set-up aside."""
    return scenario.setup.saddle_room_mm + saddle_work_mm(scenario)


def lift_by_step_mm(scenario: Scenario, steps: int, step_days: int) -> Array:
    """What the spacers fitted since set-up add to the saddle over the fret plane, by step from set-up, mm (steps,)."""
    labels, lifts = scenario.instrument.spacers.labels, grade_lifts_mm(scenario)
    path = np.zeros(steps)
    for one in scenario.work:
        if one.spacer:
            path[step_of(scenario, one.day, step_days) :] = lifts[labels.index(one.spacer)]
    return path


def saddle_by_step_mm(scenario: Scenario, steps: int, step_days: int) -> Array:
    """What was done to the saddle since set-up, by step from set-up, mm, + higher (steps,)."""
    path = np.zeros(steps)
    for one in scenario.work:
        path[step_of(scenario, one.day, step_days) :] += one.saddle_mm
    return path


def action_by_step_mm(scenario: Scenario, steps: int, step_days: int) -> Array:
    """What all work adds to the action at the 12th fret, by step from set-up, mm (steps,): half of spacer and saddle,
    and what other work did."""
    path = (lift_by_step_mm(scenario, steps, step_days) + saddle_by_step_mm(scenario, steps, step_days)) / 2.0
    for one in scenario.work:
        path[step_of(scenario, one.day, step_days) :] += one.action_mm
    return np.asarray(path)


def action_work_mm(scenario: Scenario) -> float:
    """What all work so far adds to the action at the 12th fret, the lift of spacers left out, mm."""
    return saddle_work_mm(scenario) / 2.0 + sum(one.action_mm for one in scenario.work)


def step_of(scenario: Scenario, day: date, step_days: int) -> int:
    """The first step from set-up at or after a day; 0 for days before set-up."""
    return max(-(-(day - scenario.setup.setup).days // step_days), 0)


def today_step(scenario: Scenario, step_days: int) -> int:
    """The step the question is put on: no regrade is due before it. 0 where no day is given."""
    return 0 if scenario.today is None else step_of(scenario, scenario.today, step_days)


def with_work(scenario: Scenario, work: Iterable[WorkDone]) -> Scenario:
    """The scenario with this work in place of its own, in order; strings off and on again become its events."""
    done = tuple(sorted(work, key=lambda one: (one.day, one.order)))
    told = {one.day: StringEvent(one.day, one.strings_on) for one in done if one.strings_on is not None}
    events = (*(event for event in scenario.events if event.start not in told), *told.values())
    return replace(scenario, work=done, events=tuple(sorted(events, key=lambda event: event.start)))


def as_of(scenario: Scenario, today: date, work: Iterable[WorkDone] | None = None) -> Scenario:
    """The scenario as of a day: what was done up to then is in it, and its horizon runs from there.

    work: all of it, in place of the scenario's own. The horizon's years are counted from the day on, so that an old
    guitar's forecast looks as far ahead as a new one's."""
    ahead = ahead_years(scenario)
    done = (one for one in (scenario.work if work is None else work) if one.day <= today)
    moved = replace(with_work(scenario, done), today=today)
    return replace(moved, horizon_years=ahead + whole_years_to_today(moved))


def reaching(scenario: Scenario, day: date) -> Scenario:
    """The scenario with a horizon of at least two years past a day."""
    years = int(np.ceil((day - scenario.setup.setup).days / DAYS_PER_YEAR)) + 2
    return scenario if scenario.horizon_years >= years else replace(scenario, horizon_years=years)


def whole_years_to_today(scenario: Scenario) -> int:
    """Years from set-up to today, rounded up."""
    return 0 if scenario.today is None else max(-(-(scenario.today - scenario.setup.setup).days * 100 // 36525), 0)


def ahead_years(scenario: Scenario) -> int:
    """Years the forecast looks ahead from today."""
    return scenario.horizon_years - whole_years_to_today(scenario)
