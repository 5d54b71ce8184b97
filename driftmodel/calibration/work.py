"""What each piece of work adds to a reading, so that it is never taken for drift."""

from __future__ import annotations

from datetime import date
from math import inf

from driftmodel.base.records import Scenario, WorkDone
from driftmodel.calibration.records import ReadingRow
from driftmodel.outlook.work import grade_lifts_mm

#: a moment of the bench: its day and the place in the day's order
Moment_ = tuple[date, float]
ALL_DONE: Moment_ = (date.max, inf)


def moment_of(reading: ReadingRow) -> Moment_:
    """When a reading was taken: its day and its row in the file; one given by hand comes after all rows of its day."""
    return reading.date, reading.row or inf


def done_before(moment: Moment_, work: tuple[WorkDone, ...]) -> tuple[WorkDone, ...]:
    """The work that counts for a reading taken at a moment."""
    return tuple(one for one in work if (one.day, one.order) < moment)


def spacer_at(moment: Moment_, work: tuple[WorkDone, ...], scenario: Scenario) -> str:
    """The spacer in the joint at a moment."""
    swaps = [one.spacer for one in done_before(moment, work) if one.spacer]
    return swaps[-1] if swaps else scenario.setup.spacer


def spacer_lift_mm(moment: Moment_, work: tuple[WorkDone, ...], scenario: Scenario) -> float:
    """What the spacers fitted since set-up add to the saddle over the fret plane at a moment, mm against the spacer of
    set-up."""
    labels = scenario.instrument.spacers.labels
    return float(grade_lifts_mm(scenario)[labels.index(spacer_at(moment, work, scenario))])


def saddle_work_mm(moment: Moment_, work: tuple[WorkDone, ...]) -> float:
    """Sum of the saddle's changes before a moment, mm, + higher."""
    return sum(one.saddle_mm for one in done_before(moment, work))


def action_work_mm(moment: Moment_, work: tuple[WorkDone, ...]) -> float:
    """Sum of what other work did to the action before a moment, mm, + higher."""
    return sum(one.action_mm for one in done_before(moment, work))


def known_step(what: str, moment: Moment_, work: tuple[WorkDone, ...], scenario: Scenario) -> float:
    """What spacer swaps and saddle work before a moment add to a reading of `what`, in its unit.

    A spacer lifts the saddle over the fret plane by its lift: projection falls by it, action at the 12th fret rises by
    half of it. A saddle made higher raises the action by half of that and leaves the projection. Other work moves the
    action by what the bench says it did."""
    lift, saddle = spacer_lift_mm(moment, work, scenario), saddle_work_mm(moment, work)
    if what.startswith("action"):
        return (lift + saddle) / 2.0 + action_work_mm(moment, work)
    return {"projection": -lift, "saddle_height": saddle}.get(what, 0.0)


def stands_anew(work: tuple[WorkDone, ...]) -> tuple[Moment_, ...]:
    """When the neck was left standing anew, by an amount nobody wrote down."""
    return tuple((one.day, one.order) for one in work if one.anew)


def truss_rod_turns(work: tuple[WorkDone, ...]) -> tuple[Moment_, ...]:
    """When the truss rod was turned: relief starts anew there, by an amount nobody wrote down."""
    return tuple((one.day, one.order) for one in work if one.truss_rod)
