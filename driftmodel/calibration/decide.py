"""Weather or drift: one reading carried to the reference moisture state, and what to do about it."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

import numpy as np
from numpy.typing import NDArray

from driftmodel.base.errors import BadInput
from driftmodel.base.frozen import Frozen
from driftmodel.base.records import Scenario
from driftmodel.calibration.bench import make_bench
from driftmodel.calibration.fit import PARTICLES, Posterior, learn
from driftmodel.calibration.forward import moved, rise_of, transport_of
from driftmodel.calibration.outcomes import Answers, answers, quantiles, refitted, wanted_grades
from driftmodel.calibration.records import BenchBook, Calibration, ReadingRow
from driftmodel.calibration.work import ALL_DONE, saddle_work_mm
from driftmodel.outlook.regrade import outside_rule

Array = NDArray[np.float64]
Points = tuple[float, float, float]

#: a regrade that is due within this time is right to do now (common practice, no source)
SOON_YEARS = 1.0
#: the movement by moisture has come back when a fifth of it is left
LEFT_SHARE = 0.2


@dataclass(frozen=True)
class Decision:
    """What to do on the day of a reading. said: 'leave', 'humidify', 'dry out' or 'regrade'; chances: of each being
    right, adding up to 1 with 'other work' (due, and no spacer of the set mends it).

    read_mm: the action as the model sees it on that day. reference_mm: the same guitar at the mean moisture of its
    place. season_mm: the difference, which comes back. Points are 10, 50 and 90 %.
    grade: to fit now, '' if none; grade_chances by label. next_dry_mm, next_damp_mm: action over the next dry and damp
    90 days as it is left; *_regraded: with `grade` fitted (None without one).
    look_again_weeks: when the moisture has come back to within a fifth after the air was put right.
    """

    scenario: str
    day: date
    readings: tuple[ReadingRow, ...]
    said: str
    chances: Frozen[str, float]
    grade: str
    grade_chances: Frozen[str, float]
    read_mm: Points
    reference_mm: Points
    season_mm: Points
    look_again_weeks: int
    next_dry_mm: Points
    next_damp_mm: Points
    next_dry_regraded_mm: Points | None
    next_damp_regraded_mm: Points | None
    regrade_years: Points
    slip_probability: float
    readings_before: int


def weather_or_drift(
    scenario: Scenario,
    reading: ReadingRow | tuple[ReadingRow, ...],
    calibration: Calibration | None = None,
    *,
    particles: int = PARTICLES,
    seed: int | None = None,
) -> Decision:
    """Decide about today's reading (one or several of one day), with what earlier readings taught if there are any.

    regrade is right where the action or the saddle at the place's mean moisture is outside the rule within SOON_YEARS;
    humidify (or dry out) where it is not, and today's action is outside; leave elsewhere.
    Raises BadInput when no reading of the action or projection is among them.
    """
    new = reading if isinstance(reading, tuple) else (reading,)
    if not any(one.what.startswith("action") or one.what == "projection" for one in new):
        raise BadInput("no reading of the action", "action at the 12th fret or projection", mend='"action=2.9 mm"')
    before = calibration.bench if calibration else BenchBook(())
    if not calibration and all(one.what == "projection" for one in new):
        raise BadInput(
            "a projection alone, without an earlier one to compare it with",
            "the action, or earlier readings",
            mend='--reading "action=2.9 mm"',
        )
    rows = tuple(sorted((*before.readings, *new), key=lambda one: one.date))
    book = BenchBook(rows, before.work, before.remarks, before.file)
    day = max(one.date for one in new)
    posterior = learn(scenario, book, bench=make_bench(scenario, day, book), particles=particles, seed=seed, now=day)
    return _decide(posterior, new, len(before.readings))


def _decide(posterior: Posterior, new: tuple[ReadingRow, ...], readings_before: int) -> Decision:
    scenario, book, day = posterior.bench.scenario, posterior.book, posterior.asked.now
    found = posterior.answers()
    chances, toward = _chances(posterior, found)
    wanted = wanted_grades(posterior.bench, found, book.work)
    labels = scenario.instrument.spacers.labels
    shares = {label: float(np.mean(wanted == place)) for place, label in enumerate(labels)}
    said = max(chances, key=lambda word: chances[word])
    due = _due(posterior, found)
    grade = ""
    if due.any() and chances["regrade"] > 0.0:
        counts = [float(np.mean(wanted[due] == place)) for place in range(len(labels))]
        grade = labels[int(np.argmax(counts))] if max(counts) > 0 else ""
    regraded = _regraded(posterior, grade) if grade else None
    chance = posterior.slips
    own = [place for place, one in enumerate(posterior.readings) if one in new]
    return Decision(
        scenario=scenario.name,
        day=day,
        readings=new,
        said="dry out" if said == "humidify" and toward == "dry" else said,
        chances=Frozen(chances),
        grade=grade,
        grade_chances=Frozen({label: share for label, share in shares.items() if share > 0.005}),
        read_mm=quantiles(found.action_now_mm),
        reference_mm=quantiles(found.action_reference_mm),
        season_mm=quantiles(found.action_now_mm - found.action_reference_mm),
        look_again_weeks=weeks_to_come_back(posterior),
        next_dry_mm=quantiles(found.action_dry_mm),
        next_damp_mm=quantiles(found.action_damp_mm),
        next_dry_regraded_mm=quantiles(regraded.action_dry_mm) if regraded else None,
        next_damp_regraded_mm=quantiles(regraded.action_damp_mm) if regraded else None,
        regrade_years=quantiles(found.regrade_years),
        slip_probability=float(max(chance[own])),
        readings_before=readings_before,
    )


def _due(posterior: Posterior, found: Answers) -> NDArray[np.bool_]:
    """Draws whose neck angle is, or within SOON_YEARS will be, outside the rule at the place's mean moisture."""
    scenario = posterior.bench.scenario
    room = scenario.setup.saddle_room_mm + saddle_work_mm(ALL_DONE, posterior.book.work)
    outside = outside_rule(found.saddle_rise_reference_mm, found.action_reference_mm, room, scenario.rule)
    return np.asarray(outside | (found.regrade_years <= SOON_YEARS))


def _chances(posterior: Posterior, found: Answers) -> tuple[dict[str, float], str]:
    """Chance of each answer being right, and which way the air must go: 'damp' or 'dry'."""
    rule = posterior.bench.scenario.rule
    due = _due(posterior, found)
    none_fits = due & (wanted_grades(posterior.bench, found, posterior.book.work) < 0)
    low, high = found.action_now_mm < rule.action_low_mm, found.action_now_mm > rule.action_high_mm
    season = ~due & (low | high)
    chances = {
        "leave": float(np.mean(~due & ~season)),
        "humidify": float(np.mean(season)),
        "regrade": float(np.mean(due & ~none_fits)),
        "other work": float(np.mean(none_fits)),
    }
    # drier than its place's mean: the air must become damper, whichever way this design's action moves
    top = posterior.bench.table.on(np.zeros((1, 3)))[0] @ posterior.sight.moisture[0]
    first = len(posterior.readings) + len(posterior.more)
    place = first + len(posterior.asked.moments)
    return chances, "damp" if top[first] <= top[place] else "dry"


def _regraded(posterior: Posterior, grade: str) -> Answers:
    work = refitted(posterior.asked, posterior.book.work, grade)
    first = len(posterior.readings) + len(posterior.more)
    return answers(
        posterior.bench,
        posterior.layout,
        posterior.sight,
        first,
        posterior.sampled.normals,
        posterior.asked,
        work,
        False,
    )


def weeks_to_come_back(posterior: Posterior, draws: int = 100) -> int:
    """Weeks until the action's movement by moisture is within LEFT_SHARE of settled after a step of the air, at
    20 degC, in nine of ten draws; 1 to 26.
    """
    layout, bench = posterior.layout, posterior.bench
    normals = posterior.sampled.normals[:draws]
    values = layout.values(normals)
    on = bench.table.on(transport_of(layout, normals))
    lags = np.einsum("ni,rik->nrk", on, bench.table.weights)  # (draws, rows, lag)
    taus = np.tile(bench.table.time_constants_days, 2)
    days = np.arange(0.0, 183.0, 3.5)
    answered = 1.0 - np.exp(-days[:, None] / taus)  # (days, lag)
    moisture = np.einsum("nrk,dk->nrd", lags, answered)
    movement = moved(bench, moisture, None, values)
    action = rise_of(bench, movement) / 2.0 + movement.bow_action
    left = np.abs(action - action[:, [-1]]) > LEFT_SHARE * np.abs(action).max(axis=1, keepdims=True)
    last = np.where(left.any(axis=1), days.size - 1 - left[:, ::-1].argmax(axis=1), 0)
    return int(np.clip(np.ceil(np.quantile(days[last], 0.9) / 7.0), 1, 26))
