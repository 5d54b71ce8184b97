"""The same draws in better air: days a year inside the rule, regrades, and the spacer that suits that air."""

from __future__ import annotations

from dataclasses import dataclass, replace

from driftmodel.base.records import Scenario
from driftmodel.outlook import air_levers
from driftmodel.outlook.chain import Chain, run_chain
from driftmodel.outlook.lived import lived, with_spacer
from driftmodel.outlook.place import grades_of

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
