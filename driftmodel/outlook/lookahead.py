"""What each spacer fitted today is worth over the next years: days inside the rule, season included, against jobs."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from driftmodel.base import library
from driftmodel.base.limits import BAND
from driftmodel.base.records import Scenario
from driftmodel.outlook.chain import Chain, run_chain
from driftmodel.outlook.draws import Draws, draw_unknowns
from driftmodel.outlook.lived import lift_ahead, with_spacer
from driftmodel.outlook.place import inside_rule, paths_ahead
from driftmodel.outlook.regrade import NEVER, NO_GRADE, outside_rule
from driftmodel.outlook.work import action_work_mm, fitted_spacer, saddle_room_now_mm, whole_years_to_today

Array = NDArray[np.float64]

YEARS = 5
DAYS_PER_YEAR = 365.25


@dataclass(frozen=True)
class SpacerAhead:
    """One spacer fitted today, later jobs done as the rule asks. inside_days: expected days inside the rule, season
    included, of all days looked ahead; inside_low, inside_high: their 10 and 90 % points over the draws. place_share:
    share of the time inside at the reference state. later_jobs: expected. other_work: chance that no spacer of the set
    mends it within the years. worth_days: days inside less what the jobs cost, today's among them."""

    spacer: str
    inside_days: float
    inside_low: float
    inside_high: float
    place_share: float
    later_jobs: float
    other_work: float
    worth_days: float


@dataclass(frozen=True)
class LookAhead:
    """Every spacer of the set over the next years. aim: `best` is worth most days, a job costing job_days; best_opened:
    if the joint is opened anyway; steadiest: fewest later jobs; at_place: longest inside at the reference state."""

    years: int
    days: float
    job_days: float
    fitted: str
    best: str
    best_opened: str
    steadiest: str
    at_place: str
    spacers: tuple[SpacerAhead, ...]

    def of(self, spacer: str) -> SpacerAhead:
        """The row of a spacer."""
        return next(row for row in self.spacers if row.spacer == spacer)


def look_ahead(
    scenario: Scenario,
    draws: Draws | None = None,
    years: int = YEARS,
    count: int = 200,
    job_days: float | None = None,
) -> LookAhead:
    """Which spacer to have from today on (set-up where no day is told), the one in the joint among them.

    draws: of the unknowns, such as a calibration's. job_days: days inside the rule that a job is worth; the library's
    `job_worth_days` if not given. The aim is days inside with the season in, not the reference state alone: a guitar
    whose mean is right may stand outside in every winter.
    """
    ahead = replace(scenario, horizon_years=whole_years_to_today(scenario) + years)
    return look_ahead_in(run_chain(ahead, draws or draw_unknowns(ahead, count, ahead.seed)), years, job_days)


def look_ahead_in(chain: Chain, years: int = YEARS, job_days: float | None = None) -> LookAhead:
    """The look-ahead of a chain that was run with a horizon of `years` from today."""
    scenario = chain.scenario
    worth = library.general("job_worth_days").value if job_days is None else job_days
    fitted, labels = fitted_spacer(scenario), scenario.instrument.spacers.labels
    days = years * DAYS_PER_YEAR
    rise, action = paths_ahead(chain)
    rows = tuple(_row(chain, label, rise, action, days, worth if label != fitted else 0.0, worth) for label in labels)
    now = {row.spacer: row for row in rows}
    return LookAhead(
        years,
        days,
        worth,
        fitted,
        max(labels, key=lambda label: now[label].worth_days),
        max(labels, key=lambda label: now[label].worth_days + (worth if label != fitted else 0.0)),
        min(labels, key=lambda label: (round(now[label].later_jobs, 3), -now[label].inside_days)),
        max(labels, key=lambda label: (round(now[label].place_share, 3), now[label].inside_days)),
        rows,
    )


def _row(chain: Chain, label: str, rise: Array, action: Array, days: float, today: float, worth: float) -> SpacerAhead:
    fitted = with_spacer(chain, label)
    scenario, reading, due = fitted.scenario, chain.world.reading, fitted.due
    start = reading.action_mm.shape[1] - rise.shape[1]
    rule, room = scenario.rule, saddle_room_now_mm(scenario)
    lift = lift_ahead(fitted)
    inside = inside_rule(scenario, rise + lift, action + lift / 2.0)
    at_place = ~outside_rule(
        reading.saddle_rise_mm[:, start:] + lift,
        reading.action_mm[:, start:] + action_work_mm(scenario) + lift / 2.0,
        room,
        rule,
    )
    share = inside.mean(axis=1) * days
    jobs = float(np.mean(np.sum((due.day != NEVER) & (due.grade != NO_GRADE), axis=1)))
    low, high = np.quantile(share, BAND)
    return SpacerAhead(
        label,
        float(share.mean()),
        float(low),
        float(high),
        float(at_place.mean()),
        jobs,
        float(np.mean(np.any((due.day != NEVER) & (due.grade == NO_GRADE), axis=1))),
        float(share.mean()) - worth * jobs - today,
    )
