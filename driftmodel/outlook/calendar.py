"""Days of a scenario: where dates fall on the daily path, when the strings pull, where the year's mean is taken; what
work at the bench adds by step, and the step of today; an average year, its months and how far the action swings."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from datetime import date
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from driftmodel.base.records import Scenario, WorkDone
from driftmodel.base.scenario_file import Rule, StringEvent
from driftmodel.base.schema import DAYS_PER_YEAR, Array, Dataset, Integers, Single, Times
from driftmodel.climate.air import months_of
from driftmodel.structure import joint
from driftmodel.wood.creep import fading_sums

if TYPE_CHECKING:
    from driftmodel.outlook.chain import Chain


YEAR_DAYS = 365


def day_of(scenario: Scenario, day: date) -> int:
    """Days from the start of the history (the first stay's first day) to a date."""
    return (day - scenario.stays[0].start).days


def horizon_days(scenario: Scenario) -> int:
    """Days of the forecast, from set-up on."""
    return round(scenario.horizon_years * 365.25)


def forecast_time(scenario: Scenario) -> Times:
    """00:00 of each day of the forecast, from the day of set-up, (horizon_days + 1,)."""
    first = np.datetime64(scenario.setup.setup.isoformat(), "ns")
    return first + np.arange(horizon_days(scenario) + 1).astype("timedelta64[D]")


def string_load(scenario: Scenario, days: int) -> Array:
    """1 on days when the strings are at pitch, 0 before stringing and while they are slack, (days,)."""
    load = np.zeros(days)
    load[max(day_of(scenario, scenario.setup.strung), 0) :] = 1.0
    for event in sorted(scenario.events, key=lambda event: event.start):
        load[max(day_of(scenario, event.start), 0) :] = 1.0 if event.strings_on else 0.0
    return load


def trailing_mean(series: NDArray[np.floating[Any]], days: int, first: int = 0, step: int = 1) -> Array:
    """Mean of a daily series (lag, days from the start of the history) over the last `days` days up to each of the days
    first, first + step, ...: (lag, k). Before the start stands the first day's state, that of the build. Nothing after
    a day counts for it."""
    path, lead = np.asarray(series, dtype=float), first % step
    start = path[:, :1]
    before = fading_sums(path, [1.0], step, lead)[0]
    total = before + (path[:, lead::step] - start)
    back, odd = divmod(days - 1, step)
    begun = max(before.shape[1] - back, 0)
    total[:, back:] -= before[:, :begun]
    for day in range(lead - odd, lead):  # of the step in which the mean begins
        skip = int(day < 0)
        own = path[:, day + skip * step :: step][:, : max(begun - skip, 0)]
        total[:, back + skip :] += own - start
    return np.asarray((start + total / days)[:, first // step :])


def reference_state(series: NDArray[np.floating[Any]], first: int = 0, step: int = 1) -> Array:
    """The state a movement is judged at, causal: the trailing twelve-month mean of a series (lag, days from the start
    of the history) on the days first, first + step, ... In the first year at a place it is a blend with the state
    before, with no cliff at any length of stay, and a trip counts for its own days and no more."""
    return trailing_mean(series, YEAR_DAYS, first, step)


def grade_lifts_mm(scenario: Scenario) -> Array:
    """What each grade of the set adds to the saddle over the fret plane against that of set-up, mm (grades,)."""
    instrument = scenario.instrument
    lift = joint.saddle_change_mm(joint.grade_rotations_deg(instrument.spacers), joint.pivot_of(instrument))
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


@dataclass(frozen=True)
class WorkBySteps:
    """What work since set-up adds, by step from set-up, mm (steps,), + higher: its spacers to the saddle over the fret
    plane, work on the saddle to its height, other work to the action."""

    lift: Array
    saddle: Array
    other: Array

    @property
    def action(self) -> Array:
        """What all work adds to the action at the 12th fret: half of spacer and saddle, and what other work did."""
        return np.asarray((self.lift + self.saddle) / 2.0 + self.other)


def work_by_steps(scenario: Scenario, steps: int, step_days: int) -> WorkBySteps:
    """The work of a scenario on a path of so many steps of so many days."""
    labels, lifts = scenario.instrument.spacers.labels, grade_lifts_mm(scenario)
    lift, saddle, other = np.zeros((3, steps))
    for one in scenario.work:
        since = slice(step_of(scenario, one.day, step_days), None)
        saddle[since] += one.saddle_mm
        other[since] += one.action_mm
        if one.spacer:
            lift[since] = lifts[labels.index(one.spacer)]
    return WorkBySteps(lift, saddle, other)


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


def average_year_from(scenario: Scenario, days: int) -> int:
    """Days from set-up at which an average year begins to be read, of `days` in all: the start of the last stay that
    leaves a year or more, or day 0."""
    for stay in reversed(scenario.stays):
        start = max((stay.start - scenario.setup.setup).days, 0)
        if days - start >= 365:
            return start
    return 0


def is_southern(air: Dataset) -> bool:
    """True where January is warmer than July by more than a degree: the seasons' names then swap."""
    month, temperature = months_of(air["time"].values), air["air_temperature"].values
    january, july = temperature[month == 1], temperature[month == 7]
    return bool(january.size and july.size and january.mean() > july.mean() + 1.0)


def projection_change(moved: Mapping[str, Single], scenario: Scenario) -> Single:
    """Projection from sinkage in mm and rotation in degrees, mm: the saddle's rise over the fret plane turned round."""
    return np.asarray(-joint.saddle_rise_mm(moved, joint.pivot_of(scenario.instrument)))


def action_of_place_and_season(chain: Chain) -> Single:
    """Action at the 12th fret, mm, as spacer and saddle now are, the lasting drift left out, (draws, days from
    set-up)."""
    seasonal = chain.world.seasonal
    change = projection_change(seasonal, chain.scenario) * np.float32(-0.5) + seasonal["bow_action"]
    worked = fitted_lift_mm(chain.scenario) / 2.0 + action_work_mm(chain.scenario)
    start = chain.scenario.setup.action_12th_mm + worked + chain.draws.set_up_error_mm
    return np.asarray(change + start.astype(np.float32)[:, None])


def monthly_means(path: Single, month: Integers) -> Array:
    """Means of a path (draws, days) over each of the months met, (draws, months), in calendar order."""
    return np.stack([path[:, month == each].mean(axis=1) for each in np.unique(month)], axis=1).astype(float)


def swing(means: Array) -> Array:
    """Highest less lowest of the monthly means, (draws,)."""
    return np.asarray(means.max(axis=1) - means.min(axis=1))


def past_rule_by_month(action_mm: Single, month: Integers, rule: Rule) -> dict[int, float]:
    """Chance that the action (draws, days) is outside the rule, by calendar month 1 to 12 of those met."""
    outside = (action_mm < rule.action_low_mm) | (action_mm > rule.action_high_mm)
    return {int(each): float(outside[:, month == each].mean()) for each in np.unique(month)}


def months_past_rule(chances: dict[int, float]) -> tuple[int, ...]:
    """The months, 1 to 12, in which the action is more likely past the rule than not."""
    return tuple(month for month, chance in chances.items() if chance > 0.5)
