"""Learning from many, against populations whose middle and spread are known.

Closed form: with normal posteriors of one unknown, the middle's posterior is that of a random-effects model (Gelman and
others 2013, Bayesian Data Analysis, section 5.4)."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from driftmodel.base.learned_file import read_learned
from driftmodel.calibration.layout import stretched
from driftmodel.calibration.pooled import COMMON, One, pool
from driftmodel.outlook.draws import Unknown
from driftmodel.report.learning_words import learned_toml, learning_summary

NAMES = tuple(COMMON)
UNKNOWNS = {name: Unknown(name, 1.0, 0.5) for name in NAMES}


def guitar(number: int, truth: float, read_sd: float, random: np.random.Generator, draws: int = 400) -> One:
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
