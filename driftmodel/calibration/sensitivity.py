"""Which reading to come would narrow the spread most."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np

from driftmodel.base.records import Scenario
from driftmodel.base.schema import Array
from driftmodel.calibration.bench import make_bench
from driftmodel.calibration.fit import Posterior, learn
from driftmodel.calibration.forward import creep_of, expected_readings, moisture_of, moved, plan_of
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
    seen = _expected_more(posterior, tuple(rows))
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


def _expected_more(posterior: Posterior, rows: tuple[ReadingRow, ...]) -> Array:
    """What the bench would read at the moments asked for beside the readings, (particles, rows); levels unknown to the
    particles are put at 0: only changes are used."""
    first, count = len(posterior.readings), len(rows)
    columns = slice(first, first + count)
    at_moments = posterior.at_moments.columns(columns)
    layout, normals = posterior.layout, posterior.sampled.normals
    values = layout.values(normals)
    for name in (*(f"level_{what}" for what in QUANTITIES), "lean"):
        values.setdefault(name, np.zeros(len(normals)))
    values.setdefault("wood_mass", np.ones(len(normals)))
    bench = posterior.bench
    moisture = moisture_of(bench, layout, at_moments, normals, values)
    movement = moved(bench, moisture, creep_of(bench, layout, at_moments.creep, normals, values), values)
    return expected_readings(bench, plan_of(bench, rows, posterior.book), values, movement)
