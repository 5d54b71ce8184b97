"""What an owner lives through, regrades done as they fall due: days inside the rule, and how many regrades.

Advice, verdict and comparisons take their words from these numbers, with a measure and without it.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from driftmodel.base import library
from driftmodel.base.records import Scenario, WorkDone
from driftmodel.outlook import air_levers
from driftmodel.outlook.chain import Chain, run_chain
from driftmodel.outlook.place import EVERY_DAYS, grades_of, inside_rule, paths_ahead
from driftmodel.outlook.regrade import NEVER, NO_GRADE, regrades
from driftmodel.outlook.work import ahead_years, fitted_lift_mm, fitted_spacer, grade_lifts_mm, today_step, with_work

Array = NDArray[np.float64]
#: what better air is taken to be where no measure is named: a room humidifier, or a case where there is no room
BETTER_PCT = 45.0
COMPARED_DRAWS = 64


@dataclass(frozen=True)
class Lived:
    """inside_days: days a year inside the rule, season and regrades counted; regrades: how many in the years ahead,
    (draws,) each."""

    inside_days: Array
    regrades: Array


def lived(chain: Chain) -> Lived:
    """What the draws of a chain live through from today on."""
    rise, action = paths_ahead(chain)
    lift = lift_ahead(chain)
    inside = inside_rule(chain.scenario, rise + lift, action + lift / 2.0)
    return Lived(365.25 * inside.mean(axis=1), (chain.due.day != NEVER).sum(axis=1).astype(float))


def lift_ahead(chain: Chain) -> Array:
    """Lift over the spacer of set-up, weekly from today on, mm (draws, weeks): the spacer fitted now, then those of the
    regrades that fall due."""
    scenario, due = chain.scenario, chain.due
    lifts, here = grade_lifts_mm(scenario), today_step(scenario, EVERY_DAYS)
    day = EVERY_DAYS * np.arange(here, chain.world.reading.action_mm.shape[1])
    lift = np.full((len(due.day), day.size), fitted_lift_mm(scenario))
    for when, grade in zip(due.day.T, due.grade.T, strict=True):
        done = (when != NEVER) & (grade != NO_GRADE)
        lift = np.where(done[:, None] & (day >= when[:, None]), lifts[grade][:, None], lift)
    return lift


@dataclass(frozen=True)
class BetterAir:
    """The same draws in the air as it is and in better air: what it is, days a year inside the rule and regrades, mean
    of the draws, the spacer that stays right longest in the better air fitted there at once ('' where the one fitted
    does)."""

    words: str
    inside_days: tuple[float, float]
    regrades: tuple[float, float]
    grade: str

    @property
    def is_better(self) -> bool:
        """Whether more days a year are inside the rule: a day at least."""
        return self.inside_days[1] > self.inside_days[0] + 1.0


def better_air(chain: Chain) -> BetterAir:
    """The chain's air against that of a humidifier, on some of its first weather's draws."""
    scenario = chain.scenario
    in_room = scenario.stays[-1].climate.room is not None
    changed = (air_levers.humidifier if in_room else air_levers.case)(scenario, BETTER_PCT)
    words = f"a room humidifier at {BETTER_PCT:.0f} %" if in_room else f"a case with a humidifier at {BETTER_PCT:.0f} %"
    rows = chain.draws.rows(int(chain.draws.member[0]))
    rows = slice(rows.start, min(rows.stop, rows.start + COMPARED_DRAWS))
    some = chain.draws.of_member(int(chain.draws.member[0])).first(COMPARED_DRAWS)
    better = run_chain(replace(changed, weather_members=1), some)
    grade = suited_grade(better)
    now, then = lived(chain), lived(with_spacer(better, grade))
    inside = float(now.inside_days[rows].mean()), float(then.inside_days.mean())
    return BetterAir(words, inside, (float(now.regrades[rows].mean()), float(then.regrades.mean())), grade)


def suited_grade(chain: Chain) -> str:
    """The spacer that stays right longest in the chain's air, '' where the fitted one does as well as any: told only
    where the same draws, their regrades done as they fall due, are better off with it, a job weighed in days inside."""
    table, fitted = grades_of(chain), fitted_spacer(chain.scenario)
    if table.of(fitted).inside_share > table.of(table.best).inside_share - 0.02:
        return ""
    with_it = worth_days(with_spacer(chain, table.best))
    return table.best if with_it > worth_days(chain) else ""


def worth_days(chain: Chain) -> float:
    """Days inside the rule over the years ahead less what the regrades cost, mean of the draws."""
    life = lived(chain)
    years, job_days = ahead_years(chain.scenario), library.general("job_worth_days").value
    return float(years * life.inside_days.mean() - job_days * life.regrades.mean())


def with_spacer(chain: Chain, label: str) -> Chain:
    """The same chain with another spacer fitted today (at set-up where no day is told), '' for the one it has."""
    if not label:
        return chain
    scenario = chain.scenario
    fitted = WorkDone(scenario.today or scenario.setup.setup, spacer=label)
    changed = with_work(scenario, (*scenario.work, fitted))
    return replace(chain, scenario=changed, due=regrades(chain.world.reading, changed))


def air_attrs(scenario: Scenario, found: BetterAir | None) -> dict[str, float | str]:
    """The figures as a forecast's attrs; none where better air was not asked about."""
    if found is None:
        return {}
    return {
        "better_air": found.words,
        "inside_days_per_year": round(found.inside_days[0], 1),
        "inside_days_per_year_better_air": round(found.inside_days[1], 1),
        "regrades_ahead": round(found.regrades[0], 2),
        "regrades_ahead_better_air": round(found.regrades[1], 2),
        "grade_better_air": found.grade,
    }
