"""What a posterior shows at moments beside its readings: which reading to come would narrow the spread most, and the
action over time as a bench would read it, for the picture beside the readings."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np

from driftmodel.base.records import Scenario
from driftmodel.base.schema import QUANTILES, Array
from driftmodel.calibration.bench import make_bench
from driftmodel.calibration.fit import Posterior, learn
from driftmodel.calibration.moments import Moment
from driftmodel.calibration.readings_cells import tool_sd
from driftmodel.calibration.records import QUANTITIES, BenchBook, Calibration, ReadingRow

#: what a bench might read, and with which tool
CANDIDATES = (
    ("action", "feeler gauge"),
    ("action", "rule"),
    ("projection", "straightedge"),
    ("top_sinkage", "straightedge"),
    ("relief", "feeler gauge"),
    ("weight", "scale"),
)


@dataclass(frozen=True)
class Worth:
    """A reading to come: how much of the action's standard deviation it may be expected to leave (1: nothing learned).

    Quantities whose level the scenario does not state are read twice, on the day and at `day`."""

    what: str
    tool: str
    day: date
    left: float


def worth_reading(
    scenario: Scenario,
    calibration: Calibration | None = None,
    *,
    now: date | None = None,
    months: int = 12,
    particles: int = 1000,
) -> tuple[Worth, ...]:
    """Readings of the months to come by how much they may be expected to narrow what a regrade's date hangs on, the
    action at the place's mean state at the end of the horizon, best first.

    From the draws as they now are (the prior's without a calibration): the action is regressed on what a reading
    would show; what the regression leaves, with the tool's noise counted, is the expected spread afterwards (linear
    Bayes; Goldstein and Wooff 2007). Exact for linear answers, an upper bound of what is left otherwise.
    """
    book = calibration.bench if calibration else BenchBook(())
    day = now or max((one.date for one in book.readings), default=scenario.setup.setup)
    bench = make_bench(scenario, day, book)
    days = [day + timedelta(days=round(30.44 * month)) for month in range(1, months + 1)]
    rows = [ReadingRow(when, what, 0.0, tool_sd(tool)[0], tool) for what, tool in CANDIDATES for when in (day, *days)]
    moments = tuple(Moment(row.date) for row in rows)
    posterior = learn(scenario, book, bench=bench, particles=particles, now=day, more=moments)
    seen = posterior.expected_more(tuple(rows), posterior.sampled.normals)
    aim = posterior.answers().action_end_mm
    found = []
    for number, (what, tool) in enumerate(CANDIDATES):
        first = number * (len(days) + 1)
        sd = rows[first].sd
        for place, when in enumerate(days, start=first + 1):
            level_known = QUANTITIES[what].level_known
            shown = seen[:, place] if level_known else seen[:, place] - seen[:, first]
            noise = sd**2 if level_known else 2.0 * sd**2
            explained = float(np.cov(aim, shown)[0, 1]) ** 2 / (float(np.var(shown)) + noise)
            left = max(0.0, 1.0 - explained / max(float(np.var(aim)), 1e-18))
            found.append(Worth(what, tool, when, float(np.sqrt(left))))
    return tuple(sorted(found, key=lambda one: one.left))


# ---- the action over time --------------------------------------------------------------------------------------------

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
    rows = tuple(ReadingRow(moment.day, "action", 0.0, 1.0, "") for moment in posterior.more)
    before, after = (
        np.quantile(posterior.expected_more(rows, normals), QUANTILES, axis=0)
        for normals in (posterior.start, posterior.sampled.normals)
    )
    return ActionPath(tuple(moment.day for moment in posterior.more), before, after)
