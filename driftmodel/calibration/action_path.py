"""The action over time as a bench would read it, before and after learning, for the picture beside the readings."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np

from driftmodel.base.schema import QUANTILES, Array
from driftmodel.calibration.fit import Posterior
from driftmodel.calibration.forward import plan_of, readings_of
from driftmodel.calibration.moments import Moment
from driftmodel.calibration.records import ReadingRow

EVERY_DAYS, YEARS_BACK, DAYS_AHEAD = 14, 3, 365
AT_LEAST_AFTER = 1  # days after set-up the path begins


@dataclass(frozen=True)
class ActionPath:
    """days: every fortnight, some years back to a year ahead. before, after: 10, 50 and 90 % of the action there by
    what was known before the readings and after them, (3, days); work done shows as the step it was."""

    days: tuple[date, ...]
    before: Array
    after: Array


def moments_of_path(first: date, now: date) -> tuple[Moment, ...]:
    """The moments of the path: no more than YEARS_BACK years before now, and not before set-up."""
    start = max(first + timedelta(days=AT_LEAST_AFTER), now - timedelta(days=round(365.25 * YEARS_BACK)))
    count = max(((now - start).days + DAYS_AHEAD) // EVERY_DAYS, 2)
    return tuple(Moment(start + timedelta(days=EVERY_DAYS * step)) for step in range(count))


def action_path(posterior: Posterior) -> ActionPath:
    """The path of a posterior that was asked to look at these moments (`learn(..., more=moments_of_path(...))`)."""
    first = len(posterior.readings)
    own = posterior.at_moments.columns(slice(first, first + len(posterior.more)))
    rows = tuple(ReadingRow(moment.day, "action", 0.0, 1.0, "") for moment in posterior.more)

    plan = plan_of(posterior.bench, rows, posterior.book)

    def points(normals: Array) -> Array:
        read = readings_of(posterior.bench, posterior.layout, own, plan, normals)
        return np.asarray(np.quantile(read, QUANTILES, axis=0))

    days = tuple(moment.day for moment in posterior.more)
    return ActionPath(days, points(posterior.start), points(posterior.sampled.normals))
