"""Fleets that follow other laws than the model's: the claims must be able to overrule the physics.

No outside reference values: truth is the generator's own (tests/outside_fleets.py, independent of the model).
"""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from invented_fleets import ToyDrift
from outside_fleets import AHEAD, GENERATORS, LAGS, OTHERS, outside_fleet, outside_fleet_and_due
from scipy.sparse import csr_matrix

from driftmodel.fleet import scores
from driftmodel.fleet.backtest import REFERENCES, references, widening_needed
from driftmodel.fleet.claims_fit import BEYOND_SD
from driftmodel.fleet.cohorts import histories
from driftmodel.fleet.correction import BEYOND, GOES_ON, KNOT_STEP, Block, paces_of
from driftmodel.fleet.demand import Demand, forecast_demand
from driftmodel.fleet.exposure import EXPECTED, TOLD, UNITS
from driftmodel.fleet.fit_check import alerts, fit_rows
from driftmodel.fleet.passage import Cell, Passages, cell_seed
from driftmodel.fleet.planner_tables import not_yet_reported
from driftmodel.fleet.regression import Model, Rows
from driftmodel.fleet.roster import Fleet

LAW = ToyDrift()


def forecast(fleet: Fleet) -> Demand:
    return forecast_demand(fleet, LAW, to_end_of_cover=False)


@cache
def outside(law: str, seed: int, units: int, named: bool = True) -> tuple[Demand, np.ndarray, int]:
    """The forecast of a fleet, what comes and what is due and not told: for all who only read it."""
    fleet, truth, due = outside_fleet_and_due(GENERATORS[law], seed, units=units, named=named)
    return forecast(fleet), truth, due


def wis(found: Demand, truth: np.ndarray) -> dict[str, float]:
    """Mean weighted interval score of months x regions x designs, this forecast's and the plain ones'."""
    cube = found.cube["regrades"].values.sum(axis=(4, 5)).astype(float)
    samples = {"model": cube}
    for name, mean in zip(REFERENCES, references(found.fleet, found.cutoff, AHEAD), strict=True):
        samples[name] = np.random.default_rng(1).poisson(mean, (len(cube), *mean.shape)).astype(float)
    return {
        name: float(scores.weighted_interval_score(part.reshape(len(part), -1).T, truth.ravel()).mean())
        for name, part in samples.items()
    }


@pytest.mark.parametrize(("law", "named"), [("Weibull 0.8", False), ("Weibull 1.6", True)])
def test_claims_overrule_the_physics_where_ages_follow_another_law(law: str, named: bool) -> None:
    """20,000 units and some thousand claims: the year's total is known to a few percent. 12 % is what a year of one
    fleet scatters here, of which a third is chance; unnamed claims hide repeats behind the last regrade."""
    found, truth, _ = outside(law, 31, 20000, named)
    total = found.cube["regrades"].values.sum(axis=(1, 2, 3, 4, 5))
    assert np.median(total) == pytest.approx(truth.sum(), rel=0.12)
    score = wis(found, truth)
    assert score["model"] < 1.05 * min(score[name] for name in REFERENCES)


def rush(cell: Cell, members: int, draws: int, seed: int) -> Passages:
    """Nothing for four years, and then nine in ten at about five and a half."""
    random = np.random.default_rng(cell_seed(cell, seed))
    months = np.where(random.random(draws) < 0.9, random.normal(66.0, 6.0, draws), np.inf)
    return Passages(months[:, None], np.where(np.isfinite(months), 2, -1).astype(np.intp)[:, None])


def autumnal(cell: Cell, members: int, draws: int, seed: int) -> Passages:
    """The same drift, but all that falls due within half a year of October does so twice as near to it."""
    plain = LAW(cell, members, draws, seed)
    away = (np.where(np.isfinite(plain.months), plain.months, 0.0) + cell.build_month - 10.5 + 6.0) % 12.0 - 6.0
    return Passages(np.maximum(plain.months - 0.5 * away, 0.0), plain.grade)


def test_a_season_that_claims_do_not_have_is_not_told() -> None:
    """Regrades come evenly, the physics has most of them in autumn: what is told of the months ahead swings by less
    than a fifth of the physics' swing, and what is due and not told is what even claims leave."""
    fleet = outside("Weibull 0.8", 41, 16000)[0].fleet
    found = forecast_demand(fleet, autumnal, to_end_of_cover=False)
    told = found.cube["regrades"].values.sum(axis=(2, 3, 4, 5)).mean(axis=0)
    physics = (found.expected.first + found.expected.repeat).sum(axis=(0, 1, 3, 4))
    assert np.log(told).std() < 0.2 * np.log(physics).std()
    wanted = (fleet.claims.report > found.cutoff - 12).sum() / 12.0 * (LAGS @ np.arange(LAGS.size))
    assert not_yet_reported(found).sum() == pytest.approx(wanted, rel=0.15)


def test_what_is_not_yet_reported_follows_the_claims_not_the_physics() -> None:
    """Regrades come evenly, the physics has them all late: of the claims of a year a twelfth times the mean lag in
    months is due and not yet reported. The whole past's ratio times the physics' number would be several times that.
    15 % is two and a half times the chance scatter of so many."""
    fleet = outside("Weibull 0.8", 41, 16000)[0].fleet
    found = forecast_demand(fleet, rush, to_end_of_cover=False)
    wanted = (fleet.claims.report > found.cutoff - 12).sum() / 12.0 * (LAGS @ np.arange(LAGS.size))
    assert found.expected.pending.sum() * found.after.mean.mean() > 3.0 * wanted
    assert not_yet_reported(found).sum() == pytest.approx(wanted, rel=0.15)


def test_what_came_and_was_expected_so_far_is_counted_once() -> None:
    """Regrades by age and month are the claims; units at risk are those sold, each of one kind, month by month."""
    found = outside("Weibull 0.8", 41, 16000)[0]
    fleet = found.fleet
    behind = found.expected.behind
    assert behind[:, :, :, TOLD].sum() == fleet.claims.report.size
    months = np.arange(histories(fleet, fleet.cutoff).since, fleet.cutoff + 1)
    sold = (fleet.units.sale[:, None] <= months).sum(axis=0)
    told = behind[:, :, :, TOLD].sum(axis=(0, 1, 2, 3))  # a unit is of two kinds in the month of its regrade
    assert behind[:, :, :, UNITS].sum(axis=(0, 1, 2, 3)) == pytest.approx(sold + told)
    assert behind[:, :, :, EXPECTED].sum() > 0.0


def test_without_claims_the_physics_stands_and_a_new_region_has_the_pools_level() -> None:
    fleet = outside("wrong creep", 7, 12000)[0].fleet
    north = fleet.claims.region == 0
    kept = {name: getattr(fleet.claims, name)[north] for name in type(fleet.claims).__dataclass_fields__}
    units = fleet.units
    sale = np.where(units.region == 1, fleet.cutoff - 1, units.sale).astype(np.int32)
    build = np.minimum(units.build, sale)
    regraded = np.where(units.region == 1, -1, units.regraded)
    new = Fleet(**{
        **{name: getattr(fleet, name) for name in Fleet.__dataclass_fields__},
        "claims": type(fleet.claims)(**kept),
        "units": type(units)(**{
            **{name: getattr(units, name) for name in type(units).__dataclass_fields__},
            "sale": sale, "build": np.where(units.region == 1, sale, build).astype(np.int32), "regraded": regraded,
        }),
    })  # fmt: skip
    found = forecast(new)
    old, fresh = np.log(found.multiplier[:, 0].mean(axis=1)), np.log(found.multiplier[:, 1].mean(axis=1))
    assert abs(np.median(fresh) - np.median(old)) < 0.5
    assert fresh.std() > 1.5 * old.std()


def test_the_band_is_widened_by_the_least_that_holds_what_came_and_never_narrowed() -> None:
    """Forecasts about the truth need nothing; those as sure and 30 % off in turn need about that much."""
    random = np.random.default_rng(2)
    came = np.full((6, 2), 400.0)
    honest = [(random.poisson(400.0, (300, 6, 2)) * 1.0, random.poisson(400.0, (6, 2)) * 1.0) for _ in range(4)]
    assert widening_needed(honest, 1) == 0.0
    off = [(random.poisson(400.0 * factor, (300, 6, 2)) * 1.0, came) for factor in (1.3, 0.77, 1.3, 0.77)]
    assert 0.2 <= widening_needed(off, 1) <= 0.4
    narrow = outside("wrong creep", 7, 12000)[0]
    wide = forecast_demand(narrow.fleet, LAW, to_end_of_cover=False, widening=0.5)
    spread = [np.log(d.cube["regrades"].values.sum(axis=(1, 2, 3, 4, 5))).std() for d in (narrow, wide)]
    assert spread[1] > 1.5 * spread[0]


def test_a_doubled_claims_file_raises_an_alert_and_an_honest_one_none() -> None:
    fleet = outside("wrong creep", 7, 12000)[0].fleet
    claims = fleet.claims
    twice = {name: np.tile(getattr(claims, name), 6) for name in type(claims).__dataclass_fields__}
    found = forecast(replace(fleet, claims=type(claims)(**twice)))
    assert any(
        "claims file given twice" in line and " times what the physics expects" in line for line in alerts(found)
    )
    rows = fit_rows(found)
    assert sum(row.came for row in rows if row.by == "age") == sum(row.came for row in rows if row.by == "month")
    assert {row.by for row in rows} == {"age", "month", "year"}


def test_few_claims_are_expected_to_come_again_and_not_half_a_claim_more() -> None:
    """Three claims of one expected, nothing known before: the rate's posterior mean is 3 (gamma law). About the mode in
    logs it would be 3 exp(1/6) = 3.54."""
    rows = Rows(
        (np.zeros(1, np.int64),) * 5, np.ones(1), np.full(1, 3.0), np.zeros(1, np.int64), np.zeros(1), np.ones(1, bool)
    )
    model = Model(rows, csr_matrix(np.ones((1, 1))), (Block("level", slice(0, 1), np.eye(1), 100.0, False),), 1)
    mode, variance = model.fitted()
    mean, precision = model.centred(mode, model.prior(variance))
    assert np.exp(mode[0]) == pytest.approx(3.0, rel=1e-3)
    assert np.exp(mean[0] + 0.5 / precision[0, 0]) == pytest.approx(3.0, rel=1e-3)
    assert mean[0] < mode[0] - 0.1


def test_a_spread_taken_for_far_too_small_is_found_within_the_rounds_there_are() -> None:
    """Forty quarters in turn two thirds more and 40 % less (0.5 in logs) than the ten expected. A spread of 0.03 told
    before explains none of it, and steps of EM from there are so small that they look like the end. The fixed point by
    hand: the squares of the effects over how many of them the claims tell, 10 exp(e) of each against 1 / variance."""
    due = np.full(40, 10.0) * np.exp(np.tile([0.5, -0.5], 20))
    rows = Rows((np.zeros(40, np.int64),) * 5, np.full(40, 10.0), due, np.arange(40), np.zeros(40), np.ones(40, bool))
    model = Model(rows, csr_matrix(np.eye(40)), (Block("pace", slice(0, 40), np.eye(40), 0.03, True),), 40)
    effects, variance = model.fitted()
    told = 10.0 * np.exp(effects) / (10.0 * np.exp(effects) + 1.0 / variance["pace"])
    by_hand = (np.square(effects).sum() + 0.5 * 0.03**2) / (told.sum() + 0.5)
    assert variance["pace"] == pytest.approx(by_hand, rel=0.02)
    assert np.sqrt(variance["pace"]) == pytest.approx(0.386, abs=0.01)


def test_one_bad_date_alone_does_not_widen_the_band() -> None:
    random = np.random.default_rng(4)
    good = [(random.poisson(400.0, (300, 6, 2)) * 1.0, random.poisson(400.0, (6, 2)) * 1.0) for _ in range(3)]
    bad = (random.poisson(400.0, (300, 6, 2)) * 1.0, random.poisson(600.0, (6, 2)) * 1.0)
    assert widening_needed([*good, bad], 1) == 0.0
    assert widening_needed([*good[:2], bad, bad], 1) > 0.1


@cache
def twice_as_fast_for_a_year() -> tuple[Demand, np.ndarray]:
    """The forecast of a fleet one region of which changed, and what comes."""
    fleet, truth = outside_fleet(OTHERS["one region twice as fast for a year"][0], 7, units=12000)
    return forecast(fleet), truth


def test_a_region_that_has_changed_raises_an_alert_and_steady_ones_none() -> None:
    """In its last year all went twice as fast in the first region."""
    found = twice_as_fast_for_a_year()[0]
    told, fit = alerts(found), found.correction
    kept = sum(
        p * each.last_year()[2][0] for p, each in zip(fit.chances, fit.rivals, strict=True)
    )  # as futures have it
    assert any(f"the forecast has {np.exp(kept):.2g} times as many for the coming year" in line for line in told)
    assert any("r0: its last year" in line for line in told) and not any("r1: its last" in line for line in told)
    steady = alerts(outside("wrong creep", 7, 12000)[0])
    assert not any("its last year" in line or "sold in the last" in line for line in steady)


def test_a_design_changed_and_not_told_raises_an_alert() -> None:
    """Better by 30 % where sold in the last three years; the other design is as it was."""
    fleet, _ = outside_fleet(OTHERS["a better design for three years"][0], 103, units=12000)
    found = forecast(fleet)
    told = [line for line in alerts(found) if "sold in the last" in line]
    assert len(told) == 1 and told[0].startswith("d0: units sold in the last 3 years come to 0.")
    fit = found.correction
    chance = fit.chances @ [each.changed for each in fit.rivals]
    assert f"in {100 * chance:.0f} % of its futures and for alike" in told[0]
    sure = replace(fit, rivals=tuple(each for each in fit.rivals if each.changed))
    told = alerts(replace(found, correction=sure))
    assert any("for changed in nearly all of its futures." in line for line in told)


def test_a_lasting_change_is_carried_on_and_a_steady_region_is_not_moved() -> None:
    """All went twice as fast in the first region for a year, and it stays so: what is carried on is more than half of
    it (in logs), and the band reaches what comes. The other region's middle stays within a quarter of what comes."""
    found, truth = twice_as_fast_for_a_year()
    total = found.cube["regrades"].values.sum(axis=(1, 3, 4, 5))  # sample, region
    assert np.quantile(total[:, 0], 0.95) > truth.sum(axis=(0, 2))[0]
    assert np.median(total[:, 1]) == pytest.approx(truth.sum(axis=(0, 2))[1], rel=0.25)
    far, _, kept = found.correction.last_year()
    assert far[0] > np.log(1.5) and kept[0] > 0.5 * far[0]


def test_a_winter_past_is_told_from_a_change_that_lasts_by_when_regrades_fell_due() -> None:
    """Reports of the last three months are as many either way; of those that came at once there are fewer where the
    cause has passed. Lateness is a sixth each of nought, one and two months late, by the law of the rest."""
    lag = np.array([0.4, 0.3, 0.2, 0.1])
    step = paces_of(np.arange(12), 0, 3, 4, (1.0,))
    due = np.stack([paces_of(11 - np.arange(12) - back, 0, 3, 4, (1.0,)) for back in range(4)], axis=1)
    usual = paces_of(11 - np.arange(12), 0, 3, 4, tuple(lag))
    rows = Rows(
        (np.zeros(12, np.int64),) * 5, np.full(12, 100.0), np.full(12, 100.0), np.arange(12), np.zeros(12),
        np.ones(12, bool),
    )  # fmt: skip
    blocks = (Block("pace", slice(0, 4), np.eye(4), 0.5, False),)
    found = []
    for recent in (1.0, 0.5):
        pace = np.append(np.ones(9), np.full(3, recent))[::-1]  # by months ago
        of = np.array([[lag[k] * pace[min(ago + k, 11)] for k in range(4)] for ago in range(12)])
        late = 100.0 * of / of.sum(axis=1, keepdims=True)
        model = Model(rows, csr_matrix(step), blocks, 12).with_lateness(
            late[None], due - usual[:, None], np.broadcast_to(lag, (1, *late.shape))
        )
        found.append(model.fitted()[0])
    assert np.abs(found[0]).max() < 0.02
    assert found[1][3] < found[0][3] - 0.1 and found[1][2] > found[0][2]


def test_what_is_due_and_not_yet_told_is_neither_too_high_nor_too_low() -> None:
    """Two fleets, of which some 450 are due and not told: 15 % is three standard deviations of so many. The middle of
    the samples, as the planner reads it."""
    said = came = 0.0
    for seed, law, units in ((31, "Weibull 1.6", 20000), (41, "Weibull 0.8", 16000)):
        found, _, due = outside(law, seed, units)
        said += np.median(found.cube["not_yet_reported"].values.sum(axis=(1, 2)))
        came += due
    assert said == pytest.approx(came, rel=0.15)
    soon = forecast_demand(found.fleet, LAW, months=3, to_end_of_cover=False)  # fewer months than reports are late
    assert not_yet_reported(soon).sum() == pytest.approx(not_yet_reported(found).sum(), rel=0.05)


def test_past_the_oldest_ages_with_claims_nothing_is_held_for_sure() -> None:
    """A knot's step past the last one the log hazard goes on by GOES_ON of the last step and has BEYOND_SD more of
    spread, whose square adds to what the claims leave open; before it none is added. 400 draws know a variance to
    7 %."""
    correction = outside("Weibull 1.6", 31, 20000)[0].correction
    effects = correction.draw(np.random.default_rng(1).standard_normal((400, correction.mean.size)))
    last = np.expm1(correction.knots[0][-1])
    there, beyond = round(last), round((1.0 + last) * np.exp(KNOT_STEP) - 1.0)
    fresh = correction.by_age(effects, beyond + 1)[0][:, 0, 0]
    step = effects[:, correction.block("age").columns][:, -2:] @ [-1.0, 1.0]  # type: ignore[union-attr]
    apart = fresh[:, beyond] - fresh[:, there] - GOES_ON * step
    assert correction.block(BEYOND) is not None
    assert apart.std() == pytest.approx(BEYOND_SD, rel=0.15)
    assert np.corrcoef(apart, fresh[:, there])[0, 1] == pytest.approx(0.0, abs=0.2)
