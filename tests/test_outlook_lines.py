"""The outlook line by line: what is lived through, when work falls due, what lasts and what is told of it, on paths
made by hand. Arithmetic beside each check, or a loop from day to day; no outside values, and no run of the chain."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta
from functools import partial
from types import MappingProxyType, SimpleNamespace
from typing import Any

import numpy as np
import pytest
import xarray as xr
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from driftmodel.base import library
from driftmodel.base.errors import BadInput
from driftmodel.base.records import Scenario, WorkDone
from driftmodel.base.scenario_file import LearnedPrior, StringEvent
from driftmodel.base.scenarios import load_scenario
from driftmodel.base.schema import DAYS_PER_YEAR
from driftmodel.climate.air import months_of
from driftmodel.outlook import (
    air_levers,
    calendar,
    drift,
    findings,
    lasting,
    levers,
    moisture,
    movement,
    place,
    regrade,
    room_lags,
    rooms,
)
from driftmodel.outlook import chain as chain_room
from driftmodel.outlook import compare as comparing
from driftmodel.outlook.calendar import (
    as_of,
    average_year_from,
    day_of,
    fitted_lift_mm,
    grade_lifts_mm,
    horizon_days,
    monthly_means,
    months_past_rule,
    past_rule_by_month,
    reaching,
    saddle_room_now_mm,
    string_load,
    swing,
    trailing_mean,
    with_work,
)
from driftmodel.outlook.chain import Chain, Days
from driftmodel.outlook.draws import Draws, draw_unknowns, members_of, normal_stratified, share_of_variance, unknowns_of
from driftmodel.outlook.levers import LEVERS, lever_lines, parse_what_if, with_lever
from driftmodel.outlook.lived import bow_ahead, lift_ahead, lived, paths_ahead, with_spacer
from driftmodel.outlook.movement import World
from driftmodel.outlook.regrade import NEVER, NO_GRADE, Reading, Regrades, first_due, nearest_grades
from driftmodel.outlook.wood_air import Slab, paces, slab_of, transport
from driftmodel.structure.neck import clamp_lost
from driftmodel.wood import creep, sorption
from driftmodel.wood.diffusion import lag_basis, mean_response_days

Array = NDArray[np.float64]
YEAR = 365.25


@pytest.fixture(scope="module")
def scenario() -> Scenario:
    """One year from set-up; action 2.3 mm between 2.0 and 2.6, spacer J, saddle room 2.5 down to 0.8 mm."""
    told = replace(load_scenario("first-winter"), horizon_years=1, today=None, work=())
    rule, setup = told.rule, told.setup
    assert (setup.action_12th_mm, rule.action_low_mm, rule.action_high_mm, setup.spacer) == (2.3, 2.0, 2.6, "J")
    assert (setup.saddle_room_mm, rule.saddle_room_least_mm, rule.days_outside) == (2.5, 0.8, 60)
    return told


def made(scenario: Scenario, due: Regrades, draws: int = 3, **paths: Array) -> Chain:
    """A chain whose draws move as told: `rise` and `bow` of the season, `sunk` and `bowed` for good, mm by day."""
    days = horizon_days(scenario) + 1

    def path(name: str, sign: float = 1.0) -> Any:
        return (sign * np.broadcast_to(paths.get(name, np.zeros(())), (draws, days))).astype(np.float32)

    still = path("nothing")
    seasonal = {"top_sinkage": path("rise", -1.0), "neck_rotation": still, "bow_action": path("bow")}
    past = {"top_sinkage": path("sunk"), "neck_rotation": still, "bow_action": path("bowed")}
    steps = -(-days // 7)
    reading = Reading(np.zeros((draws, steps)), np.full((draws, steps), 2.3), 7)
    own = Draws(MappingProxyType({}), np.zeros(draws), np.zeros(draws, dtype=np.intp))
    nothing: Any = None
    return Chain(scenario, nothing, own, (), World(seasonal, past, reading), due)


def none_due(draws: int = 3) -> Regrades:
    return Regrades(np.full((draws, 1), NEVER), np.full((draws, 1), NO_GRADE))


# ---- what is lived through -----------------------------------------------------------------------------------------


def test_days_inside_are_weeks_inside(scenario: Scenario) -> None:
    """53 weekly readings: all inside; 0.31 mm too high from the 30th on; the saddle risen by 1.75 mm, which uses up its
    room of 1.7 whatever the action, in the last ten."""
    day = np.arange(horizon_days(scenario) + 1)
    bow = np.array([0.0, 0.31, -0.875])[:, None] * (day >= np.array([0, 210, 301])[:, None])
    rise = np.array([0.0, 0.0, 1.75])[:, None] * (day >= 301)
    life = lived(made(scenario, none_due(), bow=bow, rise=rise))
    assert life.inside_days == pytest.approx(DAYS_PER_YEAR * np.array([1.0, 30.0 / 53.0, 43.0 / 53.0]))
    assert life.regrades.tolist() == [0.0, 0.0, 0.0] and not life.other_work.any()
    today = replace(scenario, today=scenario.setup.setup + timedelta(days=203))  # from the 30th reading on
    ahead = lived(made(today, none_due(), bow=bow, rise=rise))
    assert ahead.inside_days == pytest.approx(DAYS_PER_YEAR * np.array([1.0, 1.0 / 24.0, 14.0 / 24.0]))


def test_a_spacer_acts_by_half_its_lift_from_its_day_on(scenario: Scenario) -> None:
    """Action too high by 0.1 mm from day 70 on. A spacer that takes 0.4 mm off the saddle on day 140 mends it; one that
    adds as much does not; the third finds none, which is other work."""
    lifts = grade_lifts_mm(scenario)
    lower, higher = (int(np.argmin(np.abs(lifts - by))) for by in (-0.4, 0.4))
    due = Regrades(np.array([[140, NEVER], [140, 210], [140, NEVER]]),
                   np.array([[lower, NO_GRADE], [higher, lower], [NO_GRADE, NO_GRADE]]))  # fmt: skip
    day = np.arange(horizon_days(scenario) + 1)
    chain = made(scenario, due, bow=np.where(day >= 70, 0.4, 0.0))
    lift = lift_ahead(chain)
    week = 7 * np.arange(53)
    assert lift[0] == pytest.approx(np.where(week >= 140, lifts[lower], 0.0))
    assert lift[1] == pytest.approx(np.where(week >= 210, lifts[lower], np.where(week >= 140, lifts[higher], 0.0)))
    assert (lift[2] == 0.0).all()
    life = lived(chain)
    assert life.inside_days == pytest.approx(DAYS_PER_YEAR * np.array([43.0, 33.0, 10.0]) / 53.0)
    assert life.regrades.tolist() == [1.0, 2.0, 1.0] and life.other_work.tolist() == [False, False, True]
    # risen by 1.5 mm, a bow makes up for its action: a spacer that lifts the saddle by 0.4 uses its room up
    full = made(scenario, Regrades(np.array([[140]] * 3), np.array([[higher], [lower], [NO_GRADE]])),
                rise=np.full(366, 1.5), bow=np.full(366, -0.75))  # fmt: skip
    assert lived(full).inside_days == pytest.approx(DAYS_PER_YEAR * np.array([20.0, 53.0, 53.0]) / 53.0)
    # another spacer fitted at set-up, and the saddle with it: 0.5 mm of saddle is 0.25 of action and of room
    label = scenario.instrument.spacers.labels[lower]
    changed = with_spacer(made(scenario, none_due(), bow=np.full(366, 0.4)), label, 0.5)
    assert changed.scenario.work == (WorkDone(scenario.setup.setup, spacer=label, saddle_mm=0.5),)
    rise, action = paths_ahead(changed)
    assert (rise == 0.0).all() and action == pytest.approx(2.3 + 0.25 + 0.4)
    assert lift_ahead(changed) == pytest.approx(lifts[lower]) and (changed.due.day == NEVER).all()
    assert with_spacer(chain, "") is chain
    now = replace(scenario, today=scenario.setup.setup + timedelta(days=70))
    assert with_spacer(made(now, none_due()), label).scenario.work == (WorkDone(now.today, spacer=label),)
    assert saddle_room_now_mm(changed.scenario) == pytest.approx(3.0)
    raised = with_spacer(made(scenario, none_due(), rise=np.full(366, 2.0), bow=np.full(366, -1.25)), "J", 0.5)
    assert lived(raised).inside_days == pytest.approx(DAYS_PER_YEAR)  # 2 mm of room used, 1 mm left of 3


def test_the_bow_for_good_counts_until_the_rod_is_turned(scenario: Scenario) -> None:
    """0.2 mm of lasting bow from day 70 on: inside with it, so it stays; a regrade on day 140 turns the rod too."""
    day = np.arange(horizon_days(scenario) + 1)
    lower = int(np.argmin(np.abs(grade_lifts_mm(scenario) + 0.2)))
    due = Regrades(np.array([[NEVER], [140], [NEVER]]), np.array([[NO_GRADE], [lower], [NO_GRADE]]))
    bowed = np.array([0.2, 0.2, 0.35])[:, None] * (day >= np.array([7, 70, 70])[:, None])
    chain = made(scenario, due, bowed=bowed)
    left = bow_ahead(chain, lift_ahead(chain))
    week = 7 * np.arange(53)
    assert left[0] == pytest.approx(np.where(week >= 7, 0.2, 0.0), abs=1e-6)
    assert left[1] == pytest.approx(np.where((week >= 70) & (week < 140), 0.2, 0.0), abs=1e-6)
    # 0.35 mm hold the action outside: the rod is turned 60 days after the first reading outside, by the week
    assert left[2] == pytest.approx(np.where((week >= 70) & (week < 126), 0.35, 0.0), abs=1e-6)
    assert lived(chain).inside_days == pytest.approx(DAYS_PER_YEAR * np.array([1.0, 1.0, 45.0 / 53.0]))
    later = replace(chain, scenario=replace(scenario, today=scenario.setup.setup + timedelta(days=98)))
    assert bow_ahead(later, lift_ahead(later)) == pytest.approx(left[:, 14:])


def test_the_saddle_ahead_is_the_seasons_and_what_sank_for_good(scenario: Scenario) -> None:
    """Half of it is action; the season's bow counts whole, the bow for good apart."""
    chain = made(
        scenario,
        none_due(),
        rise=np.full(366, 0.5),
        bow=np.full(366, 0.1),
        sunk=np.full(366, 0.2),
        bowed=np.full(366, 9.0),
    )
    rise, action = paths_ahead(chain)
    assert rise == pytest.approx(np.full((3, 53), 0.3)) and action == pytest.approx(np.full((3, 53), 2.3 + 0.15 + 0.1))
    error = np.array([0.0, 0.1, -0.1])
    off = replace(chain, draws=replace(chain.draws, set_up_error_mm=error))
    assert paths_ahead(off)[1][:, 0] == pytest.approx(2.55 + error)


def test_lags_without_rooms_are_kept_as_they_are(scenario: Scenario) -> None:
    told = np.arange(4.0)
    lags, days = moisture.Lags(told, told + 1.0, told[:, None]), Days(told, told + 2.0, told + 3.0, told > 1.0)
    facts, arrays = chain_room._to_written((lags, days))
    back, again = chain_room._from_written(facts, arrays, scenario)
    assert facts is None and back.rooms is None and back.emc_pct.tolist() == lags.emc_pct.tolist()
    assert again.humidity_pct.tolist() == days.humidity_pct.tolist() and again.filled.tolist() == days.filled.tolist()


def test_the_lags_of_an_air_are_told_with_its_days() -> None:
    """Means of the days, the last told twice; a part's lags of a day are those of the hourly air under its pace."""
    emc, speeds = np.random.default_rng(1).uniform(5.0, 15.0, 72), [np.full(72, 1.0), np.full(72, 0.3)]
    lags = moisture.lags_of(emc, speeds, 9.0)
    days = [emc[24 * day : 24 * day + 24].mean() for day in (0, 1, 2, 2)]
    assert lags.emc_pct == pytest.approx(days)
    own = [lag_basis(emc, speed, lags.time_constants_days, 9.0) for speed in speeds]
    assert lags.lags_pct == pytest.approx(np.concatenate(own)) and lags.lags_pct[:, 0] == pytest.approx(9.0)


def test_years_free_of_work_are_counted_from_today(scenario: Scenario) -> None:
    chain = made(
        replace(scenario, horizon_years=4), Regrades(np.array([[400], [NEVER]]), np.array([[0], [NO_GRADE]])), 2
    )
    assert chain.free_years() == pytest.approx([400 / YEAR, 4.0])
    today = replace(chain.scenario, today=scenario.setup.setup + timedelta(days=100))
    assert replace(chain, scenario=today).free_years() == pytest.approx([300 / YEAR, 3.0])


def test_better_air_is_better_by_a_day_at_least() -> None:
    for then, better in ((200.9, False), (201.0, False), (201.1, True), (201.4, True), (150.0, False)):
        found = place.BetterAir("a case", (200.0, then), (1.23456, 0.5), "H")
        assert found.is_better is better
    assert place.air_attrs(place.BetterAir("a case", (200.04, 212.36), (1.236, 0.5), "H")) == {
        "better_air": "a case", "inside_days_per_year": 200.0, "inside_days_per_year_better_air": 212.4,
        "regrades_ahead": 1.24, "regrades_ahead_better_air": 0.5, "grade_better_air": "H"}  # fmt: skip
    assert place.air_attrs(None) == {}


def test_the_grade_worth_most_is_chosen_with_its_job(scenario: Scenario, monkeypatch: pytest.MonkeyPatch) -> None:
    """Lives made up: H 300 days and no job, J (fitted) 280 and none, L 310 and one job every year of two. With a job of
    60 days H wins where the joint is open, J where it is not (40 days won cost 60); for a job of 30 H again."""
    told, better = {"H": (300.0, 0.0), "J": (280.0, 0.0), "L": (310.0, 2.0)}, dict[float, float]()

    def life(_: Any, label: str, saddle_mm: float = 0.0) -> tuple[Array, ...]:
        inside, jobs = told.get(label, (100.0, 3.0))
        inside += better.get(saddle_mm, 0.0)
        return np.array([inside - 10.0, inside, inside + 10.0]), np.full(3, jobs), np.array([True, False, False])

    monkeypatch.setattr(place, "_lived", life)
    monkeypatch.setattr(place, "moved_ahead", lambda chain: None)
    action = np.linspace(2.0, 3.0, 11)[:, None]
    monkeypatch.setattr(place, "paths_ahead", lambda chain, moved: (action, action))
    two = replace(scenario, horizon_years=2)
    chain = made(two, none_due())
    table = place.grades_of(chain)
    assert (table.fitted, table.joint_open, table.if_open, table.if_closed, table.years) == ("J", True, "H", "J", 2)
    assert place.YEARS == 5
    assert table.steadiest == "H" and table.advised == "H" and table.job_days == 60.0 and table.draws == 11
    row = table.of("L")
    assert (row.inside_days, row.later_jobs, row.no_regrade) == pytest.approx((310.0, 2.0, 0.0))
    assert (row.inside_low, row.inside_high) == pytest.approx((302.0, 318.0)) and row.other_work == pytest.approx(1 / 3)
    assert row.worth_days == pytest.approx(2 * 310.0 - 60.0 * 2.0)
    lifts = dict(zip(scenario.instrument.spacers.labels, grade_lifts_mm(scenario), strict=True))
    assert row.action_mm == pytest.approx(np.array([2.1, 2.5, 2.9]) + lifts["L"] / 2.0)
    assert table.advised_action_mm == pytest.approx(2.3 + lifts["H"] / 2.0) and table.advised_saddle_mm == 0.0
    assert table.advised_days == 300.0 and place.grades_of(chain, job_days=30.0).if_closed == "H"
    assert [place.grades_of(chain, job_days=by).if_closed for by in (39.75, 40.25)] == ["H", "J"]  # 40 days won
    done = (WorkDone(two.setup.setup + timedelta(days=9), saddle_mm=0.2, action_mm=-0.3),)
    later = made(replace(two, today=two.setup.setup + timedelta(days=30), work=done), none_due())
    closed = place.grades_of(later)
    assert (closed.joint_open, closed.advised, place.suited_grade(later)) == (False, "J", "")
    assert closed.advised_action_mm == pytest.approx(2.3 + 0.1 - 0.3)
    # days a year won by the saddle 0.4 mm lower, 0.6 mm higher: five are enough, and of equals the lesser change
    for lower, higher, by in ((5.0, 4.0, -0.2), (4.9, 4.0, 0.0), (6.0, 6.0, -0.2), (6.0, 7.0, 0.3)):
        better |= {-0.4: lower, 0.6: higher}
        found = place.grades_of(chain)
        assert found.advised_saddle_mm == pytest.approx(2.0 * by)
        assert found.advised_action_mm == pytest.approx(2.3 + lifts["H"] / 2.0 + by)
        assert found.advised_days == 300.0 + (max(lower, higher) if by else 0.0)


# ---- when work falls due -------------------------------------------------------------------------------------------


def due_by_days(outside: list[bool], pitch: list[bool], days: int, start: int, today: int, last: int) -> int:
    """The first day the rule's days are full, told by going on from every reading outside, day by day."""
    for first in range(0, 7 * len(outside), 7):
        if first < start or not pitch[first]:
            continue
        played, day, held = 0, first, True
        while day <= last and (played < days or day == first):
            if day % 7 == 0 and pitch[day]:
                held = held and outside[day // 7]
            if not held or played == days:
                break
            played += pitch[day]
            day += 1
            if played == days:
                break
        if held and played == days and day <= last and day > today - 7:
            return max(day, today)
    return NEVER


@settings(max_examples=60)
@given(
    st.lists(st.integers(1, 12), min_size=3, max_size=12), st.booleans(), st.integers(1, 40), st.integers(0, 120),
    st.integers(0, 250), st.lists(st.integers(1, 330), min_size=0, max_size=4, unique=True),
)  # fmt: skip
def test_due_is_what_counting_day_by_day_finds(
    runs: list[int], begins: bool, days: int, start: int, today: int, changes: list[int]
) -> None:
    told = replace(load_scenario("first-winter"), horizon_years=1)
    first = told.setup.setup
    events = tuple(StringEvent(first + timedelta(days=day), bool(k % 2)) for k, day in enumerate(sorted(changes)))
    own = replace(told, events=events, today=first + timedelta(days=today) if today else None, work=(),
                  rule=replace(told.rule, days_outside=days))  # fmt: skip
    outside = [begins ^ bool(k % 2) for k, length in enumerate(runs) for _ in range(length)][:53]
    outside += [False] * (53 - len(outside))
    last, since = horizon_days(own), day_of(own, first)
    pitch = (string_load(own, since + last + 1)[since:] > 0.0).tolist()
    expected = due_by_days(outside, pitch, days, start, today, last)
    found = first_due(np.array([outside]), own, 7, np.array([start]))
    assert found[0] == expected
    assert first_due(np.array([outside]), own, 7)[0] == due_by_days(outside, pitch, days, 0, today, last)


@settings(max_examples=40)
@given(st.floats(-2.0, 2.0), st.floats(1.5, 3.2), st.floats(0.5, 4.0))
def test_the_nearest_grade_is_the_best_of_those_that_mend(rise: float, action: float, room: float) -> None:
    told = load_scenario("first-winter")
    lifts, rule = grade_lifts_mm(told), told.rule
    mends = {
        abs(action + lift / 2.0 - told.setup.action_12th_mm): k
        for k, lift in enumerate(lifts.tolist())
        if rule.action_low_mm <= action + lift / 2.0 <= rule.action_high_mm
        and room - rise - lift >= rule.saddle_room_least_mm and abs(rise + lift) <= rule.projection_tolerance_mm
    }  # fmt: skip
    found = nearest_grades(np.array([rise]), np.array([action]), lifts, room, told)
    assert found[0] == (mends[min(mends)] if mends else NO_GRADE)


@pytest.mark.parametrize("held", [60, 62])  # the day after it is a reading's, or not
def test_the_second_regrade_counts_from_the_first(scenario: Scenario, held: int) -> None:
    """Rising 1 mm a year at the saddle: each passage begins the day after the last, on the same path, with the spacer
    then fitted; work done at the bench before is in it, at its step, and its saddle room."""
    three = replace(
        scenario, horizon_years=3, rule=replace(scenario.rule, projection_tolerance_mm=9.0, days_outside=held)
    )
    steps = -(-(horizon_days(three) + 1) // 7)
    rise = (np.arange(steps) * 7 / YEAR)[None, :]
    reading = Reading(rise, 2.3 + rise / 2.0, 7)
    lifts, days, lift, start = grade_lifts_mm(three), [], 0.0, 0
    while True:
        action = reading.action_mm[0] + lift / 2.0
        out = (action > 2.6) | (action < 2.0) | (2.5 - rise[0] - lift < 0.8)
        weeks = [k for k in range(steps) if out[k:].all() and 7 * k >= start and 7 * k + held <= horizon_days(three)]
        if not weeks:
            break
        day = 7 * weeks[0] + held
        step = day // 7
        off = {one: rise[0, step] / 2.0 + one / 2.0 for one in lifts.tolist()}
        mends = [one for one in off if abs(off[one]) <= 0.3 and 2.5 - rise[0, step] - one >= 0.8]
        lift = min(mends, key=lambda one: abs(off[one]), default=np.nan)
        days.append((day, NO_GRADE if np.isnan(lift) else int(np.flatnonzero(lifts == lift)[0])))
        if np.isnan(lift):
            break
        start = day + 1
    found = regrade.regrades(reading, three)
    assert list(zip(found.day[0].tolist(), found.grade[0].tolist(), strict=True)) == days and len(days) > 2
    # a saddle cut by 0.4 mm on day 30 takes 0.2 mm off the action and 0.4 off the room
    cut = as_of(
        three,
        three.setup.setup + timedelta(days=31),
        (WorkDone(three.setup.setup + timedelta(days=30), saddle_mm=-0.4),),
    )
    lower = regrade.regrades(reading, cut)
    first = lower.day[0, 0]
    stands = rise[0, first // 7] / 2.0 - 0.2 + lifts / 2.0
    assert lower.grade[0, 0] == int(np.argmin(np.abs(stands)))
    out = (reading.action_mm[0] - 0.2 > 2.6) | (2.1 - rise[0] < 0.8)
    assert first == 7 * int(np.argmax(out)) + held


def test_a_reading_is_half_the_rise_and_the_bow(scenario: Scenario) -> None:
    """At the reference state: sinkage lowers, rotation raises the saddle by its arc, half is action, bow is whole;
    what sank and turned for good is in it, the bow for good is not; the error of the set-up is each draw's own."""
    draws = Draws(MappingProxyType({}), np.array([0.1, -0.2]), np.zeros(2, dtype=np.intp))
    hygro = {"top_sinkage": np.array([[0.3], [0.0]]), "neck_rotation": np.array([[0.0], [0.2]]),
             "bow_action": np.array([[0.05], [0.02]])}  # fmt: skip
    change = np.array([[0.0, 1.0, 2.0]])
    past = {"top_sinkage": np.full((2, 15), -0.4), "neck_rotation": np.full((2, 15), 0.1)}
    into = Reading(np.empty((2, 3)), np.empty((2, 3)), 7)
    movement.put_reading(into, scenario, draws, hygro, change, past, slice(None, None, 7))
    arc = np.pi / 180.0 * 645.0 / 2.0 ** (14 / 12)
    rise = np.array([[-0.3], [0.2 * arc]]) * change + 0.4 + 0.1 * arc
    assert into.saddle_rise_mm == pytest.approx(rise)
    assert into.action_mm == pytest.approx(
        2.3 + draws.set_up_error_mm[:, None] + rise / 2.0 + hygro["bow_action"] * change
    )


@pytest.mark.parametrize("since", [0, 3, 61, 371, 800])
def test_the_reference_state_of_readings_is_that_of_all_days(since: int) -> None:
    """Asked for on the readings' days alone, from set-up on, it is the trailing year of what acts on every day."""
    first = date(2021, 5, 1)
    scenario: Any = SimpleNamespace(
        setup=SimpleNamespace(setup=first + timedelta(days=since)), stays=[SimpleNamespace(start=first)]
    )
    thin = movement.time_grid().size
    lags = 9.0 + np.random.default_rng(6).normal(0.0, 0.1, (2 * thin + 5, 1203)).cumsum(axis=1)
    more: Any = SimpleNamespace(thin=2)
    for rows, kept in ((more, lags), (None, lags[: 2 * thin])):
        acting = movement.acting_lags(kept, rows)
        wanted = movement.reference_state(acting)[:, since::7] - acting[:, [since]]
        found = movement.reference_change(scenario, kept, rows)
        assert found == pytest.approx(wanted, abs=1e-11)


def test_plates_relax_and_necks_do_too(monkeypatch: pytest.MonkeyPatch) -> None:
    """The thin half of the lags and the rooms' thin rows relax by the library's times and shares, the others act in
    full; each row for itself."""
    times, shares = (
        [library.general(f"relaxation_{kind}_{unit}").value for unit in (1, 2, 3)] for kind in ("time", "share")
    )
    thin = movement.time_grid().size
    lags = np.random.default_rng(1).normal(9.0, 1.0, (2 * thin + 5, 30))
    rooms: Any = SimpleNamespace(thin=2)
    acting = movement.acting_lags(lags, rooms)
    for rows, relaxes in ((slice(0, thin), True), (slice(thin, 2 * thin), False), (slice(2 * thin, 2 * thin + 2), True),
                          (slice(2 * thin + 2, None), False)):  # fmt: skip
        assert acting[rows] == pytest.approx(creep.relaxed(lags[rows], times, shares) if relaxes else lags[rows])
    assert movement.acting_lags(lags[: 2 * thin]) == pytest.approx(acting[: 2 * thin])


# ---- what lasts ----------------------------------------------------------------------------------------------------


def history(**given: Any) -> lasting.CreepHistory:
    """Three days of one history, of two lags, met on marks 0, 7 and 14."""
    at = np.array([0, 7, 14])
    usual: dict[str, Any] = dict(
        at=at, by_time={name: np.array([0.1, 0.2, 0.4]) * (k + 1) for k, name in enumerate(lasting.CURVES)},
        steps=(creep.LoadStep(0, 1.0),), marks=at, month_pct=np.array([[9.0, 10.0, 8.0], [9.0, 9.0, 9.0]]),
        mark_of=np.array([0, 1, 2]), turned_mark=np.array([0, 0, 1]), lags_pct=np.full((2, 15), 9.0),
        clamp_lost=np.array([0.0, 0.1, 0.2]), opened=lambda lost: 1.0 + np.asarray(lost) * 5.0,
    )  # fmt: skip
    return lasting.CreepHistory(**(usual | given))


def test_give_adds_up_by_what_creeps() -> None:
    """Shares times the creep of their component since set-up; the joint apart; moisture by part: thin boards by the
    top, blocks, root and joint by the neck, the bow by itself; each by its component's number."""
    shares = {("top", "across"): 2.0, ("blocks", "through"): 3.0, ("joint", "joint"): 5.0, ("neck", "bow"): 7.0,
              ("root", "root"): 11.0}  # fmt: skip
    told = history()
    give = lasting.give_of(told, shares)
    since = {name: path - path[0] for name, path in told.by_time.items()}
    wood = 2.0 * since["across"] + 3.0 * since["through"] + 7.0 * since["bow"] + 11.0 * since["root"]
    assert give.wood == pytest.approx(wood) and give.joint == pytest.approx(5.0 * since["joint"])
    number = {name: library.general(f"moisture_creep_{name}").value for name in ("across", "shear", "along")}
    assert give.by_moisture == pytest.approx(
        {
            "top": 2.0 * number["across"],
            "neck": 3.0 * number["shear"] + 11.0 * number["along"],
            "bow": 7.0 * number["along"],
        }
    )
    assert give.held == 5.0
    values = {
        "moisture_creep": np.array([1.0, 2.0]),
        "joint_creep": np.array([1.0, 3.0]),
        "residual_gain": np.array([1.0, 2.0]),
    }
    met = {"top": np.array([[0.0, 0.01, 0.02]] * 2), "neck": np.zeros((2, 3)), "bow": np.zeros((2, 3))}
    found = lasting.put_together(give, met, values)
    loose = 5.0 * 5.0 * np.array([0.0, 0.1, 0.2])  # as much again for each share of clamp force lost, times 5
    for draw, (moist, joint, gain) in enumerate(((1.0, 1.0, 1.0), (2.0, 3.0, 2.0))):
        expected = (
            moist * give.by_moisture["top"] * met["top"][0] + give.wood + joint * give.joint + joint * loose / gain
        )
        assert found[draw] == pytest.approx(expected)


def test_the_range_met_counts_from_set_up_and_the_bows_from_the_rod() -> None:
    """Weights of one lag and of the other: a swing of 2 % met by the thin part; the bow's since mark 1 alone."""
    told = history()
    one, other = np.array([[1.0, 0.0]]), np.array([[0.0, 1.0]])
    scale = library.general("creep_clock_moisture").value, library.general("moisture_creep_scale").value
    damp = scale[1] * np.expm1((np.array([9.0, 10.0, 8.0]) - scale[0]) / scale[1])
    grown = np.log1p(np.array([0.0, 7.0, 14.0]) / library.general("moisture_creep_first_days").value)
    grown /= np.log1p(7 * YEAR / library.general("moisture_creep_first_days").value)
    range_met = np.array([0.0, damp[1] - damp[0], damp[1] - damp[2]]) * grown / 100.0
    met = lasting.met_by_part(told, {"top": one, "neck": other})
    assert met["top"][0] == pytest.approx(range_met) and met["neck"][0] == pytest.approx([0.0, 0.0, 0.0])
    turned = lasting.met_by_part(told, {"top": other, "neck": one})["bow"]
    assert turned[0] == pytest.approx([0.0, range_met[1], range_met[2] - range_met[1]])
    later = lasting.met_by_part(history(mark_of=np.array([1, 2, 2])), {"top": one, "neck": one})
    assert later["top"][0] == pytest.approx(range_met[[1, 2, 2]] - range_met[1])


def test_the_clock_runs_by_heat_and_the_tenth_days_damp(scenario: Scenario) -> None:
    """Lags flat but for the one nearest ten days: at the reference moisture a day is a day, a decade of moisture above
    it ten; heat multiplies; the loads step when strings go on, the spacer's day tightens the bolts, the rod's turns."""
    start = scenario.setup.setup
    work = (WorkDone(start + timedelta(days=50), spacer="G"), WorkDone(start + timedelta(days=90), truss_rod=True))
    own = as_of(replace(scenario, horizon_years=1), start + timedelta(days=100), work)
    since = day_of(own, start)
    days, reference = since + 200, library.general("creep_clock_moisture").value
    grid = movement.time_grid()
    row = int(np.argmin(np.abs(np.log(grid / 10.0))))
    lags = np.full((2 * grid.size, days + 1), 3.0)
    lags[row] = reference
    at = since + np.array([0, 50, 51, 90, 91, 150])
    told = lasting.creep_history(own, lags, np.ones(days), at)
    curve = creep.MasterCurve(
        tuple(library.general(f"creep_along_{point}").value for point in ("30_days", "1_year", "7_years")),  # type: ignore[arg-type]
        library.general("creep_along_slow").value,
    )
    strung = day_of(own, own.setup.strung)
    assert told.by_time["along"] == pytest.approx(curve.after(at - strung))
    assert told.by_time["bow"][:4] == pytest.approx(told.by_time["along"][:4] - curve.after(since - strung))
    assert told.by_time["bow"][4:] == pytest.approx(curve.after(at[4:] - strung) - curve.after(since + 90 - strung))
    assert told.clamp_lost == pytest.approx(clamp_lost(np.array([0, 50, 1, 40, 41, 100])))
    assert told.marks[told.turned_mark[:4]] == pytest.approx(since, abs=7)
    lags[row] = reference + library.general("creep_moisture_decade").value
    fast = lasting.creep_history(own, lags, np.full(days, 2.0), at)
    assert fast.by_time["along"] == pytest.approx(curve.after(20.0 * (at - strung)))
    assert (np.diff(told.marks) <= 7).all() and {step.day for step in told.steps} <= set(told.marks.tolist())
    assert set(at[told.mark_of >= 0].tolist()) == set(at.tolist()) and (told.marks[told.mark_of] <= at).all()
    assert (at - told.marks[told.mark_of] < 7).all()


def test_heat_of_a_day_is_the_mean_of_its_hours() -> None:
    """Arrhenius about the reference: exp(H / R (1/T0 - 1/T)), the mean of the hours, not of the day's mean."""
    zero, energy = 273.15, library.general("creep_activation_energy").value * 1000.0 / 8.314462618
    reference = library.general("creep_clock_temperature").value
    hours = np.concatenate([np.full(24, reference), np.tile([5.0, 35.0], 12)])
    each = [np.exp(energy * (1.0 / (reference + zero) - 1.0 / (t + zero))) for t in (5.0, 35.0)]
    assert lasting.heat_of_days(hours) == pytest.approx([1.0, np.mean(each)])


def test_the_last_year_goes_on(scenario: Scenario) -> None:
    assert lasting._days(3, 8).tolist() == [0, 1, 2, 0, 1, 2, 0, 1]
    days = lasting._days(400, 1000)
    assert days[399] == 399 and days[400] == 35 and days[764] == 399 and days[765] == 35
    start, work = (
        day_of(scenario, scenario.setup.setup),
        [scenario.setup.setup + timedelta(days=day) for day in (10, 20)],
    )
    at = start + np.array([0, 10, 11, 20, 21, 30])
    assert (lasting._last(scenario, at, work) - start).tolist() == [0, 0, 10, 10, 20, 20]
    early = [scenario.setup.setup - timedelta(days=3)]
    assert (lasting._last(scenario, at, early) == start).all()


def test_the_parts_of_a_middle_guitar_are_its_sums(scenario: Scenario, monkeypatch: pytest.MonkeyPatch) -> None:
    """Three draws whose medians are 1, a residual gain of 2: each part's give at full strings, without the gain, which
    adds as much again of their sum; the turn counts by its arc, the sinking against it; the bow by its own doubt."""
    told = history(month_pct=np.full((2, 3), 9.0), clamp_lost=np.zeros(3))
    asked: list[Any] = []
    monkeypatch.setattr(
        lasting, "creep_history", lambda own, lags, heat, at: asked.append((own, lags, heat, at)) or told
    )
    shares = {"top_sinkage": {("top", "along"): 2e-5, ("blocks", "along"): 1e-5, ("root", "root"): 0.0},
              "neck_rotation": {("joint", "joint"): 3e-6, ("root", "root"): 4e-6}}  # fmt: skip
    given: Any = SimpleNamespace(string_shares=shares, bow_action={"strings": 5e-4})
    draws = draw_unknowns(scenario, 3, 1)
    middle = {name: np.array([0.5, 1.0, 3.0]) for name in draws.values} | {"residual_gain": np.array([1.0, 2.0, 9.0])}
    weights: Any = SimpleNamespace(mean={part: np.full((3, 2), 0.5) for part in lasting.PARTS_MET})
    worked = replace(scenario, work=(WorkDone(scenario.setup.setup, truss_rod=True),))
    lags, heat = np.zeros((2, 500)), np.ones(499)
    rises, bow = lasting.lasting_by_part(
        worked, given, replace(draws, values=MappingProxyType(middle)), lags, heat, weights
    )
    pull, arc = lasting.string_pull_n(scenario.instrument.strings), np.pi / 180.0 * 645.0 / 2.0 ** (14 / 12)
    grown = {name: told.by_time[name][1:] - told.by_time[name][0] for name in told.by_time}
    plates, blocks = -pull * 2e-5 * grown["along"], -pull * 1e-5 * grown["along"]
    joint, root = pull * arc * 3e-6 * grown["joint"], pull * arc * 4e-6 * grown["root"]
    assert rises == pytest.approx(np.array([plates, blocks, joint, root, plates + blocks + joint + root]))
    left = 1.0 - library.general("truss_rod_carries").value
    assert bow == pytest.approx(pull * left * 5e-4 * grown["bow"])
    own, seen, warm, at = asked[0]
    since = day_of(scenario, scenario.setup.setup)
    assert own.work == () and (at - since).tolist() == [0, round(20 * YEAR), round(30 * YEAR)]
    assert seen.shape[1] == at[-1] + 1 and warm.size == at[-1]


def test_pull_by_what_it_does(scenario: Scenario) -> None:
    """The body's lasting part takes the string response and the residual gain, the neck's bow its own doubt; of the bow
    that creeps, what the rod carries is left out."""
    values = {"bow_creep": np.array([3.0]), "string_response": np.array([1.1]), "residual_gain": np.array([2.0])}
    pull = lasting.string_pull_n(scenario.instrument.strings)
    assert lasting.lasting_pull_n(scenario, values, "bow_action") == pytest.approx(3.0 * pull)
    assert lasting.lasting_pull_n(scenario, values, "top_sinkage") == pytest.approx(2.2 * pull)
    given: Any = SimpleNamespace(bow_action={"strings": 4.0}, string_shares={"top_sinkage": {("top", "along"): 0.1}})
    carried = library.general("truss_rod_carries").value
    assert lasting.creeping_shares(given, "bow_action") == {("neck", "bow"): pytest.approx((1.0 - carried) * 4.0)}
    assert lasting.creeping_shares(given, "top_sinkage") == {("top", "along"): 0.1}


# ---- moisture ------------------------------------------------------------------------------------------------------


def test_what_slab_a_part_is_taken_for(scenario: Scenario) -> None:
    """Plates through their thickness, braces through their mean width, the neck by its half ellipse's area over its
    curved length (the perimeter added up here), the board from above; a plate without braces is its own."""
    of = scenario.instrument
    body, own = of.body, of.neck
    for part, plate in (("top", body.top), ("back", body.back)):
        assert slab_of(of, part) == Slab(plate.wood, plate.thickness_mm, plate.finish_outside, plate.finish_inside)
        width = float(np.mean([brace.width_mm for brace in plate.braces]))
        assert slab_of(of, f"{part}_braces") == Slab(plate.braces[0].wood, pytest.approx(width), "bare", "bare")
        bald = replace(of, body=replace(body, **{part: replace(plate, braces=())}))
        assert slab_of(bald, f"{part}_braces") == slab_of(of, part)
    half, depth = (own.width_nut_mm + own.width_body_mm) / 4.0, (own.depth_nut_mm + own.depth_body_mm) / 2.0
    angle = np.linspace(0.0, np.pi, 20001)
    around = float(np.hypot(np.diff(half * np.cos(angle)), np.diff(depth * np.sin(angle))).sum())
    found = slab_of(of, "neck")
    assert found.thickness_mm == pytest.approx(np.pi / 2.0 * half * depth / around, rel=1e-4)
    assert (found.wood, found.outside, found.inside) == (own.wood, own.finish, None)
    assert slab_of(of, "fingerboard") == Slab(
        own.fingerboard_wood, own.fingerboard_thickness_mm, own.fingerboard_finish, None
    )


def test_how_moisture_passes_at_the_reference() -> None:
    """Diffusion and emission of the library at dry wood, grown by the moisture of 20 degC and 50 % (9.271 %, Eq. 4-5),
    lighter wood faster; a film passes permeance x p_sat (2338.8 Pa) over density x slope; a glued face nothing."""
    number = {name: library.general(name).value for name in (
        "diffusion_coefficient_20c", "surface_emission_20c", "diffusion_moisture_exponent",
        "diffusion_reference_gravity", "diffusion_density_exponent")}  # fmt: skip
    gravity = library.number(library.wood("sugar maple"), "specific_gravity_12").value
    factors = np.array([1.0, 2.0]), np.array([1.0, 3.0]), np.array([1.0, 0.5])
    inner, outer, glued = transport(Slab("sugar maple", 20.0, "nitrocellulose lacquer", None), *factors)
    wet = np.exp(number["diffusion_moisture_exponent"] * 0.09271)
    light = (number["diffusion_reference_gravity"] / gravity) ** number["diffusion_density_exponent"]
    assert inner == pytest.approx(number["diffusion_coefficient_20c"] * wet * light * factors[0], rel=1e-4)
    assert glued.tolist() == [0.0, 0.0]
    emission = number["surface_emission_20c"] * wet * factors[1]
    slope = float(sorption.equilibrium_moisture_content(20.0, 50.5) - sorption.equilibrium_moisture_content(20.0, 49.5))
    film = library.finish_permeance("nitrocellulose lacquer").value * factors[2] * 2338.8 / (1000.0 * gravity * slope)
    assert outer == pytest.approx(1.0 / (1.0 / emission + 1.0 / film), rel=1e-3)
    assert transport(Slab("sugar maple", 20.0, "bare", "bare"), *factors)[1] == pytest.approx(emission, rel=1e-4)


def test_a_films_part_of_the_wait_is_what_is_saved_without_it(scenario: Scenario) -> None:
    """Of the neck, open on one face; a top lacquered outside alone waits little longer for it."""
    of, one = scenario.instrument, np.ones(1)
    for part, (share, days) in zip(("top", "neck"), paces(of), strict=True):
        slab = slab_of(of, part)
        whole, bare = (float(mean_response_days(slab.thickness_mm, *transport(slab, one, one, film))[0])
                       for film in (one, 1e9 * one))  # fmt: skip
        assert days == pytest.approx(whole, abs=0.05) and share < 1.0 - bare / whole + 0.005
    assert share == pytest.approx(1.0 - bare / whole, abs=0.006)


def test_a_forecasts_air_and_movements_are_put_by_name(scenario: Scenario) -> None:
    """Days from set-up on, the last told twice; moisture of a part by the mean of its draws' weights; a whole is season
    and lasting; projection falls as the saddle rises, action by half of that and the bow; work lifts it."""
    since = 3
    work = (WorkDone(scenario.setup.setup + timedelta(days=5), saddle_mm=0.4, action_mm=0.1),)
    own = as_of(scenario, scenario.setup.setup + timedelta(days=6), work)
    days = horizon_days(own)
    result = xr.Dataset(coords={"time": calendar.forecast_time(own), "draw": np.arange(2)})
    told = np.arange(days + since, dtype=float)
    two = np.stack([np.append(told, 5.0), np.full(told.size + 1, 2.0)])
    lags: Any = SimpleNamespace(emc_pct=np.append(told, -1.0), lags_pct=two)
    parts = findings.schema.PARTS
    weights: Any = SimpleNamespace(
        mean={part: np.array([[1.0, 0.0], [0.0, 1.0]]) * (k + 1) for k, part in enumerate(parts)}
    )
    air: Any = SimpleNamespace(temperature_c=told, humidity_pct=told + 0.5, filled=told > 7)
    findings._put_air(result, air, lags, weights)
    assert result["air_temperature"].values[[0, 1, -2, -1]].tolist() == [3.0, 4.0, days + 2.0, days + 2.0]
    assert result["relative_humidity"].values[0] == 3.5 and result["filled"].values[:6].tolist() == [0, 0, 0, 0, 0, 1]
    assert result["equilibrium_moisture_content"].values[[0, -1]].tolist() == [3.0, -1.0]
    assert result["moisture_content"].values[:, 1] == pytest.approx((4.0 + 2.0) / 2.0 * (1.0 + np.arange(len(parts))))
    moved = {"rise": 0.5, "bow": 0.1, "sunk": 0.2, "bowed": 0.3}
    chain = made(own, none_due(2), 2, **{name: np.full(days + 1, by) for name, by in moved.items()})
    draws = replace(chain.draws, set_up_error_mm=np.array([0.0, 0.05]))
    findings._put_movements(result, own, draws, chain.world)
    first = {name: float(result[name][0, 0]) for name in result if result[name].dims == ("draw", "time")}
    assert first["projection_change_seasonal"] == pytest.approx(-0.5) and first[
        "projection_change_lasting"
    ] == pytest.approx(0.2)
    assert first["action_change_seasonal"] == pytest.approx(0.35) and first["action_change_lasting"] == pytest.approx(
        0.2
    )
    assert first["action_change"] == pytest.approx(0.55) and first["top_sinkage"] == pytest.approx(-0.3)
    action = result["action_12th"].values
    assert action[:, 4] == pytest.approx([2.85, 2.9]) and action[:, 5] == pytest.approx([3.15, 3.2])


# ---- seasons, days and draws ---------------------------------------------------------------------------------------


def test_an_average_year_is_of_the_last_stay_that_leaves_one(scenario: Scenario) -> None:
    start = scenario.setup.setup
    stays = tuple(replace(scenario.stays[-1], start=start + timedelta(days=day)) for day in (-60, 30, 700))
    moved = replace(scenario, stays=stays)
    for days, since in ((365, 0), (394, 0), (395, 30), (1064, 30), (1065, 700), (100, 0)):
        assert average_year_from(moved, days) == since
    month = np.array([1, 1, 6, 6])
    action = np.array([[2.0, 2.2, 2.7, 2.5], [2.0, 2.0, 2.8, 2.61]], dtype=np.float32)
    means = monthly_means(action, month)
    assert means == pytest.approx(np.array([[2.1, 2.6], [2.0, 2.705]])) and swing(means) == pytest.approx([0.5, 0.705])
    past = past_rule_by_month(action, month, scenario.rule)
    assert past == {1: 0.0, 6: 0.75} and months_past_rule(past) == (6,) and months_past_rule({3: 0.5, 4: 0.51}) == (4,)
    low = past_rule_by_month(action - np.float32(0.15), month, scenario.rule)
    assert low == {1: 0.75, 6: 0.25}
    assert months_of(np.array(["2026-01-31", "2026-12-01"], dtype="datetime64[D]")).tolist() == [1, 12]


def test_place_and_season_lift_the_action_by_half(scenario: Scenario) -> None:
    """A saddle that rises by 0.4 mm lifts it by 0.2; bow counts whole; what lasts is left out."""
    chain = made(scenario, none_due(), rise=np.full(366, 0.4), bow=np.full(366, -0.1), bowed=np.full(366, 5.0))
    assert calendar.action_of_place_and_season(chain) == pytest.approx(2.3 + 0.2 - 0.1)
    days = calendar.forecast_time(replace(scenario, horizon_years=1))
    assert (
        days[0] == np.datetime64(scenario.setup.setup)
        and days.size == 366
        and (np.diff(days) == np.timedelta64(1, "D")).all()
    )


def test_draws_are_the_same_draws_only_where_all_of_them_are() -> None:
    one = Draws(MappingProxyType({"film": np.array([1.0, 2.0])}), np.zeros(2), np.array([1, 2]))
    assert one == Draws(MappingProxyType({"film": np.array([1.0, 2.0])}), np.zeros(2), np.array([1, 2]))
    assert hash(one) == hash(replace(one, member=np.array([1, 1]))) and one != "film" and one != 3
    for other in (
        replace(one, values=MappingProxyType({"film": np.array([1.0, 2.5])})),
        replace(one, values=MappingProxyType({"surface": np.array([1.0, 2.0])})),
        replace(one, set_up_error_mm=np.array([0.0, 0.1])),
        replace(one, member=np.array([1, 1])),
    ):
        assert one != other
    assert one.rows(2) == slice(1, 2) and one.first(1).count == 1 and one.of_member(2).values["film"].tolist() == [2.0]
    for member in ([1, 2, 1], [2, 2, 2]):
        apart = Draws(MappingProxyType({}), np.zeros(3), np.array(member))
        with pytest.raises(ValueError, match="together"):
            apart.rows(1)


def test_members_share_the_draws_in_equal_blocks() -> None:
    assert members_of(1, 4).tolist() == [0] * 4 == members_of(0, 4).tolist()
    assert members_of(2, 5).tolist() == [1, 1, 1, 2, 2] and members_of(9, 3).tolist() == [1, 2, 3]


def test_one_draw_lies_in_each_slice_and_none_beyond_three() -> None:
    from scipy.special import ndtr

    drawn = normal_stratified(5000, 3, "film")
    assert np.array_equal(np.floor(np.sort(ndtr(drawn))[20:4980] * 5000).astype(int), np.arange(20, 4980))
    assert np.abs(drawn).max() == 3.0 and not np.array_equal(drawn, normal_stratified(5000, 4, "film"))
    assert not np.array_equal(drawn, normal_stratified(5000, 3, "surface"))


def test_unknowns_are_drawn_about_their_middles(scenario: Scenario) -> None:
    """Median and spread of each are its own; learned numbers take their place, and one of no unknown is named."""
    known, drawn = unknowns_of(scenario), draw_unknowns(scenario, 400, 2)
    for name, one in known.items():
        logs = np.log(drawn.values[name])
        assert np.median(logs) == pytest.approx(np.log(one.median), abs=0.02 * max(one.log_sd, 0.05))
        assert logs.std() == pytest.approx(one.log_sd, rel=0.03), name
    assert drawn.set_up_error_mm.std() == pytest.approx(scenario.setup.action_reading_sd_mm, rel=0.03)
    body, across = scenario.instrument.body, "coefficient_radial"
    assert known["movement_top"].log_sd == library.number(library.wood(body.top.wood), across).log_sd
    whole, share = library.general("structural_gain"), library.general("structural_variance_from_movement").value
    assert known["structure"].log_sd == pytest.approx(whole.log_sd * np.sqrt(1.0 - share))
    learned = replace(scenario, learned=(LearnedPrior("film", 1.3, 0.2, "own"),))
    assert (unknowns_of(learned)["film"].median, unknowns_of(learned)["film"].log_sd) == (1.3, 0.2)
    assert draw_unknowns(scenario, 1, 0).count == 1
    with pytest.raises(BadInput, match="seed"):
        draw_unknowns(scenario, 2, -1)
    with pytest.raises(BadInput, match="flim"):
        unknowns_of(replace(scenario, learned=(LearnedPrior("flim", 1.3, 0.2, "own"),)))


def test_the_share_of_the_set_up_is_its_squared_correlation(scenario: Scenario) -> None:
    drawn = draw_unknowns(scenario, 2000, 4)
    error, film = drawn.set_up_error_mm, np.log(drawn.values["film"])
    shares = share_of_variance(drawn, unknowns_of(scenario), error / error.std() - film / film.std())
    assert shares["how well the set-up was measured"] == pytest.approx(0.5, abs=0.03)
    assert sum(shares.values()) == pytest.approx(1.0, abs=0.02)


def test_days_of_work_and_strings(scenario: Scenario) -> None:
    """Strings off before they were on, and again: the load by day; work in order; a horizon that reaches a day."""
    first, begun = scenario.setup.strung, scenario.stays[0].start
    off = with_work(
        scenario,
        (WorkDone(first + timedelta(days=9), strings_on=True), WorkDone(first + timedelta(days=5), strings_on=False)),
    )
    assert [event.strings_on for event in off.events] == [False, True]
    load, at = string_load(off, 400), (first - begun).days
    assert load[at : at + 11].tolist() == [1.0] * 5 + [0.0] * 4 + [1.0] * 2 and load[:at].max() == 0.0
    told = replace(off, events=(*off.events, StringEvent(first + timedelta(days=5), True)))
    again = with_work(told, (WorkDone(first + timedelta(days=5), strings_on=False),))
    assert [(event.start, event.strings_on) for event in again.events].count((first + timedelta(days=5), False)) == 1
    for days, years in ((365, 3), (366, 4), (730, 4), (731, 5)):
        assert reaching(scenario, scenario.setup.setup + timedelta(days=days)).horizon_years == years
    assert reaching(replace(scenario, horizon_years=9), scenario.setup.setup).horizon_years == 9
    for days, years in ((0, 0), (1, 1), (365, 1), (366, 2), (730, 2), (731, 3)):
        assert as_of(scenario, scenario.setup.setup + timedelta(days=days)).horizon_years == 1 + years
    path = np.random.default_rng(2).normal(size=(2, 40))
    for days in (2, 7, 39):
        for day in (0, 1, 6, 7, 20, 39):
            seen = np.concatenate([np.repeat(path[:, :1], days, axis=1), path[:, : day + 1]], axis=1)[:, -days:]
            assert trailing_mean(path, days)[:, day] == pytest.approx(seen.mean(axis=1))
            for first, step in ((day, 7), (day, 50), (day % 3, 3)):
                found = trailing_mean(path, days, first, step)
                assert found.shape[1] == len(range(first, 40, step)), (first, step)
                assert found[:, (day - first) // step] == pytest.approx(seen.mean(axis=1)), (days, first, step)


# ---- levers and comparisons ----------------------------------------------------------------------------------------

#: how far each lever that takes a number goes, and whether in whole steps
REACH = {
    "winter heating": (5, 28), "air changes": (0.05, 10), "humidifier": (0, 65), "humidifier outage": (1, 20, "whole"),
    "case": (20, 65), "build humidity": (20, 75), "brace height": (0.5, 1.5), "braces before the bridge": (0.5, 1.5),
    "braces behind the bridge": (0.5, 1.5), "top thickness": (1.5, 5), "top dome": (3000, 60000),
    "strings over the join": (3, 25), "rod length": (100, 500), "scale": (500, 720), "string gauge": (0.6, 1.4),
    "string tension": (20, 150), "finer spacers": (1, 10, "whole"), "warming": (0, 6), "move": (1, 30, "whole"),
}  # fmt: skip


def test_levers_go_as_far_as_they_are_told(scenario: Scenario) -> None:
    assert {
        name: (one.low, one.high, *["whole"] * one.whole) for name, one in LEVERS.items() if one.low is not None
    } == REACH
    for name in ("top thickness", "string tension"):
        low, high = REACH[name][:2]
        for value in (low, high):
            with_lever(scenario, name, value)
        for value in (low - 0.1, high + 0.1, "nan", "far"):
            with pytest.raises(BadInput, match="from"):
                with_lever(scenario, name, value)
    with pytest.raises(BadInput, match="a whole number"):
        with_lever(scenario, "finer spacers", 2.5)
    lines = lever_lines().splitlines()
    assert len(lines) == 2 * len(LEVERS) and sum(line.endswith(" to 720)") for line in lines) == 1


def test_levers_are_read_as_they_are_written(scenario: Scenario) -> None:
    """yes, no, a number for a case; a day for a shipping; several with commas; a comma in a number is asked about."""
    for words, fitted in (("case=yes", True), ("case=no", False), ("case=45", True)):
        assert (parse_what_if(scenario, words).stays[-1].climate.case is not None) is fitted
    assert with_lever(scenario, "case", False).stays[-1].climate.case is None
    with pytest.raises(BadInput):
        with_lever(scenario, "string tension", "yes")
    with pytest.raises(BadInput):
        with_lever(scenario, "humidifier", "no")
    long = replace(scenario, horizon_years=4)
    assert parse_what_if(long, "shipping=2027-03-01").stays[-2].start == date(2027, 3, 1)
    with pytest.raises(BadInput, match="shipping from"):
        parse_what_if(long, "shipping=soon")
    two = parse_what_if(scenario, "string tension=90, brace height=0.9")
    assert two.raw["what_if"] == ["string tension=90", "brace height=0.9"]
    assert parse_what_if(scenario, "") is scenario
    for words, said in (("string tension", "moves no lever"), ("string tension=", "moves no lever"),
                        ("top thickness=2,8", "comma in a number")):  # fmt: skip
        with pytest.raises(BadInput, match=said) as caught:
            parse_what_if(scenario, words)
    assert "top thickness=2.8" in str(caught.value.mend)


def test_a_stated_pull_goes_with_the_square_of_the_scale(scenario: Scenario) -> None:
    """Mersenne; the bridge and its anchor go with the saddle, whose distance is scale / 2^(14/12)."""
    instrument = scenario.instrument
    strings = replace(instrument.strings, tension_n=700.0)
    bridge = replace(instrument.body.bridge, anchor_mm=296.0)
    own = replace(instrument, strings=strings, body=replace(instrument.body, bridge=bridge))
    found = levers.scale_length(replace(scenario, instrument=own), 630.0).instrument
    assert found.strings.tension_n == pytest.approx(700.0 * (630.0 / 645.0) ** 2) and found.strings.scale_mm == 630.0
    moved = -15.0 / 2.0 ** (14 / 12)
    for name in ("front_mm", "back_mm", "saddle_mm", "anchor_mm"):
        assert getattr(found.body.bridge, name) - getattr(bridge, name) == pytest.approx(moved), name


def test_the_air_of_a_climate_has_a_band_over_its_houses() -> None:
    """With a room: the median's own air within its 10 and 90 % points for most of the time, apart by some percent RH;
    without one, or of a climate held by its keeper, no band."""
    scenario = load_scenario("damp-coast")
    home = scenario.stays[-1].climate
    air = rooms.air_of_climate(home, rooms=5, seed=3)
    low, high = air["relative_humidity_p10"].values, air["relative_humidity_p90"].values
    inside = (air["relative_humidity"].values >= low - 1.0) & (air["relative_humidity"].values <= high + 1.0)
    assert air.attrs["room"] == 1 and inside.mean() > 0.8 and (high - low).mean() > 2.0
    assert air["air_temperature_p90"].attrs["long_name"] == "90 % point over houses like this one"
    bare = rooms.air_of_climate(replace(home, room=None))
    assert bare.attrs["room"] == 0 and "relative_humidity_p10" not in bare


def test_a_lever_sets_what_it_names(scenario: Scenario) -> None:
    """The number as given; twice the air changes carry off twice the water, so that half the excess is left."""
    moved = partial(with_lever, scenario)
    was = scenario.stays[-1].climate.room
    room = moved("winter heating", 18).stays[-1].climate.room
    assert was is not None and room == replace(was, heating_setpoint_c=18.0)
    room = moved("air changes", 2.0 * was.air_changes_per_hour).stays[-1].climate.room
    half = {name: getattr(was, name) / 2.0 for name in ("excess_cold_g_m3", "excess_warm_g_m3")}
    assert room == replace(was, air_changes_per_hour=2.0 * was.air_changes_per_hour, **half)
    assert moved("humidifier", 0).stays[-1].climate.humidifier is None
    assert moved("build humidity", 50).setup.built_relative_humidity_pct == 50.0
    built = {name: moved(name, value).instrument for name, value in (
        ("top thickness", 3.0), ("top dome", 6000), ("rod length", 340), ("strings over the join", 12),
        ("braces before the bridge", 0.9), ("braces behind the bridge", 0.8), ("finish outside", "bare"),
        ("finish inside", "bare"), ("neck wood", "sugar maple"), ("top wood", "western redcedar"))}  # fmt: skip
    top = scenario.instrument.body.top
    assert built["top thickness"].body.top == replace(top, thickness_mm=3.0)
    assert built["top dome"].body.top == replace(top, dome_radius_mm=6000.0)
    assert built["braces before the bridge"].body.top == replace(
        top, braces_before_bridge=0.9 * top.braces_before_bridge
    )
    assert built["braces behind the bridge"].body.top == replace(
        top, braces_behind_bridge=0.8 * top.braces_behind_bridge
    )
    assert (
        built["rod length"].neck.rod_length_mm == 340.0
        and built["strings over the join"].strings.over_top_at_join_mm == 12.0
    )
    for plate in ("top", "back"):
        assert getattr(built["finish outside"].body, plate).finish_outside == "bare"
        assert getattr(built["finish inside"].body, plate).finish_inside == "bare"
    assert built["neck wood"].neck.wood == "sugar maple" and built["top wood"].body.top.wood == "western redcedar"


def test_homes_by_name_and_any_for_all_with_a_room() -> None:
    homes = air_levers.homes_named(["any"])
    assert len(homes) > 2 and all(home.room is not None for home in homes)
    assert [home.name for home in air_levers.homes_named(["damp_coast", "cold_city_heated"])] == [
        "damp_coast", "cold_city_heated"]  # fmt: skip


def test_what_is_compared_is_told_by_draw(scenario: Scenario, monkeypatch: pytest.MonkeyPatch) -> None:
    """A made-up forecast of two years: a square season of 0.4 mm in June, 0.2 mm of drift at the end, one of two draws
    due on day 100 and again on day 500, today day 30; half a step of the spacers is a quarter of it at the saddle."""
    own = replace(scenario, horizon_years=3, today=scenario.setup.setup + timedelta(days=30))
    days = horizon_days(own) + 1
    time = np.datetime64(own.setup.setup.isoformat(), "ns") + np.arange(days).astype("timedelta64[D]")
    month = months_of(time) - 1
    never, damp = np.datetime64("NaT"), 40.0 + month + np.where(np.arange(days) % 2, 1.0, -1.0)
    result = xr.Dataset(
        {"action_change_seasonal": (("draw", "time"), np.array([[0.4], [0.2]], np.float32) * (month == 5)),
         "relative_humidity": (("time",), damp), "inside_days": (("draw",), [300.0, 200.0]),
         "regrade_date": (("draw", "occasion"), np.array([[time[100], time[500]], [never, never]])),
         "action_change_lasting": (("draw", "time"), np.array([[0.2], [0.1]]) * np.linspace(0.0, 1.0, days)),
         "place_shift": (("draw",), [-0.1, 0.1]), "regrade_due": (("year",), [0.5, 0.5])},
        coords={"time": time},
    )  # fmt: skip
    monkeypatch.setattr(comparing, "forecast", lambda *_, **__: result)
    values, action, humidity, due = comparing._summed_up(own, 2, 1, None)
    told = dict(zip(comparing.OUTCOMES, values.T, strict=True))
    assert told["inside_days"].tolist() == [300.0, 200.0] and told["place_shift"].tolist() == [-0.1, 0.1]
    assert told["lasting_action_change"] == pytest.approx([0.2, 0.1]) and told["season_swing"] == pytest.approx(
        [0.4, 0.2], abs=1e-5
    )
    assert told["lowest_month"] == pytest.approx([2.3, 2.3]) and told["highest_month"] == pytest.approx([2.7, 2.5])
    assert told["regrade_free_years"] == pytest.approx([70 / YEAR, 2.0]) and told["regrade_within"].tolist() == [
        1.0,
        0.0,
    ]
    assert told["regrades"].tolist() == [2.0, 0.0]
    step = float(np.diff(np.sort(grade_lifts_mm(own))).max())
    assert told["spacer_miss"] == pytest.approx([step / 4.0] * 2)
    assert humidity == pytest.approx(40.0 + np.arange(12), abs=0.05) and due.tolist() == [0.5, 0.5]
    assert action[:, 5] == pytest.approx([2.52, 2.6, 2.68]) and action[:, 0] == pytest.approx([2.3] * 3)
    fitted = as_of(
        own,
        own.setup.setup + timedelta(days=30),
        (WorkDone(own.setup.setup + timedelta(days=20), spacer="G", saddle_mm=0.2),),
    )
    lift = dict(zip(own.instrument.spacers.labels, grade_lifts_mm(own), strict=True))["G"]
    low = dict(zip(comparing.OUTCOMES, comparing._summed_up(fitted, 2, 1, None)[0].T, strict=True))["lowest_month"]
    assert low == pytest.approx(2.3 + lift / 2.0 + 0.1)


def test_pairs_and_their_errors(scenario: Scenario, monkeypatch: pytest.MonkeyPatch) -> None:
    """Two runs made up, a worse one by 1, 2 and 3 days draw by draw: mean 2, its error 1 / sqrt 3; unpaired the root of
    the sum of both variances over three."""
    runs = iter([np.array([100.0, 200.0, 300.0]), np.array([99.0, 198.0, 297.0])])

    def summed(own: Scenario, draws: int, seed: int, unknowns: Any) -> tuple[Array, ...]:
        assert own.horizon_years == 2 and own.seed == seed == 5 and own.weather_members == 3
        values = np.repeat(next(runs)[:, None], len(comparing.OUTCOMES), axis=1)
        return values, np.zeros((3, 12)), np.zeros(12), np.zeros(2)

    monkeypatch.setattr(comparing, "_summed_up", summed)
    one, two = (replace(scenario, name=name, horizon_years=years, weather_members=members)
                for name, years, members in (("a", 2, 3), ("b", 4, 1)))  # fmt: skip
    table = comparing.compare([one, two], 3, 5).sel(outcome="inside_days")
    assert table["difference_mean"].values == pytest.approx([0.0, -2.0])
    assert table["difference_se"].values[1] == pytest.approx(1.0 / np.sqrt(3.0))
    assert table["unpaired_se"].values[1] == pytest.approx(np.sqrt((100.0**2 + 99.0**2) / 3.0))
    assert table["value_quantile"].sel(scenario="b", quantile=0.5) == pytest.approx(198.0)
    assert table["difference_quantile"].sel(scenario="b", quantile=0.9) == pytest.approx(-1.2)
    assert table["value_mean"].values == pytest.approx([200.0, 198.0])


def test_a_forecast_is_told_of_its_own_draws_or_of_others(scenario: Scenario, monkeypatch: pytest.MonkeyPatch) -> None:
    """Made up but for its putting together: whose draws they are, what is slack after twenty years (turning more than
    twice as much), and better air asked about where the verdict is to humidify, which stands only if it is better."""
    asked: dict[str, Any] = {"verdict": "humidify", "foreign": []}
    chain: Any = SimpleNamespace(weathers=(SimpleNamespace(days=SimpleNamespace(heat=None), lags=SimpleNamespace(
        lags_pct=None), weights=None),), world=None, due=None, coefficients=None)  # fmt: skip
    monkeypatch.setattr(drift, "run_chain", lambda *_: chain)
    monkeypatch.setattr(drift, "as_dataset", lambda *_: xr.Dataset(attrs={"verdict": asked["verdict"]}))
    monkeypatch.setattr(drift, "lasting_by_part", lambda *_: (None, np.array([0.2346, 0.3])))
    monkeypatch.setattr(drift, "put_parts", lambda *_: None)
    monkeypatch.setattr(drift, "described", lambda result: result)
    monkeypatch.setattr(drift, "lived", lambda _: SimpleNamespace(inside_days=np.array([1.0, 2.0, 3.0, 4.0])))
    monkeypatch.setattr(drift, "better_air", lambda _: place.BetterAir("a case", (1.0, asked["days"]), (0.0, 0.0), ""))
    monkeypatch.setattr(
        drift, "origin", lambda own, seed, draws, foreign, _: asked["foreign"].append((seed, foreign)) or {}
    )
    monkeypatch.setattr(drift, "clamp_lost", lambda days: 0.1 if days == 20 * DAYS_PER_YEAR else 0.9)
    monkeypatch.setattr(drift, "opened", lambda _, lost: 20.0 * lost)  # 2 at a joint that creeps as the median does
    own = Draws(
        MappingProxyType({"joint_creep": np.array([0.9, 1.0, 1.1, 2.0])}), np.zeros(4), np.zeros(4, dtype=np.intp)
    )
    for days, verdict in ((1.5, "leave"), (9.0, "humidify")):
        asked["days"] = days
        found = drift.forecast(scenario, seed=7, unknowns=own)
        assert (found.attrs["verdict"], found.attrs["inside_days_per_year_better_air"]) == (verdict, days)
    assert found.attrs["bow_action_20_years_mm"] == 0.235 and found.attrs["bolts_slack_20_years"] == 0.5
    assert found["inside_days"].values.tolist() == [1.0, 2.0, 3.0, 4.0]
    asked["verdict"] = "regrade"
    monkeypatch.setattr(drift, "draw_unknowns", lambda _, count, seed: asked.update(drawn=(count, seed)) or own)
    assert "better_air" not in drift.forecast(scenario).attrs and asked["drawn"] == (scenario.draws, scenario.seed)
    assert drift.forecast(scenario, 12, 3).attrs["verdict"] == "regrade" and asked["drawn"] == (12, 3)
    assert asked["foreign"] == [(7, True), (7, True), (scenario.seed, False), (3, False)]


def test_the_rod_is_left_alone_where_the_spacer_is_at_fault(scenario: Scenario) -> None:
    """A bow of 0.2 mm lifts the action past its limit; where the saddle's room is used up besides (risen by 1.5 mm, a
    spacer of 0.3 mm more) the rod would not mend it."""
    steps = 53
    reading = Reading(np.full((1, steps), 1.5), np.full((1, steps), 2.2), 7)
    bow = np.full((1, steps), 0.45)
    assert regrade.bow_left(reading, bow, 0.3, scenario)[0] == pytest.approx(0.45)
    low = regrade.bow_left(reading, bow, 0.1, scenario)[0]
    assert low[:8] == pytest.approx(0.45) and low[8:] == pytest.approx(0.0)  # in the week of the 60th day
    # bowed as far again from the week after: outside from then on, and turned 60 days later
    twice = np.where(np.arange(steps) < 9, 0.45, 0.9)[None, :]
    again = regrade.bow_left(reading, twice, 0.1, scenario)[0]
    assert again[:8] == pytest.approx(0.45) and again[9:17] == pytest.approx(0.45)
    assert again[[8, *range(17, steps)]] == pytest.approx(0.0)
    # a spacer fitted at the bench is told by its lift alone: 2.35 and half of 0.4 mm are inside, so the rod is at fault
    lifts = grade_lifts_mm(scenario)
    label = scenario.instrument.spacers.labels[int(np.argmin(np.abs(lifts - 0.4)))]
    fitted = as_of(scenario, scenario.setup.setup, (WorkDone(scenario.setup.setup, spacer=label),))
    stands = Reading(np.zeros((1, steps)), np.full((1, steps), 2.35), 7)
    own = regrade.bow_left(stands, bow, fitted_lift_mm(fitted), fitted)[0]
    assert own[:8] == pytest.approx(0.45) and own[8:] == pytest.approx(0.0)


def test_the_few_are_those_least_told_by_one_another(monkeypatch: pytest.MonkeyPatch) -> None:
    """Of (3, 0), (1, 2), (2, 0.1) and their mixes the first is the longest, then what of the others stands off it most;
    a third adds nothing in a plane; no more than FEW."""
    rooms = np.array([[1.0, 2.0], [3.0, 0.0], [2.0, 0.1], [1.5, 0.0]])
    assert room_lags._most_unlike(rooms @ rooms.T) == [1, 0]
    assert room_lags._most_unlike(np.diag([1.0, 3.0, 2.0])) == [1, 2, 0]
    assert room_lags._most_unlike(np.diag([1.0, 1e-10, 1e-8])) == [0, 2]
    monkeypatch.setattr(room_lags, "FEW", 2)
    assert room_lags._most_unlike(np.diag([1.0, 3.0, 2.0])) == [1, 2]


def test_moving_on_a_january_and_days_in_the_years() -> None:
    told = load_scenario("first-winter")
    first, last = told.setup.setup, air_levers.scenario_end(told)
    check = partial(air_levers._in_the_years, told, lever="move")
    for day in (first, last, last + timedelta(days=1)):
        with pytest.raises(BadInput):
            check(day)
    for day in (first + timedelta(days=1), last - timedelta(days=1)):
        check(day)
    with pytest.raises(BadInput) as caught:
        air_levers._in_the_years(told, first, "move")
    assert "move=2" in str(caught.value.mend)
    later = replace(told, horizon_years=9, stays=(told.stays[0], replace(told.stays[1], start=date(2029, 5, 1))))
    assert air_levers.move(later, 2).stays[-1].start == date(2031, 1, 10)
    with pytest.raises(BadInput) as caught:
        air_levers._in_the_years(told, first, "shipping")
    assert f"shipping={first + timedelta(days=180)}" in str(caught.value.mend)
