"""The grade that stays right: what each spacer of the set, fitted today, is worth over the next years: days inside the
rule, season included, against the jobs it brings; and what better air would do instead."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from driftmodel.base import library
from driftmodel.base.records import Climate, Scenario
from driftmodel.base.schema import BAND, QUANTILES, Array
from driftmodel.outlook import air_levers, calendar
from driftmodel.outlook.air_levers import with_last_climate
from driftmodel.outlook.chain import Chain, run_chain
from driftmodel.outlook.draws import Draws, draw_unknowns
from driftmodel.outlook.lived import lived, moved_ahead, paths_ahead, with_spacer

#: a chain that was run, and what moves in it whatever the spacer (lived.moved_ahead)
Ahead = tuple[Chain, tuple[Array, Array]]

YEARS = 5
#: another action at set-up is advised where it is worth so many more days a year (common practice, no source)
WORTH_DAYS = 5.0
#: what the saddle may change the action by at set-up, mm
CHANGES_MM = np.round(np.arange(-0.3, 0.31, 0.05), 2)


@dataclass(frozen=True)
class GradeAtPlace:
    """One spacer fitted today at one place, later jobs done as the rule asks. inside_days: expected days a year with
    action and saddle room inside the rule, season included; inside_low, inside_high: their 10 and 90 % points over the
    draws. no_regrade: chance that none is due within the years; later_jobs: expected; other_work: chance that no spacer
    of the set mends it then. worth_days: days inside over all the years less what the later jobs cost. action_mm: 10,
    50, 90 % points of the action over all draws and weeks, with no later job."""

    grade: str
    inside_days: float
    inside_low: float
    inside_high: float
    no_regrade: float
    later_jobs: float
    other_work: float
    worth_days: float
    action_mm: tuple[float, float, float]


@dataclass(frozen=True)
class PlaceTable:
    """Every spacer of the set over the next years at one place, or in a mix of homes, in the set's order. The one aim:
    days inside the rule, season included, a job counted as job_days of them. joint_open: before the instrument leaves
    (at set-up), where another spacer costs no job. if_open: worth most if the joint is open; if_closed: worth most,
    another spacer than the one fitted costing its job; steadiest: fewest later jobs. advised_action_mm: the action to
    leave it at, advised_saddle_mm: what the saddle is changed by for that at set-up, advised_days: days a year inside
    it then has."""

    scenario: str
    title: str
    years: int
    draws: int
    job_days: float
    fitted: str
    joint_open: bool
    if_open: str
    if_closed: str
    steadiest: str
    grades: tuple[GradeAtPlace, ...]
    advised_action_mm: float
    advised_saddle_mm: float
    advised_days: float
    homes: tuple[str, ...] = ()

    @property
    def advised(self) -> str:
        """The spacer to have from today on."""
        return self.if_open if self.joint_open else self.if_closed

    def of(self, grade: str) -> GradeAtPlace:
        """The row of a spacer."""
        return next(row for row in self.grades if row.grade == grade)


def grade_for_place(
    scenario: Scenario,
    draws: Draws | None = None,
    years: int = YEARS,
    count: int | None = None,
    homes: Sequence[Climate] = (),
    job_days: float | None = None,
) -> PlaceTable:
    """Which spacer to fit today (at set-up where no day is told) so that it stays right in the scenario's climates for
    `years` from then on; or in a mix of homes, each as likely as the others, where it is not known which it goes to.

    draws: of the unknowns, such as a calibration's; `count` prior draws (None: the scenario's own number) if not given.
    job_days: days inside the rule that a job is worth; the library's `job_worth_days` if not given. Fitting another
    spacer than the one in the joint changes the action by half its lift and nothing else."""
    scenario = replace(scenario, horizon_years=calendar.whole_years_to_today(scenario) + years)
    count = scenario.draws if count is None else count
    if len(homes) > 1 and draws is None:
        count = max(count // len(homes), 40)
    ensemble = draws or draw_unknowns(scenario, count, scenario.seed)
    settings = [with_last_climate(scenario, home) for home in homes] or [scenario]
    table = grades_of(*(run_chain(setting, ensemble) for setting in settings), job_days=job_days)
    return replace(table, homes=tuple(home.title.split(" (")[0] for home in homes))


def grades_of(*chains: Chain, job_days: float | None = None, with_change: bool = True) -> PlaceTable:
    """Which spacer to fit over the years ahead of chains that were run: one, or the same instrument in several homes.

    The aim is days inside with the season in, not the reference state alone: a guitar whose mean is right may stand
    outside in every winter. with_change: whether a change of the action with the spacer is looked for too, where the
    joint is open: half of the work."""
    scenario = chains[0].scenario
    job = library.value("job_worth_days") if job_days is None else job_days
    fitted, years = calendar.fitted_spacer(scenario), calendar.ahead_years(scenario)
    is_open = calendar.today_step(scenario, 1) == 0
    ahead = [(chain, moved_ahead(chain)) for chain in chains]  # once for all spacers
    action = np.concatenate([paths_ahead(chain, moved)[1] for chain, moved in ahead])
    points = np.quantile(action, QUANTILES)
    lifts = dict(zip(scenario.instrument.spacers.labels, calendar.grade_lifts_mm(scenario).tolist(), strict=True))
    rows = {label: _row(ahead, label, lift, years, job, points) for label, lift in lifts.items()}

    if_open = max(rows, key=lambda label: rows[label].worth_days)
    if_closed = max(rows, key=lambda label: rows[label].worth_days - (job if label != fitted else 0.0))
    advised = if_open if is_open else if_closed
    by, days = 0.0, rows[advised].inside_days
    if is_open and with_change:
        by, days = _best_change(ahead, advised, years, job)
    return PlaceTable(
        scenario.name,
        scenario.title,
        years,
        len(action),
        job,
        fitted,
        is_open,
        if_open,
        if_closed,
        min(rows, key=lambda label: (round(rows[label].later_jobs, 3), -rows[label].inside_days)),
        tuple(rows.values()),
        scenario.setup.action_12th_mm + calendar.action_work_mm(scenario) + lifts[advised] / 2.0 + by,
        2.0 * by,
        days,
    )


def _best_change(ahead: Sequence[Ahead], label: str, years: int, job_days: float) -> tuple[float, float]:
    """The change of the action by the saddle, of CHANGES_MM, that is worth most with this spacer, and its days a year
    inside; 0 where none is worth it."""
    worth, days = {}, {}
    for by in CHANGES_MM.tolist():
        inside, jobs, _ = _lived(ahead, label, 2.0 * by)
        worth[by], days[by] = years * inside.mean() - job_days * jobs.mean(), float(inside.mean())
    best = max(worth, key=lambda by: (round(worth[by], 1), -abs(by)))
    by = best if worth[best] >= worth[0.0] + years * WORTH_DAYS else 0.0
    return by, days[by]


def _lived(ahead: Sequence[Ahead], label: str, saddle_mm: float = 0.0) -> tuple[Array, ...]:
    """Days a year inside, jobs, and whether one finds no spacer, of all draws of all chains."""
    lives = [lived(with_spacer(chain, label, saddle_mm), moved) for chain, moved in ahead]
    return tuple(np.concatenate([getattr(life, part) for life in lives])
                 for part in ("inside_days", "regrades", "other_work"))  # fmt: skip


def _row(
    ahead: Sequence[Ahead], label: str, lift: float, years: int, job_days: float, action_points: Array
) -> GradeAtPlace:
    inside, jobs, past = _lived(ahead, label)
    low, high = np.quantile(inside, BAND)
    points = action_points + lift / 2.0
    return GradeAtPlace(
        label,
        float(inside.mean()),
        float(low),
        float(high),
        float(np.mean(jobs == 0)),
        float(jobs.mean()),
        float(past.mean()),
        float(years * inside.mean() - job_days * jobs.mean()),
        (float(points[0]), float(points[1]), float(points[2])),
    )


#: what better air is taken to be where no measure is named: a room humidifier, or a case where there is no room
BETTER_PCT = 45.0
COMPARED_DRAWS = 64


@dataclass(frozen=True)
class BetterAir:
    """The same draws in the air as it is and in better air: what it is, days a year inside the rule and regrades, mean
    of the draws, the spacer that is worth most in the better air, its job counted, fitted there at once ('' where
    the one fitted is)."""

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
    """The spacer that is worth most in the chain's air, its job and the later ones weighed in days inside; '' where
    that is the one fitted."""
    table = grades_of(chain, with_change=False)
    return table.if_closed if table.if_closed != table.fitted else ""


def air_attrs(found: BetterAir | None) -> dict[str, float | str]:
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
