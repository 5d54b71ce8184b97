"""Days of a scenario: where dates fall on the daily path, when the strings pull, and where the year's mean is taken."""

from __future__ import annotations

from datetime import date
from typing import Any

import numpy as np
from numpy.typing import NDArray

from driftmodel.base.records import Scenario
from driftmodel.base.schema import Array, Times
from driftmodel.wood.creep import fading_sums

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
