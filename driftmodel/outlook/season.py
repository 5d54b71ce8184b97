"""An average year: from which day it is read, its months, how far the action swings in it, when it is past the rule."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from driftmodel.base.records import Scenario
from driftmodel.base.scenario_file import Rule
from driftmodel.base.schema import Array, Dataset, Integers, Single, Times
from driftmodel.outlook.work import action_work_mm, fitted_lift_mm
from driftmodel.structure.joint import pivot_of, saddle_rise_mm

if TYPE_CHECKING:
    from driftmodel.outlook.chain import Chain


def average_year_from(scenario: Scenario, days: int) -> int:
    """Days from set-up at which an average year begins to be read, of `days` in all: the start of the last stay that
    leaves a year or more, or day 0."""
    for stay in reversed(scenario.stays):
        start = max((stay.start - scenario.setup.setup).days, 0)
        if days - start >= 365:
            return start
    return 0


def month_of(time: NDArray[Any]) -> Integers:
    """0 for January to 11 for December."""
    return np.asarray(time.astype("datetime64[M]").astype(np.int64) % 12)


def is_southern(air: Dataset) -> bool:
    """True where January is warmer than July by more than a degree: the seasons' names then swap."""
    month, temperature = month_of(air["time"].values), air["air_temperature"].values
    january, july = temperature[month == 0], temperature[month == 6]
    return bool(january.size and july.size and january.mean() > july.mean() + 1.0)


def projection_change(moved: Mapping[str, Single], scenario: Scenario) -> Single:
    """Projection from sinkage in mm and rotation in degrees, mm: the saddle's rise over the fret plane turned round."""
    return np.asarray(-saddle_rise_mm(moved, pivot_of(scenario.instrument)))


def action_of_place_and_season(chain: Chain) -> Single:
    """Action at the 12th fret, mm, as spacer and saddle now are, the lasting drift left out, (draws, days from
    set-up)."""
    seasonal = chain.world.seasonal
    change = projection_change(seasonal, chain.scenario) * np.float32(-0.5) + seasonal["bow_action"]
    worked = fitted_lift_mm(chain.scenario) / 2.0 + action_work_mm(chain.scenario)
    start = chain.scenario.setup.action_12th_mm + worked + chain.draws.set_up_error_mm
    return np.asarray(change + start.astype(np.float32)[:, None])


def days_from_setup(chain: Chain) -> Times:
    """The days the chain's movements stand for, (days,)."""
    first = np.datetime64(chain.scenario.setup.setup.isoformat(), "D")
    return first + np.arange(chain.world.seasonal["top_sinkage"].shape[1]).astype("timedelta64[D]")


def monthly_means(path: Single, month: Integers) -> Array:
    """Means of a path (draws, days) over each of the months met, (draws, months), in calendar order."""
    return np.stack([path[:, month == each].mean(axis=1) for each in np.unique(month)], axis=1).astype(float)


def swing(means: Array) -> Array:
    """Highest less lowest of the monthly means, (draws,)."""
    return np.asarray(means.max(axis=1) - means.min(axis=1))


def past_rule_by_month(action_mm: Single, month: Integers, rule: Rule) -> dict[int, float]:
    """Chance that the action (draws, days) is outside the rule, by calendar month 1 to 12 of those met."""
    outside = (action_mm < rule.action_low_mm) | (action_mm > rule.action_high_mm)
    return {int(each) + 1: float(outside[:, month == each].mean()) for each in np.unique(month)}


def months_past_rule(chances: dict[int, float]) -> tuple[int, ...]:
    """The months, 1 to 12, in which the action is more likely past the rule than not."""
    return tuple(month for month, chance in chances.items() if chance > 0.5)
