"""Lives that nobody wrote down: weights by Bayes' rule over the evidence, and bands of the mixture. No outside
values."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

from driftmodel.base.errors import BadInput
from driftmodel.base.opened import scenarios_dir
from driftmodel.base.records import Scenario
from driftmodel.base.scenarios import load_scenario
from driftmodel.base.schema import Frozen
from driftmodel.calibration.alternatives import DAYS_OF_SPAN, Lives, lives_of, together, weigh_lives
from driftmodel.calibration.bench import make_bench
from driftmodel.calibration.fit import draws_of, learn
from driftmodel.calibration.records import BenchBook, ReadingRow
from driftmodel.climate.history import scenario_air
from driftmodel.doors.cli import commands
from driftmodel.outlook.air_levers import homes_named
from driftmodel.outlook.chain import run_chain
from driftmodel.outlook.draws import Draws

HOMES = ("cold_city_heated", "damp_coast")


def readings(scenario: Scenario, values: tuple[float, ...]) -> BenchBook:
    """Late winter and late summer, in turn."""
    days = [date(2027 + place // 2, 3 if place % 2 == 0 else 8, 25) for place in range(len(values))]
    rows = [ReadingRow(day, "action", value, 0.05, "", hours_at_bench=0.0, hour=12.0)
            for day, value in zip(days, values, strict=True)]  # fmt: skip
    return BenchBook(tuple(rows))


@pytest.fixture(scope="module")
def swinging() -> Lives:
    """A guitar that was low in two winters and high in two summers, which a damp coast does not do."""
    scenario = replace(load_scenario("first-winter"), horizon_years=4)
    book = readings(scenario, (1.95, 2.65, 2.0, 2.7))
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(make_bench, "__defaults__", (None, (2, 2)))  # two weathers of the past tell them apart as well
        patch.setitem(learn.__kwdefaults__, "particles", 400)
        return weigh_lives(lives_of(scenario, homes_named(HOMES), book), book)


def test_readings_tell_the_home(swinging: Lives) -> None:
    (first, share), (_, other) = swinging.by(lambda life: life.home)
    assert first.startswith("Heated house") and share > 0.9 and share + other == pytest.approx(1.0)
    evidence = [one.sampled.log_evidence for one in swinging.posteriors]
    title = swinging.ahead()[0].title
    assert title.startswith(f"{swinging.likeliest.bench.scenario.title}: {first} (") and title.endswith(
        "its life may have gone"
    )
    assert replace(swinging, lives=swinging.lives[:1]).ahead()[::2] == (swinging.likeliest.bench.scenario, None)
    assert swinging.weights[1] / swinging.weights[0] == pytest.approx(np.exp(evidence[1] - evidence[0]))


def test_bands_are_of_all_lives_by_their_weights(swinging: Lives) -> None:
    found = replace(swinging, weights=np.array([0.3, 0.7])).calibration()
    place = found.bands[2]
    clouds = [one.answers().action_reference_mm for one in swinging.posteriors]
    for point, share in zip(place.posterior, (0.1, 0.5, 0.9), strict=True):
        below = 0.3 * np.mean(clouds[0] <= point) + 0.7 * np.mean(clouds[1] <= point)
        assert below == pytest.approx(share, abs=0.004)


def test_a_forecast_is_of_all_lives_by_their_weights(swinging: Lives) -> None:
    """Draws of a likelier home and a less likely one, each in its own home's weathers and room: as run there alone."""
    even = replace(swinging, weights=np.array([0.3, 0.7]))
    scenario, draws, weathers = even.ahead()
    assert scenario.title.endswith("(70 in 100) and 1 more of 2 ways its life may have gone")
    assert scenario.stays == even.posteriors[1].bench.scenario.stays and draws.count == 400
    whole = run_chain(scenario, draws, weathers).world.reading.action_mm
    members = np.unique(draws.member)
    assert list(members) == list(range(1, members.size + 1))
    first = 0
    for one, share in ((1, 0.7), (0, 0.3)):
        posterior = even.posteriors[one]
        own = draws_of(posterior, round(400 * share), share)
        alone = run_chain(posterior.bench.scenario, own).world.reading.action_mm
        rows = slice(first, first + own.count)
        np.testing.assert_allclose(whole[rows], alone, atol=1e-9)
        assert (
            np.unique(draws.member[rows]).size
            == np.unique(own.member).size
            == max(2, round(share * max(4, min(2, 12))))
        )
        first += own.count
    last = scenario_air(posterior.bench.scenario, int(own.member[-1]))
    np.testing.assert_array_equal(
        weathers.air(scenario, int(members[-1]))["relative_humidity"], last["relative_humidity"]
    )
    apart = replace(even, weights=np.array([0.01, 0.99]))
    assert "more" not in apart.ahead()[0].title and apart.ahead()[1].count == 400
    bench = even.posteriors[1].bench
    setup = replace(bench.scenario.setup, setup=date(2026, 11, 1))
    other = replace(bench, scenario=replace(bench.scenario, setup=setup))
    moved = replace(even, posteriors=(even.posteriors[0], replace(even.posteriors[1], bench=other)))
    assert "more" not in moved.ahead()[0].title  # set up on another day: not beside the others on one calendar


def test_what_a_life_does_not_know_stands_at_its_middle() -> None:
    ones = [
        Draws(Frozen({name: np.full(2, 2.0)}), np.zeros(2), np.array(member))
        for name, member in (("a", [4, 4]), ("b", [1, 3]))
    ]
    both = together(ones)
    assert list(both.values["a"]) == [2.0, 2.0, 1.0, 1.0] and list(both.values["b"]) == [1.0, 1.0, 2.0, 2.0]
    assert list(both.member) == [1, 1, 2, 3]


def test_days_known_to_a_span_are_weighed_at_three() -> None:
    """A uniform law of +-60 days: mean 0, variance 60^2 / 3, fourth moment 60^4 / 5; in order, before the first
    reading."""
    plain = load_scenario("moving-inland")
    moved = plain.stays[-1]
    scenario = replace(plain, stays=(*plain.stays[:-1], replace(moved, within_days=60)))
    lives = lives_of(scenario, (), BenchBook(()))
    off = np.array([(life.scenario.stays[-1].start - moved.start).days for life in lives])
    shares = np.array([life.before for life in lives])
    assert shares.sum() == pytest.approx(1.0) and shares @ off == pytest.approx(0.0)
    assert shares @ off**2 == pytest.approx(60.0**2 / 3.0, rel=0.03)
    assert shares @ off**4 == pytest.approx(60.0**4 / 5.0, rel=0.05)
    spanned = replace(plain, setup=replace(plain.setup, setup_within_days=60))
    book = BenchBook((ReadingRow(plain.setup.setup + timedelta(days=10), "action", 2.2, 0.05, ""),))
    assert max(life.scenario.setup.setup for life in lives_of(spanned, (), book)) < book.readings[0].date
    assert len(DAYS_OF_SPAN) == len(lives)
    many = replace(spanned, stays=tuple(replace(stay, within_days=30) for stay in plain.stays))
    with pytest.raises(BadInput, match="ways the guitar's life may have gone"):
        lives_of(many, homes_named(("any",)), book)


@pytest.mark.usefixtures("undrawn", "few_particles", "short")
def test_homes_are_weighed_from_the_door(tmp_path: Path) -> None:
    rows = str(scenarios_dir() / "readings" / "two-winters.csv")
    asked = ["calibrate", "two-winters", "--readings", rows, "--out", str(tmp_path / "out")]
    homes = ["--home", HOMES[0], "--home", HOMES[1]]
    run = CliRunner().invoke(commands, [*asked, *homes], catch_exceptions=False)
    assert run.exit_code == 0 and "Where it lived, by what the readings say" in run.output and " in 100)" in run.output
    told = json.loads((tmp_path / "out" / "calibration.json").read_text())
    assert len(told["homes"]) == 2 and sum(told["homes"].values()) == pytest.approx(1.0)
