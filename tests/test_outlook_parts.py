"""Lasting drift by where it is made: the parts are the chain's own drift, and go on past the horizon.

No outside values: sums of the chain are the reference.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from types import MappingProxyType

import numpy as np
import pytest

from driftmodel.base.records import WorkDone
from driftmodel.base.scenarios import load_scenario
from driftmodel.outlook.calendar import day_of
from driftmodel.outlook.chain import Chain, run_chain
from driftmodel.outlook.draws import Draws, draw_unknowns
from driftmodel.outlook.findings import as_dataset
from driftmodel.outlook.lasting import PART_GROUPS, heat_of_days, lasting_by_part
from driftmodel.outlook.lived import weekly_bow
from driftmodel.outlook.regrade import NEVER, Regrades, bow_left
from driftmodel.report.texts import worded
from driftmodel.structure.joint import pivot_of, saddle_rise_mm, string_pull_n


@pytest.fixture(scope="module")
def middle() -> Chain:
    """One guitar with every unknown at its median and a residual gain of 2, in one weather of 20 years."""
    scenario = replace(load_scenario("first-winter"), horizon_years=20, weather_members=1)
    drawn = draw_unknowns(scenario, 10, 1)
    values = {name: np.ones(1) for name in drawn.values} | {"residual_gain": np.full(1, 2.0)}
    return run_chain(scenario, Draws(MappingProxyType(values), np.zeros(1), np.zeros(1, dtype=np.intp)))


def parts_of(chain: Chain) -> np.ndarray:
    shown = chain.weathers[0]
    heat = heat_of_days(shown.air["air_temperature"].values)
    return lasting_by_part(chain.scenario, chain.coefficients, chain.draws, shown.lags.lags_pct, heat, shown.weights)[0]


def test_parts_add_up_to_the_chain(middle: Chain) -> None:
    """The same law on the same days, the last five years beyond the horizon aside."""
    found = parts_of(middle)
    day = round(20 * 365.25)
    paths = {quantity: path[:, [min(day, path.shape[1] - 1)]].copy() for quantity, path in middle.world.lasting.items()}
    whole = float(saddle_rise_mm(paths, pivot_of(middle.scenario.instrument))[0, 0])
    assert found[:, 0].sum() == pytest.approx(whole, rel=1e-3)
    assert found[-1] == pytest.approx(found[:-1].sum(axis=0))  # a gain of 2 doubles
    assert np.all(found[:, 1] > found[:, 0])
    assert found[2, 0] < found[3, 0] < found[0, 0]  # joint, root, plates of a bolted neck


def test_every_group_has_its_part() -> None:
    assert sorted(group for groups in PART_GROUPS.values() for group in groups) == sorted(worded("groups"))


def test_parts_do_not_ask_for_a_horizon(middle: Chain) -> None:
    """A forecast of two years tells the same thirty, but for the years it goes on with."""
    shown, short = middle.weathers[0], 2 * 365
    since = day_of(middle.scenario, middle.scenario.setup.setup)
    heat = heat_of_days(shown.air["air_temperature"].values)[: since + short]
    lags = shown.lags.lags_pct[:, : since + short + 1]
    found = lasting_by_part(middle.scenario, middle.coefficients, middle.draws, lags, heat, shown.weights)[0]
    assert found == pytest.approx(parts_of(middle), rel=0.15)


def test_a_bow_left_alone_goes_by_the_creep_along_the_grain(middle: Chain) -> None:
    """The strings' elastic bow times a creep since set-up of 0.35 to 0.7 (of 0.6 in seven years a quarter was there by
    then, six weeks under strings), less what the rod carries (0.6): a fifth of a millimetre, of the order of "lasting
    0.6 mm at the saddle with the rod carrying most" (own calculation of a neck as a beam)."""
    shown, scenario = middle.weathers[0], middle.scenario
    _, bow = lasting_by_part(
        scenario, middle.coefficients, middle.draws, shown.lags.lags_pct, shown.days.heat, shown.weights
    )
    elastic = string_pull_n(scenario.instrument.strings) * middle.coefficients.bow_action["strings"]
    assert 0.4 * 0.35 < bow[0] / elastic < 0.4 * 0.7 and bow[1] > bow[0]
    assert 0.1 < bow[0] < 0.35


def test_the_rod_takes_the_bow_out_and_leaves_the_angle(middle: Chain) -> None:
    """Turned after two years: the bow counts anew from the day after, what turned and sank stays, and so does the
    reading a regrade is judged by, which takes the rod for set."""
    scenario, day = replace(middle.scenario, horizon_years=4), 730
    work = (WorkDone(scenario.setup.setup + timedelta(days=day), truss_rod=True),)
    left, turned = (run_chain(replace(scenario, work=own), middle.draws) for own in ((), work))
    bow, anew = (each.world.lasting["bow_action"][0] for each in (left, turned))
    assert bow[0] == 0.0 and bow[day] > 0.05 and np.diff(bow[::30]).min() > -1e-6
    assert anew[: day + 1] == pytest.approx(bow[: day + 1], abs=1e-6)
    assert anew[day + 1 :] == pytest.approx(bow[day + 1 :] - bow[day], abs=1e-6)
    for quantity in ("neck_rotation", "top_sinkage"):
        np.testing.assert_array_equal(left.world.lasting[quantity], turned.world.lasting[quantity])
    np.testing.assert_array_equal(left.world.reading.action_mm, turned.world.reading.action_mm)
    lags = turned.weathers[0].lags, turned.weathers[0].weights
    told = as_dataset(turned.scenario, turned.draws, turned.world, turned.due, turned.weathers[0].days, *lags)
    whole = -told["projection_change_lasting"].values[0] / 2.0 + anew
    assert told["action_change_lasting"].values[0] == pytest.approx(whole, abs=1e-6)


def test_the_rod_comes_before_the_spacer(middle: Chain) -> None:
    """However much a neck bows, no regrade is due sooner; the rod is turned when the bow alone holds the action outside
    for the rule's days, at each regrade too, and not before."""
    scenario = replace(middle.scenario, horizon_years=8)
    values = {**middle.draws.values, "bow_creep": np.array([6.0])}
    high = run_chain(scenario, replace(middle.draws, values=MappingProxyType(values)))
    plain = run_chain(scenario, middle.draws)
    np.testing.assert_array_equal(high.due.day, plain.due.day)
    reading, bow = high.world.reading, weekly_bow(high)
    assert bow == pytest.approx(6.0 * weekly_bow(plain), rel=1e-3)
    rule = replace(scenario.rule, action_low_mm=-9.0, projection_tolerance_mm=99.0, saddle_room_least_mm=-99.0)
    limit = float(reading.action_mm.max()) + 0.3
    tight = replace(scenario, rule=replace(rule, action_high_mm=limit))
    left = bow_left(reading, bow, 0.0, tight)
    first = int(np.argmax(left[0] < bow[0] - 1e-9))
    out = (reading.action_mm + bow)[0] > limit
    began, days = int(np.argmax(out)), 7 * np.arange(out.size)
    assert out[began:first].all() and abs(days[first] - days[began] - rule.days_outside) <= 7
    assert left[0, first] == pytest.approx(0.0, abs=1e-9)
    assert left[0, first:] == pytest.approx(bow[0, first:] - bow[0, first], abs=1e-9)
    wide = replace(tight, rule=replace(tight.rule, action_high_mm=99.0))
    np.testing.assert_array_equal(bow_left(reading, bow, 0.0, wide), bow)
    # a spacer that lifts the saddle by 0.2 mm takes 0.1 of the 0.3 mm that were left at the 12th fret
    lower = replace(tight, rule=replace(tight.rule, action_high_mm=limit - 0.1))
    np.testing.assert_allclose(bow_left(reading, bow, 0.2, tight), bow_left(reading, bow, 0.0, lower), atol=1e-9)
    job = Regrades(np.array([[700, NEVER]]), np.array([[0, -1]]))
    after = bow_left(reading, bow, 0.0, wide, job)
    assert after[0, :100] == pytest.approx(bow[0, :100]) and after[0, 100:] == pytest.approx(bow[0, 100:] - bow[0, 100])
