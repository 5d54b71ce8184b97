"""What an owner lives through: the figures advice takes its words from. No outside source: relations between runs."""

from __future__ import annotations

from dataclasses import replace

import pytest

from driftmodel.base.scenarios import load_scenario
from driftmodel.outlook import air_levers
from driftmodel.outlook.chain import Chain, run_chain
from driftmodel.outlook.draws import draw_unknowns
from driftmodel.outlook.lived import lived, with_spacer
from driftmodel.outlook.place import BETTER_PCT, better_air, suited_grade


@pytest.fixture(scope="module")
def chain() -> Chain:
    scenario = replace(load_scenario("first-winter"), horizon_years=5, weather_members=2)
    return run_chain(scenario, draw_unknowns(scenario, 24, 3))


def test_better_air_is_told_on_the_draws_it_was_run_on(chain: Chain) -> None:
    some = chain.draws.of_member(int(chain.draws.member[0]))
    alone = replace(chain.scenario, weather_members=1)
    now = lived(run_chain(alone, some))
    better = run_chain(air_levers.humidifier(alone, BETTER_PCT), some)
    then = lived(with_spacer(better, suited_grade(better)))
    found = better_air(chain)
    assert found.words == "a room humidifier at 45 %"
    assert found.inside_days == pytest.approx((now.inside_days.mean(), then.inside_days.mean()))
    assert found.regrades == pytest.approx((now.regrades.mean(), then.regrades.mean()))


def test_a_spacer_is_told_only_where_the_same_draws_are_better_off_with_it(chain: Chain) -> None:
    """Days inside the rule over five years less 60 for a job, its own among them: counted here by hand."""
    worth = {}
    for label in chain.scenario.instrument.spacers.labels:
        life = lived(with_spacer(chain, label))
        worth[label] = 5 * life.inside_days.mean() - 60.0 * life.regrades.mean() - (60.0 if label != "J" else 0.0)
    best = max(worth, key=lambda label: worth[label])
    assert suited_grade(chain) == ("" if best == "J" else best)
