"""Learning against guitars of another generator (tests/other_truths.py): what a few can tell. tests/studies has the
same by the hundred. No outside values."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import numpy as np
import pytest
from other_truths import World, foretold, guitars, inside, unknowns, visits

import driftmodel
from driftmodel.calibration.bench import make_bench
from driftmodel.calibration.fit import learn
from driftmodel.calibration.pooled import COMMON, One, pool
from driftmodel.outlook.draws import unknowns_of


def test_guitars_of_a_design_stand_together() -> None:
    """Middle 0.8 of the prior's spread, apart by the root of what is not common; 400 guitars."""
    scenario = driftmodel.load_scenario("first-winter")
    world = World(spread=1.0, together=0.0, tails=200.0, middles=(("residual_gain", 0.8),))
    gain = unknowns_of(scenario)["residual_gain"]
    random = np.random.default_rng(1)
    drawn = [float(unknowns(scenario, world, random).values["residual_gain"][0]) for _ in range(400)]
    multiples = np.log(np.array(drawn) / gain.median) / gain.log_sd
    assert np.mean(multiples) == pytest.approx(0.8, abs=0.1)
    assert np.std(multiples) == pytest.approx(np.sqrt(1.0 - COMMON["residual_gain"]), abs=0.06)


@pytest.mark.slow
def test_bands_hold_on_a_few_guitars_of_other_laws() -> None:
    """Sixteen guitars, four each of wider unknowns, of creep doubled, of no memory and of a wider season: reference
    state and a week, now, a year and five years on. Six answers of a guitar count as two, so that bands of 80 % are
    known to 0.07; 81 % are held, 64 % where what readings taught is taken for twice as sure."""
    plain = replace(driftmodel.load_scenario("first-winter"), horizon_years=8)
    prior = World(1.0, 0.0, 200.0)
    worlds = (World(), replace(prior, creep=2.0), replace(prior, hysteresis=False), replace(prior, season=1.5))
    found = [one for seed, world in enumerate(worlds) for one in guitars(plain, 4, visits, 70 + seed, world)]
    held = [[inside(*pair) for pair in pairs]
            for *_, pairs in foretold(found, plain, (0, 1, 5), particles=200, draws=200)]  # fmt: skip
    assert abs(np.mean(held) - 0.80) < 2.0 * 0.07, held


@pytest.mark.slow
def test_eight_guitars_tell_where_their_design_stands() -> None:
    """Their residual gain stands one and a half of the prior's spread high: the middle found is past 0 by more than two
    of its own errors and within three of the truth."""
    plain = replace(driftmodel.load_scenario("first-winter"), horizon_years=6)
    world = World(1.0, 0.0, 200.0, stays=0.2, slips=0.05, swaps=0.0, middles=(("residual_gain", 1.5),))
    bench, before = make_bench(plain, plain.setup.setup + timedelta(days=1900), None, (4, 4)), unknowns_of(plain)
    ones = []
    for number, guitar in enumerate(guitars(plain, 8, lambda random: visits(random, 12, 60, 1900), 3, world)):
        posterior = learn(plain, guitar.book, bench=bench, particles=200)
        ones.append(One(str(number), "x", posterior.layout.names, posterior.sampled.normals, 12, 0))
    gain = next(one for one in pool(ones, before).numbers if one.name == "residual_gain")
    prior = before["residual_gain"]
    middle, error = np.log(gain.median / prior.median) / prior.log_sd, gain.middle_log_sd / prior.log_sd
    assert abs(middle - 1.5) < 3.0 * error and middle > 2.0 * error, (middle, error)
