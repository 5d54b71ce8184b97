"""Learning from many, against populations whose middle and spread are known.

Closed form: with normal posteriors of one unknown, the middle's posterior is that of a random-effects model (Gelman and
others 2013, Bayesian Data Analysis, section 5.4)."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from scipy.stats import norm

from driftmodel.base.errors import BadInput
from driftmodel.base.scenario_file import read_learned
from driftmodel.base.scenarios import load_scenario
from driftmodel.calibration import diagnosis, pooled
from driftmodel.calibration.claimed import Claim, Claims, claims_say, read_claims
from driftmodel.calibration.layout import stretched
from driftmodel.calibration.pooled import COMMON, One, pool
from driftmodel.outlook.draws import Unknown
from driftmodel.report.learning_words import learned_toml, learning_summary

NAMES = tuple(COMMON)
UNKNOWNS = {name: Unknown(name, 1.0, 0.5) for name in NAMES}


def guitar(number: int, truth: float, read_sd: float, random: np.random.Generator, draws: int = 120) -> One:
    """A guitar whose residual gain was read with an error, all else not: its exact posterior under the stretched
    prior."""
    read = truth + read_sd * random.standard_normal()
    many = random.standard_normal((40000, 1)).clip(-3.0, 3.0)
    weight = np.exp(-0.5 * ((stretched(many[:, 0]) - read) / read_sd) ** 2)
    chosen = random.choice(len(many), size=draws, p=weight / weight.sum())
    normals = random.standard_normal((draws, len(NAMES)))
    normals[:, NAMES.index("residual_gain")] = many[chosen, 0]
    return One(f"guitar-{number}", "x", NAMES, normals, 8, 0)


def test_thirty_guitars_give_middle_and_spread() -> None:
    """Middle 0.8, spread 0.5 of the prior's sd, each read to 0.3: the middle is known to sqrt(0.25 + 0.09) / sqrt(30) =
    0.11; three of these. What nobody read stays as it was."""
    random = np.random.default_rng(5)
    ones = [guitar(number, 0.8 + 0.5 * random.standard_normal(), 0.3, random) for number in range(30)]
    found = pool(ones, UNKNOWNS)
    numbers = {one.name: one for one in found.numbers}
    gain, other = numbers["residual_gain"], numbers["movement_top"]
    assert np.log(gain.median) / 0.5 == pytest.approx(0.8, abs=0.33)
    assert gain.apart_log_sd / 0.5 == pytest.approx(0.5, abs=0.2)
    assert gain.narrowed < 0.75
    assert other.narrowed == pytest.approx(1.0, abs=0.15) and abs(np.log(other.median)) < 0.2


def test_few_guitars_say_little_and_one_that_stands_out_is_named() -> None:
    random = np.random.default_rng(6)
    three = pool([guitar(number, 0.5, 0.3, random) for number in range(3)], UNKNOWNS)
    thirty = pool([guitar(number, 0.5, 0.3, random) for number in range(29)] + [guitar(29, 3.2, 0.2, random)], UNKNOWNS)
    narrowed = [each.numbers[0].narrowed for each in (pool([], UNKNOWNS), three, thirty)]
    assert narrowed[0] == pytest.approx(1.0, abs=0.12) and narrowed[0] > narrowed[1] > narrowed[2]
    assert [one.one.name for one in thirty.standing if one.out] == ["guitar-29"]
    assert "guitar-29" in learning_summary(thirty)
    # drawn to the others: a guitar's own band is no wider, and its middle lies between its own and that of all
    ordinary = thirty.standing[0]
    alone, drawn = (np.log(each["residual_gain"]) for each in (ordinary.alone, ordinary.drawn))
    assert drawn[2] - drawn[0] <= 1.05 * (alone[2] - alone[0]) and abs(drawn[1]) <= abs(alone[1]) + 0.02


@pytest.mark.slow
def test_the_bands_of_the_next_guitar_hold() -> None:
    """Forty populations of ten: the next one's 80 % band holds 8 of 10; standard error 6 %."""
    random = np.random.default_rng(7)
    held = []
    for _ in range(40):
        middle, apart = np.sqrt(0.7) * random.standard_normal(), np.sqrt(0.3) * np.exp(0.35 * random.standard_normal())
        found = pool([guitar(k, middle + apart * random.standard_normal(), 0.3, random) for k in range(10)], UNKNOWNS)
        gain = found.numbers[0]
        next_one = middle + apart * random.standard_normal()
        held.append(abs(next_one - np.log(gain.median) / 0.5) < 1.2816 * gain.log_sd / 0.5)
    assert 0.66 < np.mean(held) < 0.94


def test_the_file_is_read_as_it_was_written(tmp_path: Path) -> None:
    random = np.random.default_rng(5)
    found = pool([guitar(number, 0.5, 0.3, random) for number in range(4)], UNKNOWNS)
    (tmp_path / "learned.toml").write_text(learned_toml(found, 'Four "guitars"'))
    read = read_learned(tmp_path / "learned.toml")
    assert [one.name for one in read] == list(NAMES) and read[0].source == "learned from 4 instruments"
    assert [one.median for one in read] == pytest.approx([one.median for one in found.numbers], rel=1e-5)


def test_what_a_guitar_says_of_the_common_numbers_is_an_integral() -> None:
    """Two unknowns: the closed form against a sum over a fine grid; T and h of draws from prior times likelihood, the
    prior's variance that of stretched normals."""
    assert np.var(stretched(np.random.default_rng(6).standard_normal(400_000))) == pytest.approx(
        pooled.PRIOR_VARIANCE, rel=0.01
    )
    told, pulled = np.array([[2.0, 0.5], [0.5, 0.8]]), np.array([1.2, -0.4])
    middles, apart = np.array([[0.3, -0.2], [-1.0, 0.5], [0.0, 0.0]]), np.array([[0.5, 0.7], [1.0, 0.3], [0.2, 1.2]])
    line = np.linspace(-8.0, 8.0, 801)
    z = np.stack(np.meshgrid(line, line, indexing="ij"), axis=-1)
    likely = np.exp(-0.5 * np.einsum("abi,ij,abj->ab", z, told, z) + z @ pulled)
    for middle, spread, found in zip(middles, apart, pooled._log_evidence(told, pulled, middles, apart), strict=True):
        whole = np.sum(norm.pdf(z, middle, spread).prod(axis=2) * likely) * (line[1] - line[0]) ** 2
        assert found == pytest.approx(np.log(whole), abs=1e-6)
    covariance = np.linalg.inv(told + np.eye(2) / pooled.PRIOR_VARIANCE)
    draws = np.random.default_rng(6).multivariate_normal(covariance @ pulled, covariance, 400_000)
    again, pull = pooled._told(draws)
    assert again == pytest.approx(told, abs=0.02) and pull == pytest.approx(pulled, abs=0.02)


def test_numbers_of_the_next_guitar_add_the_middles_doubt_to_the_spread() -> None:
    random = np.random.default_rng(7)
    middles, apart = 0.5 + 0.3 * random.standard_normal(300), 0.6 + 0.2 * random.random(300)
    found = pooled._number("x", Unknown("a word", 2.0, 0.25), middles, apart)
    assert found.median == pytest.approx(2.0 * np.exp(0.25 * np.mean(middles)))
    both = np.sqrt(np.var(middles) + np.mean(apart**2))
    assert found.log_sd == pytest.approx(0.25 * both) and found.narrowed == pytest.approx(both)
    assert found.middle_log_sd == pytest.approx(0.25 * np.std(middles))
    assert found.apart_log_sd == pytest.approx(0.25 * np.sqrt(np.mean(apart**2)))


def test_a_guitar_is_drawn_to_the_others_as_normal_laws_multiply() -> None:
    """What its readings say beyond the prior, times N(m, s): precisions add, means by their precisions."""
    random = np.random.default_rng(8)
    root = np.array([[0.4, 0.0], [0.2, 0.9]])
    cloud = random.standard_normal((4000, 2)) @ root.T + [1.0, -0.5]
    middles, apart = np.tile([0.2, 0.1], (20000, 1)), np.tile([0.5, 0.7], (20000, 1))
    drawn = pooled._drawn_to(cloud, middles, apart, random)
    own = np.linalg.inv(np.cov(cloud.T))
    told = own - np.eye(2) / 1.475
    assert (np.linalg.eigvalsh(told) > 0.0).all()
    spread = np.linalg.inv(told + np.diag([4.0, 1.0 / 0.49]))
    mean = spread @ (own @ cloud.mean(axis=0) + np.array([0.2 * 4.0, 0.1 / 0.49]))
    np.testing.assert_allclose(drawn.mean(axis=0), mean, atol=0.02)
    np.testing.assert_allclose(np.cov(drawn.T), spread, atol=0.01)
    one = pooled.One("a", "b", ("x", "y"), cloud, 5, 0)
    unknowns = {"x": Unknown("x", 1.0, 0.5), "y": Unknown("y", 1.0, 0.2)}
    standing = pooled._standing(one, cloud, ("x", "y"), unknowns, middles, apart, random)
    for place, (name, sd) in enumerate((("x", 0.5), ("y", 0.2))):
        points = np.quantile(np.exp(sd * (cloud[:, place] - middles[0, place])), [0.1, 0.5, 0.9])
        assert standing.alone[name] == pytest.approx(points, rel=0.01)
        ends = mean[place] - middles[0, place] + np.sqrt(spread[place, place]) * norm.ppf([0.1, 0.5, 0.9])
        assert standing.drawn[name] == pytest.approx(np.exp(sd * ends), rel=0.03)
    assert standing.out == {}
    # more than eight in ten draws further out than two spreads
    for share, out in ((0.79, False), (0.81, True)):
        some = np.where(np.arange(1000) < 1000 * share, 0.2 - 2.1 * 0.5, 0.2 - 1.9 * 0.5)[:, None]
        far = pooled._standing(one, some, ("x",), unknowns, middles[:, :1], apart[:, :1], random)
        assert bool(far.out) is out and (not out or far.out["x"] == pytest.approx(-2.1))


def test_one_unknown_of_many_guitars_is_that_of_the_random_effects_model() -> None:
    """Posterior of middle and spread of eight guitars on a grid, each guitar's likelihood integrated from its draws'
    own law (Gelman and others 2013, section 5.4): prior 0.7 of the variance in the middle, spread log-normal 0.35."""
    random = np.random.default_rng(9)
    truth, sd = np.array([1.2, 1.0, 1.5, 0.8, 1.1, 1.3, 0.9, 1.4]), 0.3
    z = np.linspace(-3.0, 3.0, 2001)
    ones, likelihoods = [], []
    m, a = np.meshgrid(np.linspace(-4, 4, 81), np.linspace(-4, 4, 81), indexing="ij")
    middle, apart = np.sqrt(0.7) * m.ravel(), np.sqrt(0.3) * np.exp(0.35 * a.ravel())
    for value in truth:
        weight = norm.pdf(z) * norm.pdf(stretched(z), value, sd)
        chosen = np.interp((np.arange(400) + 0.5) / 400, np.cumsum(weight) / weight.sum(), z)
        ones.append(pooled.One("g", "d", ("residual_gain",), random.permutation(chosen)[:, None], 5, 0))
        likelihoods.append(norm.pdf(value, middle, np.hypot(apart, sd)))
    share = norm.pdf(m.ravel()) * norm.pdf(a.ravel()) * np.prod(likelihoods, axis=0)
    share /= share.sum()
    found = pooled.pool(ones, {"residual_gain": Unknown("x", 1.0, 0.5)}, seed=2)
    mean = float(share @ middle)
    assert found.middles.mean() == pytest.approx(mean, abs=0.05)
    assert found.middles.std() == pytest.approx(float(np.sqrt(share @ (middle - mean) ** 2)), abs=0.04)
    assert found.apart.mean() == pytest.approx(float(share @ apart), abs=0.04)
    alone = pooled.pool([], {"residual_gain": Unknown("x", 1.0, 0.5)})
    assert alone.middles.std() == pytest.approx(np.sqrt(0.7), abs=0.08)
    assert np.median(alone.apart) == pytest.approx(np.sqrt(0.3), rel=0.06)
    assert np.log(alone.apart).std() == pytest.approx(0.35, abs=0.04)


def test_what_is_common_beforehand_is_the_law_and_not_the_board() -> None:
    """Set from memory, so only held here: what the law does not know is common, what one board does is not."""
    law = {"residual_gain": 0.7, "moisture_creep": 0.7, "movement_along": 0.7, "joint_creep": 0.6, "block": 0.6}
    board = {"string_response": 0.4, "structure": 0.4, "movement_top": 0.3, "movement_back": 0.3}
    assert dict(COMMON) == {**law, **board}


@pytest.fixture(scope="module")
def told() -> dict[str, Claims]:
    """Guitars of the heated house regraded at four years, and none of as many in twelve."""
    scenario = replace(load_scenario("first-winter"), weather_members=1)
    early, never = Claim(scenario, 4 * 365, True, 20), Claim(scenario, 12 * 365, False, 20)
    claims = {"early": [early], "never": [never], "many": [replace(early, count=20_000)]}
    return {name: claims_say(each) for name, each in claims.items()}


def test_claims_alone_move_a_wrong_middle_the_right_way(told: dict[str, Claims]) -> None:
    """In the prior's sd: regrades asked for early say a gain well above, none in years one below; all else stays."""
    found = {name: pool([], UNKNOWNS, claims=each) for name, each in told.items()}
    middle = {name: np.log(each.numbers[0].median) / 0.5 for name, each in found.items()}
    assert middle["early"] > 0.3 and middle["never"] < -0.2
    assert all(abs(np.log(one.median)) < 0.2 for one in found["early"].numbers[1:])
    assert "Claims of 20 further guitars, 20 regraded" in learning_summary(found["early"])
    # a thousand times as many count no more than twenty
    assert middle["many"] == pytest.approx(middle["early"], abs=1e-9)


def test_claims_are_read_by_row(tmp_path: Path) -> None:
    file = tmp_path / "claims.csv"
    file.write_text("scenario,sold,until,regraded,count\nfirst-winter,2016-05-01,2026-05-01,2023-05-01,4\n"
                    "first-winter,2016-05-01,2026-05-01,,90\n")  # fmt: skip
    one, two = read_claims(file)
    assert (one.age_days, one.regraded, one.count) == (7 * 365 + 1, True, 4)
    assert (two.age_days, two.regraded, two.count) == (3652, False, 90)
    wrong = {
        "first-winter,2016-05-01,2015-05-01,,1": "sold before",
        "first-winter,May,2026-05-01,,1": "dates as",
        "no-such,2016-05-01,2026-05-01,,1": "no-such",
    }
    for row, words in wrong.items():
        file.write_text("scenario,sold,until,regraded,count\n" + row + "\n")
        with pytest.raises(BadInput, match=words):
            read_claims(file)


def test_a_bench_is_made_up_to_the_last_reading_and_a_rival_with_the_other_memory(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    scenario = load_scenario("first-winter")
    asked: list[tuple[Any, ...]] = []

    def noted(*told: Any) -> Any:
        asked.append(told)
        raise KeyError

    for module in (pooled, diagnosis):
        monkeypatch.setattr(module, "make_bench", noted)
    read = [SimpleNamespace(date=day) for day in (date(2027, 3, 1), date(2028, 5, 1), date(2027, 9, 1))]
    for readings, last in ((read, date(2028, 5, 1)), ([], scenario.setup.setup)):
        case: Any = SimpleNamespace(scenario=scenario, book=SimpleNamespace(readings=readings))
        with pytest.raises(KeyError):
            pooled.learn_one(case)
        assert asked.pop()[1] == last
    for memory in (True, False):
        bench: Any = SimpleNamespace(scenario=replace(scenario, hysteresis=memory), until=date(2030, 1, 1))
        with pytest.raises(KeyError):
            diagnosis.without_memory(bench)
        assert (asked[-1][0].hysteresis, asked.pop()[1]) == (not memory, date(2030, 1, 1))
