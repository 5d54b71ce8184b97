"""What readings may be away, and what is learned from them: weathers, blanks and the law of a bench with three other
weathers, each doubt put together here from the chain's parts, and the posterior against many weighed particles.
No outside values."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import date
from itertools import product
from types import SimpleNamespace as Stub
from typing import Any

import numpy as np
import pytest
from hidden_truth import Hours, grams, read_in_three_weathers, season_movement, state_at

from driftmodel.base.schema import PARTS, Frozen
from driftmodel.calibration import unsure
from driftmodel.calibration.bench import Bench, Seen, see
from driftmodel.calibration.drives import Drive, Moment
from driftmodel.calibration.forward import Particles, moisture_of
from driftmodel.calibration.layout import layout_of
from driftmodel.calibration.outcomes import Asked, what_is_asked
from driftmodel.calibration.records import BenchBook, ReadingRow
from driftmodel.calibration.unsure import (
    Days,
    Unsure,
    _shrunk,
    _taper,
    plan_and_days,
    setup_effects,
    swing_of,
    unsure_at,
)
from driftmodel.climate.history import scenario_air
from driftmodel.outlook.draws import Draws
from driftmodel.outlook.lasting import LASTING, creep_history, heat_of_days, lasting_paths
from driftmodel.outlook.moisture import part_weights
from driftmodel.structure.joint import pivot_of

Array = np.ndarray
#: what a blank stands for: hours of a working day, and seven times no stay, then in the workshop's air
HOURS = (9.0, 11.0, 13.0, 15.0, 17.0, 10.0, 12.0, 14.0, 16.0, 18.0)
STAYS = ((0.0, 0.0),) * 7 + ((4.0, 4.0), (16.0, -4.0), (48.0, 0.0))


@dataclass(frozen=True)
class Case:
    bench: Bench
    book: BenchBook
    here: Particles
    asked: Asked
    seen: Seen
    days: Days
    unsure: Unsure
    draws: Draws


@pytest.fixture(scope="module")
def case() -> Case:
    bench, book = read_in_three_weathers()
    asked, layout = what_is_asked(bench, bench.until), layout_of(bench.scenario, book.readings)
    seen = see(bench, book.readings, (Moment(book.readings[2].date), *asked.moments), asked.now)
    plan, days = plan_and_days(bench.scenario, book.readings, asked.days)
    normals = np.random.default_rng(1).uniform(-1.2, 1.2, layout.size)
    assert bench.rooms is not None
    normals[[layout.names.index(name) for name, _ in bench.rooms.rows.unknowns]] = 0.0  # doubts are of the median room
    normals[layout.names.index("moisture_level")] = 2.0
    values = layout.values(normals[None, :])
    draws = Draws(Frozen(values), values["set_up_error"], np.zeros(1, dtype=np.intp))
    here = Particles(bench, layout, normals[None, :])
    return Case(bench, book, here, asked, seen, days, unsure_at(here, seen, plan, days), draws)


def since(case: Case, day: date) -> int:
    return (day - case.bench.scenario.stays[0].start).days


def start_of(case: Case, drive: Drive) -> Array:
    at = since(case, case.bench.scenario.setup.setup)
    return np.stack([drive.acting[:, at], drive.lags.lags_pct[:, at]])


def state(case: Case, drive: Drive, moment: Moment) -> Array:
    """Lags that act and are held at a moment, (2, lag)."""
    at = since(case, moment.day)
    if moment.days > 1:
        return np.stack([one[:, at : at + moment.days].mean(axis=1) for one in (drive.acting, drive.lags.lags_pct)])
    hidden = Hours(drive.lags, drive.acting, drive.emc_pct, list(drive.speeds))
    air = (moment.temperature_c, moment.relative_humidity_pct)
    return state_at(hidden, drive, 24.0 * at + moment.hour, moment.hours_at_bench, air)


def told(case: Case) -> list[Moment]:
    """The readings' moments, blanks as noon and no stay; then one more, and what is asked: the day, next seasons."""
    lain = {
        (one.hours_at_bench or 0.0, one.temperature_c or 20.0, one.relative_humidity_pct or 50.0, one.hour or 12.0)
        for one in case.book.readings
    }
    assert len(lain) == 3
    return [*(_moment(one) for one in case.book.readings), Moment(case.book.readings[2].date), *case.asked.moments]


def _moment(one: ReadingRow) -> Moment:
    air = (one.temperature_c or 20.0, one.relative_humidity_pct or 50.0)
    return Moment(one.date, 1, one.hours_at_bench or 0.0, *air, one.hour or 12.0)


def reference(case: Case, drive: Drive, day: date) -> Array:
    """The mean of the 365 days up to a day, the first day's state before there were any; what acts stands for all."""
    at = since(case, day)
    days = [max(each, 0) for each in range(at - 364, at + 1)]
    return np.tile(drive.acting[:, days].mean(axis=1), (2, 1))


def effect(case: Case, kinds: list[str], changes: Array) -> Array:
    """What changes (column, 2, lag) do to readings of these kinds for the guitar, (column,)."""
    bench, draws = case.bench, case.draws
    weights = part_weights(bench.scenario.instrument, draws, bench.drive.lags.time_constants_days)
    found = []
    for kind, change in zip(kinds, changes, strict=True):
        sink, turn, bow, relief = (
            season_movement(name, bench, draws, weights, change[0])[0]
            for name in ("top_sinkage", "neck_rotation", "bow_action", "relief")
        )
        rise = turn * np.pi / 180.0 * pivot_of(bench.scenario.instrument) - sink
        mass = grams(bench, weights, change)[0] * draws.values["wood_mass"][0]
        found.append({"action": rise / 2.0 + bow, "projection": -rise, "relief": relief, "weight": mass}[kind])
    return np.array(found)


def of_weathers(case: Case) -> tuple[Array, Array]:
    """Change since set-up at readings, asked and reference in each weather, (weather, column, 2, lag), and what each
    was off at set-up."""
    now = case.asked.now
    moments = told(case)
    columns = [*range(5), 6, 7, 8]
    changes = np.stack([
        np.stack([*(state(case, drive, moments[place]) for place in columns), reference(case, drive, now)])
        - start_of(case, drive) for drive in case.bench.others
    ])  # fmt: skip
    starts = np.stack([start_of(case, drive) for drive in case.bench.others])
    return changes, starts - starts.mean(axis=0)


KINDS = ["action", "relief", "action", "projection", "weight"]


def test_the_middle_of_the_weathers_is_seen(case: Case) -> None:
    changes, _ = of_weathers(case)
    assert len(case.bench.others) == 3 and case.seen.away.shape[0] == 3
    weights = part_weights(case.bench.scenario.instrument, case.draws, case.bench.drive.lags.time_constants_days)
    at_moments = case.seen.at_moments
    own = replace(at_moments, courses=at_moments.courses[:, [0, 1, 2, 3, 4, 6, 7, 8, 9]])
    found = moisture_of(replace(case.here, bench=replace(case.bench, rooms=None)), _plain(case, own))
    for row, part in enumerate(PARTS):
        expected = weights.mean[part] @ changes.mean(axis=0)[:, 0].T
        np.testing.assert_allclose(found[0, row], expected[0], atol=0.01)


def _plain(case: Case, at_moments: Any) -> Any:
    """AtMoments without the room's terms: their rows of the left factor come after the shapes'."""
    return replace(at_moments, left=at_moments.left[: case.bench.table.weights.shape[1]])


def test_doubts_of_weather_hang_together_as_the_members_do(case: Case) -> None:
    """Each member's deviation from their middle, with what it was off at set-up put back (that is its own column, the
    last); variances half-way to their kind's mean, distant days cut; then what set-up does, alike to all."""
    changes, off = of_weathers(case)
    away = changes - changes.mean(axis=0) + off[:, None]
    kinds = [*KINDS, "action", "action", "action", "action"]
    own = np.stack([np.append(effect(case, kinds, one), 0.0) for one in away])
    start = np.stack([effect(case, [*kinds, "action"], np.repeat(-one[None], 10, axis=0)) for one in off])
    at = [70, 70, 160, 160, 250, 250]
    at += [(season.day - case.bench.scenario.setup.setup).days + 45 for season in case.asked.seasons] + [250, 250]
    np.testing.assert_array_equal(case.days.at, at)
    days = np.array(at, dtype=float)
    plan: Any = Stub(what=(*kinds, "action"))
    expected = _shrunk(own, plan) * _taper(np.abs(days[:, None] - days)) + start.T @ start / 3.0
    size = np.sqrt(np.diag(expected)) + 1e-4
    assert (
        np.abs((case.unsure.weather - expected) / np.outer(size, size)).max() < 0.05
    )  # the table's own: 1 % of an effect
    assert list(case.unsure.visit) == [0, 0, 1, 1, 2]
    members = [start_of(case, drive) for drive in (case.bench.drive, *case.bench.others)]
    middle = np.mean(members[1:], axis=0)
    effects = effect(case, ["action"] * 4, np.stack([middle - one for one in members]))
    np.testing.assert_allclose(setup_effects(case.here, case.seen), effects, atol=2e-4)


def test_how_strongly_a_guitar_answers_is_its_action_by_the_commonest_deviation(case: Case) -> None:
    """The first principal component, over weathers, moments and the set-up, of what acts."""
    now, moments = case.asked.now, told(case)
    changes = np.stack([
        np.stack([*(state(case, drive, one) for one in moments), reference(case, drive, now)]) - start_of(case, drive)
        for drive in case.bench.others
    ])  # fmt: skip
    away = changes - changes.mean(axis=0) + of_weathers(case)[1][:, None]
    vector = np.linalg.svd(away[:, :, 0].reshape(-1, away.shape[-1]))[2][0]
    expected = abs(effect(case, ["action"], np.tile(vector, (1, 2, 1)))[0])
    assert case.unsure.swing == pytest.approx(expected, rel=0.02)
    still = replace(case.seen, commonest=0.0 * case.seen.commonest)
    assert (swing_of(case.here, still) == 1.0).all()


def test_blanks_stand_for_hours_and_stays(case: Case) -> None:
    drive, rows = case.bench.drive, case.book.readings
    air = case.bench.scenario.setup.built_relative_humidity_pct
    for place, (hour, (lain, off)) in enumerate(zip(HOURS, STAYS, strict=True)):
        changes = []
        for one in rows:
            other = Moment(
                one.date, 1, lain if one.hours_at_bench is None else one.hours_at_bench,
                21.0 if one.temperature_c is None else one.temperature_c,
                air + off if one.relative_humidity_pct is None else one.relative_humidity_pct,
                hour if one.hour is None else one.hour,
            )  # fmt: skip
            changes.append(state(case, drive, other) - state(case, drive, _moment(one)))
        expected = effect(case, KINDS, np.stack(changes))
        assert (np.abs(case.unsure.stays[place] - expected) < [0.002] * 4 + [0.1]).all(), place
    assert np.abs(case.unsure.stays).max(axis=0)[[0, 1, 3, 4]].min() > 0.004 and (case.unsure.stays[:, 2] == 0.0).all()


def test_the_law_may_be_wrong_by_a_share_of_season_and_of_drift(case: Case, monkeypatch: pytest.MonkeyPatch) -> None:
    """A share of 0.15 of the season, alike within 45 days of the year; of 0.12 of the drift, alike within 0.7 of the
    logarithm of age (a month added); 0.03 mm or 0.3 g of each reading by itself. Creep is the middle of three
    weathers'."""
    scenario, bench = case.bench.scenario, case.bench
    season = effect(case, KINDS, of_weathers(case)[0].mean(axis=0)[:5])
    paths = []
    for member, drive in enumerate(bench.others, start=1):
        air = scenario_air(bench.scenario, member)["air_temperature"].values
        days = np.arange(since(case, scenario.setup.setup), drive.lags.lags_pct.shape[1])
        history = creep_history(scenario, drive.lags.lags_pct, heat_of_days(air), days)
        weights = part_weights(scenario.instrument, case.draws, drive.lags.time_constants_days)
        paths.append(lasting_paths(scenario, bench.coefficients, case.draws, history, weights))
    sink, turn, bow = (np.mean([path[name][0] for path in paths], axis=0)[[70, 70, 160, 160, 250]] for name in LASTING)
    rise = turn * np.pi / 180.0 * pivot_of(scenario.instrument) - sink
    relief = bow * bench.coefficients.relief["strings"] / bench.coefficients.bow_action["strings"]
    lasting = 8.0 * np.array([(rise / 2 + bow)[0], relief[1], (rise / 2 + bow)[2], -rise[3], 0.0])  # so that it tells
    at = np.array([70.0, 70.0, 160.0, 160.0, 250.0])
    expected = np.diag([0.03**2] * 4 + [0.3**2])
    for i, j in product(range(5), repeat=2):
        apart = abs(at[i] - at[j]) % 365.25
        apart = min(apart, 365.25 - apart)
        older = abs(np.log((at[i] + 30.0) / (at[j] + 30.0)))
        expected[i, j] += 0.15**2 * season[i] * season[j] * np.exp(-0.5 * (apart / 45.0) ** 2)
        expected[i, j] += 0.12**2 * lasting[i] * lasting[j] * np.exp(-0.5 * (older / 0.7) ** 2)
    plan, days = plan_and_days(scenario, case.book.readings, case.asked.days)
    at_moments = case.seen.at_moments
    more = replace(case.seen, at_moments=replace(at_moments, creep=at_moments.creep.times(8.0)))
    found = unsure_at(case.here, more, plan, days).law
    np.testing.assert_allclose(found, expected, rtol=0.08, atol=3e-5)
    monkeypatch.setattr(unsure, "LAW_SEASON", 0.0)  # the drift's part alone is alike by the two ages
    found = unsure_at(case.here, more, plan, days).law
    alike = found[0, 2] / np.sqrt((found[0, 0] - 0.03**2) * (found[2, 2] - 0.03**2))
    assert alike == pytest.approx(np.exp(-0.5 * (np.log(190.0 / 100.0) / 0.7) ** 2))
