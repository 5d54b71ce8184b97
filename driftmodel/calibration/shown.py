"""What a posterior shows: the record that reports and forecasts use; which reading to come would narrow the spread
most; and the action over time as a bench would read it, for the picture beside the readings."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np

from driftmodel.base.records import Scenario
from driftmodel.base.schema import QUANTILES, Array
from driftmodel.calibration.bench import Bench
from driftmodel.calibration.drives import Moment
from driftmodel.calibration.fit import PARTICLES, Posterior, draws_of, learn
from driftmodel.calibration.layout import ANEW
from driftmodel.calibration.outcomes import quantiles
from driftmodel.calibration.records import (
    QUANTITIES,
    Band,
    BenchBook,
    Calibration,
    Fitted,
    Learned,
    ReadingRow,
    tool_sd,
)
from driftmodel.outlook.draws import WIDEST_SD

#: a draw this near to the cut-off counts as on the bound
NEAR_BOUND_SD = 0.3

EXTRA_WORDS = {
    "set_up_error": "how well the set-up was measured, mm",
    "lean": "half the difference of bass and treble action, mm",
}


def calibrate(
    scenario: Scenario,
    book: BenchBook,
    *,
    bench: Bench | None = None,
    particles: int = PARTICLES,
    seed: int | None = None,
) -> Calibration:
    """The instrument's unknowns after its readings. bench: a scenario made ready before (see forward.make_bench).

    The draws of the result feed `driftmodel.forecast(scenario, unknowns=calibration.draws)` unchanged.
    Raises BadInput where the scenario's air does."""
    return as_calibration(learn(scenario, book, bench=bench, particles=particles, seed=seed))


def as_calibration(posterior: Posterior) -> Calibration:
    """The posterior as the record that reports and forecasts use."""
    return Calibration(
        scenario=posterior.bench.scenario.name,
        bench=posterior.book,
        learned=learned(posterior),
        fitted=_fitted(posterior),
        draws=draws_of(posterior),
        names=posterior.layout.names,
        sampled=posterior.sampled,
        past_weather=posterior.bench.past_weather,
        bands=bands_of([posterior], np.ones(1), np.ones(1)),
    )


def learned(posterior: Posterior) -> tuple[Learned, ...]:
    """Every unknown before and after."""
    layout, found = posterior.layout, []
    normals = posterior.sampled.normals
    before, after = layout.own(posterior.start), layout.own(normals)
    for place, name in enumerate(layout.names):
        own = normals[:, place]
        known = layout.multipliers.get(name)
        words = known.words if known else EXTRA_WORDS.get(name) or _level_words(name)
        found.append(
            Learned(
                name,
                words,
                quantiles(before[name]),
                quantiles(after[name]),
                float(np.median(own)),
                float(own.std() / posterior.start[:, place].std()),
                bool(np.mean(np.abs(own) > WIDEST_SD - NEAR_BOUND_SD) > 0.1),
            )
        )
    return tuple(found)


def _level_words(name: str) -> str:
    if name.startswith("level_"):
        quantity = QUANTITIES[name.removeprefix("level_")]
        return f"{quantity.words} at set-up, {quantity.unit}"
    if name.startswith(ANEW):
        return "where work of unknown effect left the saddle over the fret plane, mm"
    return "what the truss rod did to the relief, mm"


def _fitted(posterior: Posterior) -> tuple[Fitted, ...]:
    value, sd, slips = posterior.values_read, np.sqrt(posterior.noise.own_doubt), posterior.slips
    expected = posterior.expected(posterior.sampled.normals) + posterior.noise.shift
    return tuple(
        Fitted(
            reading,
            float(np.median(expected[:, column])),
            float(expected[:, column].std()),
            float(value[column] - np.median(expected[:, column])),
            float((value[column] - np.median(expected[:, column])) / sd[column]),
            float(slips[column]),
        )
        for column, reading in enumerate(posterior.readings)
    )


def bands_of(posteriors: Sequence[Posterior], before: Array, after: Array) -> tuple[Band, ...]:
    """Outcomes before and after the readings, of one posterior or of several that weigh so much, (posteriors,)."""
    dry, damp = (season.day for season in posteriors[0].asked.seasons)
    found = [[one.answers(one.start) for one in posteriors], [one.answers() for one in posteriors]]
    many = [
        np.repeat(weights / len(posteriors[0].start), [len(one.action_now_mm) for one in each])
        for weights, each in zip((before, after), found, strict=True)
    ]

    def band(words: str, unit: str, of: str) -> Band:
        points = [
            quantiles(np.concatenate([getattr(one, of) for one in each]), weights)
            for each, weights in zip(found, many, strict=True)
        ]
        return Band(words, unit, *points)

    return (
        band(f"action over the 90 dry days from {dry}", "mm", "action_dry_mm"),
        band(f"action over the 90 damp days from {damp}", "mm", "action_damp_mm"),
        band("action at the place's mean state, the truss rod as it is", "mm", "action_reference_mm"),
        band("years to the next regrade", "years", "regrade_years"),
    )


# ---- a reading to come -----------------------------------------------------------------------------------------------

#: what a bench might read, and with which tool
CANDIDATES = (
    ("action", "feeler gauge"),
    ("action", "rule"),
    ("projection", "straightedge"),
    ("top_sinkage", "straightedge"),
    ("relief", "feeler gauge"),
    ("weight", "scale"),
)
MONTHS = 12


@dataclass(frozen=True)
class Worth:
    """A reading to come: how much of the action's standard deviation it may be expected to leave (1: nothing learned).

    Quantities whose level the scenario does not state are read twice, on the day and at `day`."""

    what: str
    tool: str
    day: date
    left: float


def worth_reading(
    scenario: Scenario, calibration: Calibration | None = None, *, particles: int = PARTICLES
) -> tuple[Worth, ...]:
    """Readings of the MONTHS after the last one by how much they may be expected to narrow what a regrade's date hangs
    on, the action at the place's mean state at the end of the horizon, best first.

    From the draws as they now are (the prior's without a calibration): the action is regressed on what a reading
    would show; what the regression leaves, with the tool's noise counted, is the expected spread afterwards (linear
    Bayes; Goldstein and Wooff 2007). Exact for linear answers, an upper bound of what is left otherwise."""
    book = calibration.bench if calibration else BenchBook(())
    day = max((one.date for one in book.readings), default=scenario.setup.setup)
    days = [day + timedelta(days=round(30.44 * month)) for month in range(1, MONTHS + 1)]
    rows = [ReadingRow(when, what, 0.0, tool_sd(tool)[0], tool) for what, tool in CANDIDATES for when in (day, *days)]
    moments = tuple(Moment(row.date) for row in rows)
    posterior = learn(scenario, book, particles=particles, now=day, more=moments)
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
