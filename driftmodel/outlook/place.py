"""The grade that stays right: for every spacer of the set, how long the action stays inside its limits at the place."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from driftmodel.base.limits import BAND, QUANTILES
from driftmodel.base.records import Climate, Scenario
from driftmodel.outlook.air_levers import with_last_climate
from driftmodel.outlook.chain import Chain, run_chain
from driftmodel.outlook.draws import Draws, draw_unknowns
from driftmodel.outlook.regrade import NEVER, Reading, first_due, outside_rule
from driftmodel.outlook.work import (
    action_work_mm,
    ahead_years,
    fitted_spacer,
    grade_lifts_mm,
    saddle_room_now_mm,
    today_step,
    whole_years_to_today,
)
from driftmodel.structure.joint import pivot_of, saddle_rise_mm

Array = NDArray[np.float64]

EVERY_DAYS = 7
#: chances of no regrade closer than this are taken as equal (common practice, no source)
CLOSE_CHANCE = 0.05
#: another action at set-up is advised where it keeps the action inside for so much more of the time
WORTH_SHARE = 0.02
#: what the saddle may change the action by at set-up, mm
CHANGES_MM = np.round(np.arange(-0.3, 0.31, 0.05), 2)


@dataclass(frozen=True)
class GradeAtPlace:
    """One spacer at one place. inside_share: expected share of the time with action and saddle room inside the rule,
    season included; inside_low, inside_high: its 10 and 90 % points over the draws. no_regrade: chance that none is due
    within the years. action_mm: 10, 50, 90 % points of the action over all draws and weeks."""

    grade: str
    inside_share: float
    inside_low: float
    inside_high: float
    no_regrade: float
    action_mm: tuple[float, float, float]


@dataclass(frozen=True)
class PlaceTable:
    """Every spacer of the set at one place, or in a mix of homes, in the set's order. best: the largest expected share
    of time inside; steadiest: the best chance that no regrade is due. advised: the one to fit, with the action to leave
    it at, what the saddle is changed by for that, and the share of time inside it then has."""

    scenario: str
    title: str
    years: int
    fitted: str
    best: str
    steadiest: str
    grades: tuple[GradeAtPlace, ...]
    draws: int
    advised: str
    advised_action_mm: float
    advised_saddle_mm: float
    advised_inside: float
    homes: tuple[str, ...] = ()

    def of(self, grade: str) -> GradeAtPlace:
        """The row of a spacer."""
        return next(row for row in self.grades if row.grade == grade)


def grade_for_place(
    scenario: Scenario,
    draws: Draws | None = None,
    years: int = 10,
    count: int | None = None,
    homes: Sequence[Climate] = (),
) -> PlaceTable:
    """Which spacer to fit today (at set-up where no day is told) so that it stays right in the scenario's climates for
    `years` from then on; or in a mix of homes, each as likely as the others, where it is not known which it goes to.

    draws: of the unknowns, such as a calibration's; `count` prior draws (None: the scenario's own number) if not given.
    Fitting another spacer than the one in the joint changes the action by half its lift and nothing else. Between
    spacers that keep the action inside equally long (0.1 % of the time) the one with the better chance of no regrade is
    best.
    """
    scenario = replace(scenario, horizon_years=whole_years_to_today(scenario) + years)
    count = scenario.draws if count is None else count
    if len(homes) > 1 and draws is None:
        count = max(count // len(homes), 40)
    ensemble = draws or draw_unknowns(scenario, count, scenario.seed)
    settings = [with_last_climate(scenario, home) for home in homes] or [scenario]
    table = grades_of(*(run_chain(setting, ensemble) for setting in settings))
    return replace(table, homes=tuple(home.title.split(" (")[0] for home in homes))


def grades_of(*chains: Chain) -> PlaceTable:
    """Which spacer to fit so that it stays right over the horizon of chains that were run: one, or the same instrument
    in several homes. The one advised: of those whose chance of no regrade is within CLOSE_CHANCE of the best, the one
    that keeps the action inside longest; with the action to set it up at that keeps it inside longer still.
    """
    scenario = chains[0].scenario
    paths = [paths_ahead(chain) for chain in chains]
    rise, action = (np.concatenate([path[part] for path in paths]) for part in (0, 1))
    readings = [chain.world.reading for chain in chains]
    reading = Reading(
        np.concatenate([each.saddle_rise_mm for each in readings]),
        np.concatenate([each.action_mm for each in readings]),
        readings[0].step_days,
    )
    lifts = dict(zip(scenario.instrument.spacers.labels, grade_lifts_mm(scenario).tolist(), strict=True))
    points = np.quantile(action, QUANTILES)
    rows = tuple(_row(scenario, label, lift, rise, action, points, reading) for label, lift in lifts.items())
    best = max(rows, key=lambda row: (round(row.inside_share, 3), row.no_regrade))
    steadiest = max(rows, key=lambda row: (row.no_regrade, row.inside_share))
    near = [row for row in rows if row.no_regrade >= steadiest.no_regrade - CLOSE_CHANCE]
    advised = max(near, key=lambda row: row.inside_share)
    by, share = _best_change(scenario, lifts[advised.grade], rise, action)
    if share < advised.inside_share + WORTH_SHARE:
        by, share = 0.0, advised.inside_share
    now = scenario.setup.action_12th_mm + action_work_mm(scenario) + lifts[advised.grade] / 2.0
    return PlaceTable(
        scenario.name,
        scenario.title,
        ahead_years(scenario),
        fitted_spacer(scenario),
        best.grade,
        steadiest.grade,
        rows,
        reading.action_mm.shape[0],
        advised.grade,
        now + by,
        2.0 * by,
        share,
    )


def _best_change(scenario: Scenario, lift: float, rise: Array, action: Array) -> tuple[float, float]:
    """The change of the action by the saddle, of CHANGES_MM, that keeps it inside longest, and that share."""
    tried = []
    for by in CHANGES_MM.tolist():
        inside = inside_rule(scenario, rise + lift - 2.0 * by, action + lift / 2.0 + by)
        tried.append((by, float(inside.mean())))
    return max(tried, key=lambda each: (round(each[1], 3), -abs(each[0])))


def paths_ahead(chain: Chain) -> tuple[Array, Array]:
    """Saddle rise and action with the season, weekly from today on (draws, weeks), with the spacer of set-up and the
    saddle as it now is."""
    scenario, world = chain.scenario, chain.world
    weekly = slice(today_step(scenario, EVERY_DAYS) * EVERY_DAYS, None, EVERY_DAYS)
    moved = {
        quantity: (path[:, weekly] + world.lasting[quantity][:, weekly]).astype(float)
        for quantity, path in world.seasonal.items()
        if quantity != "bow_action"
    }
    rise = saddle_rise_mm(moved, pivot_of(scenario.instrument))
    start = (scenario.setup.action_12th_mm + action_work_mm(scenario) + chain.draws.set_up_error_mm)[:, None]
    return rise, start + rise / 2.0 + world.seasonal["bow_action"][:, weekly]


def inside_rule(scenario: Scenario, rise: Array, action: Array) -> NDArray[np.bool_]:
    """Where action and saddle room are inside the rule, season included, of saddle rise and action in mm."""
    rule = scenario.rule
    inside = (action >= rule.action_low_mm) & (action <= rule.action_high_mm)
    return np.asarray(inside & (saddle_room_now_mm(scenario) - rise >= rule.saddle_room_least_mm))


def _row(
    scenario: Scenario, label: str, lift: float, rise: Array, action: Array, action_points: Array, reading: Reading
) -> GradeAtPlace:
    rule, room = scenario.rule, saddle_room_now_mm(scenario)
    lifted = action + lift / 2.0
    inside = inside_rule(scenario, rise + lift, lifted)
    share = inside.mean(axis=1)
    here = today_step(scenario, reading.step_days)
    lasting = reading.action_mm + lift / 2.0 + action_work_mm(scenario)
    outside = outside_rule(reading.saddle_rise_mm + lift, lasting, room, rule)
    due = first_due(outside, scenario, reading.step_days, here * reading.step_days)
    low, high = np.quantile(share, BAND)
    points = action_points + lift / 2.0
    return GradeAtPlace(
        label,
        float(share.mean()),
        float(low),
        float(high),
        float(np.mean(due == NEVER)),
        (float(points[0]), float(points[1]), float(points[2])),
    )
