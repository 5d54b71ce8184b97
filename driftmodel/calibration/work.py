"""Work at the bench is an event: what each piece of it adds to a reading, so that it is never taken for drift."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

from driftmodel.base.records import Scenario, StringEvent
from driftmodel.calibration.records import WorkDone
from driftmodel.outlook.regrade import grade_lifts_mm


def spacer_lift_mm(day: date, work: tuple[WorkDone, ...], scenario: Scenario) -> float:
    """What the spacers fitted since set-up add to the saddle over the fret plane on a day (work counts from the day
    after it), mm against the spacer of set-up."""
    labels = scenario.instrument.spacers.labels
    swaps = [one.label for one in work if one.kind == "spacer" and one.date < day]
    return float(grade_lifts_mm(scenario)[labels.index(swaps[-1])]) if swaps else 0.0


def saddle_work_mm(day: date, work: tuple[WorkDone, ...]) -> float:
    """Sum of the saddle's changes before a day, mm, + higher."""
    return sum(one.amount_mm for one in work if one.kind == "saddle" and one.date < day)


def known_step(what: str, day: date, work: tuple[WorkDone, ...], scenario: Scenario) -> float:
    """What spacer swaps and saddle work before `day` add to a reading of `what`, in its unit.

    A spacer lifts the saddle over the fret plane by its lift: projection falls by it, action at the 12th fret rises by
    half of it. A saddle made higher raises the action by half of that and leaves the projection."""
    lift, saddle = spacer_lift_mm(day, work, scenario), saddle_work_mm(day, work)
    if what.startswith("action"):
        return (lift + saddle) / 2.0
    return {"projection": -lift, "saddle_height": saddle}.get(what, 0.0)


def truss_rod_days(work: tuple[WorkDone, ...]) -> tuple[date, ...]:
    """Days the truss rod was turned: relief starts anew there, by an amount nobody wrote down."""
    return tuple(one.date for one in work if one.kind == "truss rod")


def with_string_events(scenario: Scenario, work: tuple[WorkDone, ...]) -> Scenario:
    """The scenario with the times the strings came off and on again, as the bench tells them."""
    told = tuple(StringEvent(one.date, one.label == "on") for one in work if one.kind == "strings")
    known = {event.start for event in scenario.events}
    events = scenario.events + tuple(event for event in told if event.start not in known)
    return replace(scenario, events=tuple(sorted(events, key=lambda event: event.start)))
