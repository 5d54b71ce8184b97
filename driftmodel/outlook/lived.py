"""What an owner lives through, regrades done as they fall due: days inside the rule, and how many regrades.

Advice, verdict and comparisons take their words from these numbers, with a measure and without it."""

from __future__ import annotations

from dataclasses import dataclass, fields, replace

import numpy as np

from driftmodel.base.records import Scenario, WorkDone
from driftmodel.base.schema import DAYS_PER_YEAR, Array, Flags
from driftmodel.outlook import calendar
from driftmodel.outlook.chain import Chain
from driftmodel.outlook.lasting import BOW
from driftmodel.outlook.regrade import NEVER, NO_GRADE, bow_left, outside_rule, regrades
from driftmodel.structure.joint import pivot_of, saddle_rise_mm

EVERY_DAYS = 7
BLOCK_DRAWS = 250


@dataclass(frozen=True)
class Lived:
    """inside_days: days a year inside the rule, season and regrades counted; regrades: how many in the years ahead;
    other_work: whether one of them finds no spacer of the set that mends it, (draws,) each."""

    inside_days: Array
    regrades: Array
    other_work: Flags


def lived(chain: Chain, moved: tuple[Array, Array] | None = None) -> Lived:
    """What the draws of a chain live through from today on, a few hundred at a time: it is asked beside whole paths.
    moved: of `moved_ahead`, where it is asked for one spacer after another."""
    rise, bow = moved_ahead(chain) if moved is None else moved
    blocks = [slice(first, first + BLOCK_DRAWS) for first in range(0, chain.draws.count, BLOCK_DRAWS)]
    lives = [_lived(chain.block(rows), (rise[rows], bow[rows])) for rows in blocks]
    return Lived(*(np.concatenate([getattr(life, part.name) for life in lives]) for part in fields(Lived)))


def _lived(chain: Chain, moved: tuple[Array, Array]) -> Lived:
    rise, action = paths_ahead(chain, moved)
    lift = lift_ahead(chain)
    inside = inside_rule(chain.scenario, rise + lift, action + lift / 2.0 + bow_ahead(chain, lift))
    due = chain.due.day != NEVER
    past = np.any(due & (chain.due.grade == NO_GRADE), axis=1)
    return Lived(DAYS_PER_YEAR * inside.mean(axis=1), due.sum(axis=1).astype(float), past)


def lift_ahead(chain: Chain) -> Array:
    """Lift over the spacer of set-up, weekly from today on, mm (draws, weeks): the spacer fitted now, then those of the
    regrades that fall due."""
    scenario, due = chain.scenario, chain.due
    lifts, here = calendar.grade_lifts_mm(scenario), calendar.today_step(scenario, EVERY_DAYS)
    day = EVERY_DAYS * np.arange(here, chain.world.reading.action_mm.shape[1])
    lift = np.full((len(due.day), day.size), calendar.fitted_lift_mm(scenario))
    for when, grade in zip(due.day.T, due.grade.T, strict=True):
        done = (when != NEVER) & (grade != NO_GRADE)
        lift = np.where(done[:, None] & (day >= when[:, None]), lifts[grade][:, None], lift)
    return lift


def bow_ahead(chain: Chain, lift_ahead_mm: Array) -> Array:
    """The neck's lasting bow in the action, weekly from today on, mm (draws, weeks), under a lift as of `lift_ahead`:
    the rod turned as its turn comes and at every regrade."""
    reading, scenario = chain.world.reading, chain.scenario
    here = reading.action_mm.shape[1] - lift_ahead_mm.shape[1]
    lift = np.pad(lift_ahead_mm, ((0, 0), (here, 0)), mode="edge")
    return bow_left(reading, weekly_bow(chain), lift, scenario, chain.due)[:, here:]


def weekly_bow(chain: Chain) -> Array:
    """The neck's lasting bow since the rod was last turned, by the reading's steps from set-up, mm (draws, steps)."""
    return chain.world.lasting[BOW][:, :: chain.world.reading.step_days].astype(float)


def with_spacer(chain: Chain, label: str, saddle_mm: float = 0.0) -> Chain:
    """The same chain with another spacer fitted today (at set-up where no day is told), '' for the one it has, and the
    saddle changed with it."""
    if not label:
        return chain
    scenario = chain.scenario
    fitted = WorkDone(scenario.today or scenario.setup.setup, spacer=label, saddle_mm=saddle_mm)
    changed = calendar.with_work(scenario, (*scenario.work, fitted))
    return replace(chain, scenario=changed, due=regrades(chain.world.reading, changed))


def moved_ahead(chain: Chain) -> tuple[Array, Array]:
    """Saddle rise and the neck's bow of the season, weekly from today on (draws, weeks): whatever spacer is fitted."""
    scenario, world = chain.scenario, chain.world
    weekly = slice(calendar.today_step(scenario, EVERY_DAYS) * EVERY_DAYS, None, EVERY_DAYS)
    moved = {
        quantity: (path[:, weekly] + world.lasting[quantity][:, weekly]).astype(float)
        for quantity, path in world.seasonal.items()
        if quantity != BOW
    }
    return saddle_rise_mm(moved, pivot_of(scenario.instrument)), world.seasonal[BOW][:, weekly].astype(float)


def paths_ahead(chain: Chain, moved: tuple[Array, Array] | None = None) -> tuple[Array, Array]:
    """Saddle rise and action with the season, weekly from today on (draws, weeks), with the spacer of set-up, the
    saddle as it now is and the truss rod set."""
    scenario = chain.scenario
    rise, bow = moved_ahead(chain) if moved is None else moved
    start = (scenario.setup.action_12th_mm + calendar.action_work_mm(scenario) + chain.draws.set_up_error_mm)[:, None]
    return rise, start + rise / 2.0 + bow


def inside_rule(scenario: Scenario, rise: Array, action: Array) -> Flags:
    """Where action and saddle room are inside the rule, season included, of saddle rise and action in mm."""
    anywhere = replace(scenario.rule, projection_tolerance_mm=np.inf)
    return ~outside_rule(rise, action, calendar.saddle_room_now_mm(scenario), anywhere)
