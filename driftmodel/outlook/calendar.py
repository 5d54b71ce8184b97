"""Days of a scenario: where dates fall on the daily path, when the strings pull, and where the year's mean is taken."""

from __future__ import annotations

from datetime import date

import numpy as np
from numpy.typing import NDArray

from driftmodel.base.records import Scenario

Array = NDArray[np.float64]
YEAR_DAYS = 365


def day_of(scenario: Scenario, day: date) -> int:
    """Days from the start of the history (the first stay's first day) to a date."""
    return (day - scenario.stays[0].start).days


def horizon_days(scenario: Scenario) -> int:
    """Days of the forecast, from set-up on."""
    return round(scenario.horizon_years * 365.25)


def forecast_time(scenario: Scenario) -> NDArray[np.datetime64]:
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


def stay_means(scenario: Scenario, series: NDArray[np.float32]) -> NDArray[np.float32]:
    """The reference moisture state of the place: a series (lag, days from set-up) averaged over each stay's whole
    years, held through the stay.

    A stay of less than a year has no average year of its own. It takes that of a longer stay in the same climate, the
    next after it first; where there is none it is passing, and the state before it stands; with nothing before it,
    it gives the mean of what there is.
    """
    days = series.shape[1]
    since = day_of(scenario, scenario.setup.setup)
    starts = [min(max(day_of(scenario, stay.start) - since, 0), days) for stay in scenario.stays]
    spans = list(zip(starts, [*starts[1:], days], strict=True))
    climates = [stay.climate for stay in scenario.stays]
    longer = [at for at, (start, end) in enumerate(spans) if end - start >= YEAR_DAYS]
    means = np.empty_like(series)
    before = None
    for at, (start, end) in enumerate(spans):
        if end <= start:
            continue
        alike = [other for other in longer if climates[other] == climates[at]]
        if alike:
            source = min(alike, key=lambda other: (other < at, abs(other - at)))
            before = _average_year(series, *spans[source])
        elif before is None:
            before = series[:, start:end].mean(axis=1, keepdims=True, dtype=np.float64)
        means[:, start:end] = before
    return means


def _average_year(series: NDArray[np.float32], start: int, end: int) -> Array:
    """Mean over the last whole years of a span of a year or more, (lag, 1)."""
    whole_years = (end - start) // YEAR_DAYS
    first = end - min(round(whole_years * 365.25), end - start)
    return np.asarray(series[:, first:end].mean(axis=1, keepdims=True, dtype=np.float64))
