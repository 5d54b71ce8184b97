"""The quick model of every kind of reading and answer against the exact chain, put together here from its parts: lags
stepped hour by hour, weights of each part, responses, creep. Guitars live in the weather the bench takes.
No outside values."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import date, timedelta
from types import SimpleNamespace as Stub
from typing import Any

import numpy as np
import pytest
from hidden_truth import Truth, as_normals, grams, season_movement, state_at, truths

from driftmodel.base.records import WorkDone
from driftmodel.base.scenarios import load_scenario
from driftmodel.calibration.bench import Bench, Seen, make_bench, see
from driftmodel.calibration.drives import Moment
from driftmodel.calibration.fit import learn
from driftmodel.calibration.forward import Particles, plan_of, readings_of
from driftmodel.calibration.layout import Layout, layout_of
from driftmodel.calibration.moments import creep_path
from driftmodel.calibration.outcomes import answers_of_particles, next_season, what_is_asked
from driftmodel.calibration.records import BenchBook, ReadingRow
from driftmodel.calibration.steps import lasting_step
from driftmodel.climate.history import scenario_air
from driftmodel.outlook.calendar import grade_lifts_mm
from driftmodel.outlook.moisture import PartWeights, part_weights
from driftmodel.outlook.regrade import outside_rule
from driftmodel.structure.joint import pivot_of, string_pull_n

Array = np.ndarray
GUITARS = 12
DAYS = (70, 200, 310, 420)
KINDS = ("action", "action_treble", "action_bass", "projection", "relief", "top_sinkage", "weight")
SLACK = ("projection", "relief", "top_sinkage")


@dataclass(frozen=True)
class Case:
    """A bench in one weather, its guitars as the chain moves them, and what is read of them."""

    bench: Bench
    book: BenchBook
    layout: Layout
    seen: Seen
    truths: list[Truth]
    normals: Array
    values: dict[str, Array]
    weights: PartWeights

    @property
    def rows(self) -> tuple[ReadingRow, ...]:
        return self.book.readings

    def away(self, day: date, hour: float = 12.0, lain: float = 0.0, air: tuple[float, float] = (20.0, 50.0)) -> Array:
        """Change of the lags since set-up, (acting and held, lag), after hours in other air."""
        scenario, hidden = self.bench.scenario, self.truths[0].hours
        since, at = ((one - scenario.stays[0].start).days for one in (scenario.setup.setup, day))
        start = np.stack([hidden.acting[:, since], hidden.lags.lags_pct[:, since]])
        return state_at(hidden, self.bench.drive, 24.0 * at + hour, lain, air) - start

    def season(self, quantity: str, change: Array) -> Array:
        return season_movement(quantity, self.bench, self.truths[0].draws, self.weights, change)

    def lasting(self, quantity: str, day: int) -> Array:
        return self.truths[0].world.lasting[quantity][:, day].astype(float)

    def rise(self, sink: Array, turn: Array) -> Array:
        return turn * np.pi / 180.0 * pivot_of(self.bench.scenario.instrument) - sink


ROD, RESET = WorkDone(date(2027, 7, 1), truss_rod=True), WorkDone(date(2027, 1, 10), anew=True)
WORK = (RESET, WorkDone(date(2027, 4, 1), spacer="G"), ROD,
        WorkDone(date(2027, 7, 15), saddle_mm=-0.3), WorkDone(date(2027, 8, 2), action_mm=0.15))  # fmt: skip


@pytest.fixture(scope="module")
def case() -> Case:
    plain = load_scenario("first-winter")
    rule = replace(plain.rule, action_low_mm=1.9, action_high_mm=2.9, projection_tolerance_mm=2.2)
    scenario = replace(plain, horizon_years=3, rule=rule, work=WORK)
    days = [scenario.setup.setup + timedelta(days=day) for day in DAYS]
    rows = [
        ReadingRow(day, what, 2.3, 0.05, "", hours_at_bench=0.0, hour=hour)
        for day, hour in zip(days, (7.5, 12.0, 23.25, 0.0), strict=True)
        for what in KINDS
    ]
    rows += [replace(one, strings_on=False) for one in rows if one.what in SLACK and one.date == days[1]]
    stay = {"hours_at_bench": 30.0, "temperature_c": 23.0, "relative_humidity_pct": 60.0, "hour": 17.0}
    rows += [replace(one, **stay) for one in rows if one.what in ("action", "weight") and one.date == days[2]]  # type: ignore[arg-type]
    book = BenchBook(tuple(rows), WORK)
    made = make_bench(scenario, days[-1], book, (3, 3))
    air = scenario_air(made.scenario, 0)["air_temperature"].values
    made = replace(
        made, others=(), creep=creep_path(made.scenario, made.coefficients, made.drive.lags, air, made.table)
    )
    layout = layout_of(made.scenario, book.readings)
    found = list(truths(made.scenario, 1, GUITARS, 3, known_weather=True))
    normals = as_normals(layout, found[0].draws)
    random = np.random.default_rng(4)
    for name in ("lean", *(one for one in layout.names if one.startswith(("level", "wood_mass", "truss", "anew")))):
        normals[:, layout.names.index(name)] = random.uniform(-1.5, 1.5, GUITARS)
    weights = part_weights(made.scenario.instrument, found[0].draws, made.drive.lags.time_constants_days)
    return Case(
        made, book, layout, see(made, book.readings, (), days[-1]), found, normals, layout.values(normals), weights
    )


def exact(case: Case, one: ReadingRow) -> Array:
    """What the bench reads of the guitars, from the chain, work put in by hand."""
    scenario, values, coefficients = case.bench.scenario, case.values, case.bench.coefficients
    assert one.hour is not None and one.hours_at_bench is not None
    change, held = case.away(
        one.date, one.hour, one.hours_at_bench, (one.temperature_c or 20.0, one.relative_humidity_pct or 50.0)
    )
    day = (one.date - scenario.setup.setup).days
    sink, turn, bow = (
        case.season(name, change) + case.lasting(name, day) for name in ("top_sinkage", "neck_rotation", "bow_action")
    )
    rise = case.rise(sink, turn)
    done = [each for each in WORK if each.day < one.date]
    lift = grade_lifts_mm(scenario)[scenario.instrument.spacers.labels.index("G")]
    lift = lift if any(each.spacer for each in done) else 0.0
    saddle, other = sum(each.saddle_mm for each in done), sum(each.action_mm for each in done)
    rise = rise + (values["anew_0"] if RESET in done else 0.0)
    rod = values["truss_rod_0"] if ROD in done else 0.0
    pull = string_pull_n(scenario.instrument.strings) * (not one.strings_on)
    stretched = values["string_response"] * pull
    slack_sink = -coefficients.top_sinkage["strings"] * stretched
    slack_rise = case.rise(slack_sink, -coefficients.neck_rotation["strings"] * stretched)
    if one.what.startswith("action"):
        side = {"action": 0.0, "action_treble": -1.0, "action_bass": 1.0}[one.what]
        ratio = coefficients.bow_action["neck"] / coefficients.relief["neck"]
        return np.asarray(
            2.3
            + values["set_up_error"]
            + side * values["lean"]
            + (rise + lift + saddle) / 2.0
            + other
            + bow
            + rod * ratio
        )
    level = values[f"level_{one.what}"]
    if one.what == "projection":
        return np.asarray(level - rise - lift - slack_rise)
    if one.what == "relief":
        lasting = case.lasting("bow_action", day) * coefficients.relief["strings"] / coefficients.bow_action["strings"]
        return np.asarray(level + case.season("relief", change) + lasting + rod - coefficients.relief["strings"] * pull)
    if one.what == "top_sinkage":
        return np.asarray(level + sink + slack_sink)
    return np.asarray(level + values["wood_mass"] * grams(case.bench, case.weights, np.stack([change, held])))


def test_every_kind_of_reading_is_the_chains(case: Case) -> None:
    """Within a tenth of what a tool tells apart: 0.005 mm, 0.3 g of some 30."""
    count = len(case.rows)
    own, plan = case.seen.at_moments.columns(slice(0, count)), plan_of(case.bench.scenario, case.rows)
    quick = readings_of(Particles(case.bench, case.layout, case.normals), own, plan)
    for column, one in enumerate(case.rows):
        limit = 0.3 if one.what == "weight" else 0.005
        assert np.abs(quick[:, column] - exact(case, one)).max() < limit, (
            one.what,
            one.date,
            one.strings_on,
            one.hours_at_bench,
        )


def test_answers_are_the_chains_at_their_days(case: Case) -> None:
    """The action on the day, over the next seasons, at the reference state now and in a year, in kept air; the regrade
    when the reading has been outside the rule for its days."""
    scenario, values, world = case.bench.scenario, case.values, case.truths[0].world
    now = case.rows[DAYS.index(200) * len(KINDS)].date  # in the first year the mean of a year still moves
    asked = what_is_asked(case.bench, now)
    seen = see(case.bench, (), asked.moments, now)
    particles = Particles(case.bench, case.layout, case.normals)
    found = answers_of_particles(particles, seen.at_moments, asked)
    ratio = case.bench.coefficients.bow_action["neck"] / case.bench.coefficients.relief["neck"]
    lift = grade_lifts_mm(scenario)[scenario.instrument.spacers.labels.index("G")] + values["anew_0"]
    added = (lift - 0.3) / 2.0 + 0.15 + values["truss_rod_0"] * ratio
    path = np.stack([truth.action_mm for truth in case.truths]) + added[:, None]
    today, week = (now - scenario.setup.setup).days, (now - scenario.setup.setup).days // 7
    for moment, action in zip(asked.seasons, (found.action_dry_mm, found.action_damp_mm), strict=True):
        first = (moment.day - scenario.setup.setup).days
        assert today < first <= today + 366 - 90 and moment.days == 90
        np.testing.assert_allclose(action, path[:, first : first + 90].mean(axis=1), atol=0.004)
    rising = case.rise(
        *(
            case.season(name, case.away(now)[0]) + case.lasting(name, today + 1)
            for name in ("top_sinkage", "neck_rotation")
        )
    )
    level = 2.3 + values["set_up_error"] + added
    bow = case.season("bow_action", case.away(now)[0]) + case.lasting("bow_action", today + 1)
    np.testing.assert_allclose(found.action_now_mm, level + rising / 2.0 + bow, atol=0.004)
    reading, bowed = world.reading, world.lasting["bow_action"].astype(float)[:, ::7]
    action, rise = reading.action_mm + added[:, None], reading.saddle_rise_mm + np.reshape(lift, (-1, 1))
    wanted = [
        (found.action_reference_mm, (action + bowed)[:, week]), (found.saddle_rise_reference_mm, rise[:, week]),
        (found.action_next_mm, (action + bowed)[:, week + 52]), (found.saddle_rise_next_mm, rise[:, week + 52]),
        (found.action_end_mm, (action + bowed)[:, -1]),
    ]  # fmt: skip
    kept = case.rise(*(world.lasting[name].astype(float)[:, ::7] for name in ("top_sinkage", "neck_rotation")))
    steady = level[:, None] + kept / 2.0 + bowed
    wanted += [
        (found.action_steady_mm, steady[:, week + 52]), (found.action_steady_now_mm, steady[:, week]),
        (found.saddle_rise_steady_mm, (kept + np.reshape(lift, (-1, 1)))[:, week + 52]),
    ]  # fmt: skip
    for place, (quick, truth) in enumerate(wanted):
        np.testing.assert_allclose(quick, truth, atol=0.01, err_msg=str(place))
    outside = outside_rule(rise, action, scenario.setup.saddle_room_mm - 0.3, scenario.rule)
    due = np.full(GUITARS, np.inf)
    for at, one in enumerate(outside):
        for first in range(week, one.size):
            end = first * 7 + scenario.rule.days_outside
            if end <= 1096 and one[first : -(-end // 7)].all():
                due[at] = (end - week * 7) / 365.25
                break
    assert 2 <= np.isfinite(due).sum() <= GUITARS - 2
    np.testing.assert_allclose(found.regrade_years, due, atol=7.1 / 365.25)
    drawn = np.arange(5.0 * GUITARS).reshape(GUITARS, 5) / 100.0
    quick = answers_of_particles(particles, seen.at_moments, asked, horizon=False, weather=drawn)
    for column, name in enumerate(("action_now_mm", "action_dry_mm", "action_damp_mm", "action_reference_mm")):
        np.testing.assert_allclose(getattr(quick, name), getattr(found, name) + drawn[:, column], atol=0.01)
    np.testing.assert_allclose(
        quick.saddle_rise_reference_mm, found.saddle_rise_reference_mm + 2.0 * drawn[:, 3], atol=0.01
    )
    assert np.isinf(quick.regrade_years).all() and np.isnan(quick.action_next_mm).all()


@pytest.mark.parametrize(
    ("day", "dry", "damp"),
    [(200, 256, 439), (255, 256, 439), (256, 257, 439), (163, 256, 439), (162, 256, 438), (400, 610, 439)],
)
def test_the_driest_and_dampest_quarter_lie_where_a_wave_has_them(day: int, dry: int, damp: int) -> None:
    """Dampest in the middle of day 117 and 366 days on, driest half-way between: the 90 days about them begin on day
    73, 256, 439, 622; of the 365 days from the day after only, and of what there is of the air (to day 700)."""
    path = 8.0 + 2.0 * np.cos(2.0 * np.pi * (np.arange(700) - 117.5) / 366.0)
    start = date(2026, 1, 1)
    bench: Any = Stub(scenario=Stub(stays=(Stub(start=start),)), drive=Stub(lags=Stub(emc_pct=path)))
    after = start + timedelta(days=day)
    assert next_season(bench, after) == Moment(start + timedelta(days=dry), 90)
    assert next_season(bench, after, wettest=True) == Moment(start + timedelta(days=damp), 90)


def test_a_joint_that_slips_is_told_as_a_step() -> None:
    """Twelve visits a quarter apart beside a logger, of a guitar moved by the chain. Action and projection read: a step
    of 0.13 mm (0.05 degree at the joint; projection falls by twice that) is told where it fell, and none where there is
    none. Action alone: one many times its error is told, with its size, though without a step all after it is slips."""
    plain = replace(load_scenario("first-winter"), horizon_years=4)
    days = [plain.setup.setup + timedelta(days=60 + 91 * visit) for visit in range(12)]
    bench = replace(make_bench(plain, days[-1], None, (0, 0)), others=())
    truth = next(truths(plain, 1, 1, 1, known_weather=True))
    random = np.random.default_rng(1)
    level, sd, effect = {"projection": 16.0}, {"action": 0.05, "projection": 0.1}, {"action": 1.0, "projection": -2.0}
    noise = {(day, what): sd[what] * random.standard_normal() for day in days for what in sd}
    for size, kinds in ((0.0, tuple(sd)), (0.13, tuple(sd)), (1.0, ("action",))):
        rows = []
        for day, what in noise:
            at = truth.action_at(day) if what == "action" else truth.projection_at(day)
            value = at + level.get(what, 0.0) + noise[day, what] + (effect[what] * size if day >= days[6] else 0.0)
            if what in kinds:
                rows.append(ReadingRow(day, what, value, sd[what], "", hours_at_bench=0.0, hour=12.0))
        found = lasting_step(learn(plain, BenchBook(tuple(rows)), bench=bench, particles=100), 100)
        assert found is not None and found.told == bool(size), (size, found)
        if size:
            assert found.between == (days[5], days[6]) and found.action_mm[0] < size < found.action_mm[2], found
    assert abs(found.action_mm[1] - 1.0) < 0.15
