"""What is learned: the posterior against many particles of the prior weighed by the dense likelihood, written out here,
and the record, draws and bands against the particles themselves. No outside values."""

from __future__ import annotations

from dataclasses import replace
from itertools import product

import numpy as np
import pytest
from hidden_truth import read_in_three_weathers
from scipy.stats import norm

from driftmodel.calibration import fit
from driftmodel.calibration.shown import as_calibration, learned
from driftmodel.calibration.unsure import setup_effects

Array = np.ndarray


@pytest.fixture(scope="module")
def posterior() -> fit.Posterior:
    bench, book = read_in_three_weathers()
    return fit.learn(bench.scenario, book, bench=bench, particles=700)


def log_likelihood(posterior: fit.Posterior, normals: Array) -> Array:
    """Sum over all ways readings may be slips: of the sound the dense normal law, of slips an even density."""
    noise, unsure = posterior.noise, posterior.noise.unsure
    count = noise.tool_sd.size
    away = posterior.values_read - posterior.expected(normals) - noise.shift
    scale = (posterior.swing(normals) / unsure.swing) ** 2
    fixed = unsure.law + noise.stayed + np.diag(noise.tool_sd**2)
    quarter = {"action": 1.25, "projection": 1.25, "relief": 0.25, "weight": 50.0}  # of what asks for a second look
    reach = [quarter[one.what] + 2.0 * one.sd for one in posterior.readings]
    total = np.full(len(normals), -np.inf)
    for slip in product((False, True), repeat=count):
        on = np.flatnonzero(~np.array(slip))
        known = np.sum(np.log([posterior.ways.doubt[at] / (2 * reach[at]) for at in range(count) if slip[at]]))
        known += np.sum(np.log1p(-posterior.ways.doubt[on]))
        if on.size:
            covariance = (fixed + scale[:, None, None] * unsure.weather[:count, :count])[:, on[:, None], on]
            solved = np.linalg.solve(covariance, away[:, on, None])[:, :, 0]
            known = (
                known - 0.5 * np.sum(away[:, on] * solved, axis=1) - 0.5 * np.linalg.slogdet(2 * np.pi * covariance)[1]
            )
        total = np.logaddexp(total, known)
    return np.asarray(total)


def test_the_posterior_is_the_prior_weighed_by_the_dense_likelihood(posterior: fit.Posterior) -> None:
    """20,000 particles of the prior weighed; what was narrowed is made wider by up to sqrt(1.4)."""
    prior = fit.prior_particles(20000, posterior.layout.names, 99)
    log = log_likelihood(posterior, prior)
    weight = np.exp(log - log.max())
    counts = weight.sum() ** 2 / np.sum(weight**2)
    weight /= weight.sum()
    mean = weight @ prior
    covariance = (prior - mean).T @ ((prior - mean) * weight[:, None])
    found = posterior.sampled.normals
    error = 4.0 * np.sqrt(1.0 / counts + 1.0 / 400)
    assert counts > 500 and np.abs(found.mean(axis=0) - mean).max() < error
    evidence = np.log(np.mean(np.exp(log - log.max()))) + log.max()
    assert posterior.sampled.log_evidence == pytest.approx(evidence, abs=0.25)
    sizes, turn = np.linalg.eigh(covariance)
    eased = sizes * (1.0 + 0.4 * np.clip(1.0 - sizes, 0.0, 1.0))
    own = np.var(found @ turn, axis=0)
    assert sizes[0] < 0.5 and own[0] == pytest.approx(eased[0], rel=0.2)
    np.testing.assert_allclose(own, eased, rtol=0.35)


def test_what_was_narrowed_is_eased_by_its_share() -> None:
    random = np.random.default_rng(3)
    turn = np.linalg.qr(random.standard_normal((3, 3)))[0]
    cloud = random.standard_normal((500, 3))
    cloud = np.linalg.solve(np.linalg.cholesky(np.cov(cloud.T)), (cloud - cloud.mean(axis=0)).T).T
    sizes = np.array([0.05, 0.5, 1.2])
    eased = fit.eased(0.2 + cloud * np.sqrt(sizes) @ turn.T)
    wanted = sizes * np.array([1.0 + 0.4 * 0.95, 1.2, 1.0])
    inside = np.abs(eased).max(axis=1) < 3.0
    np.testing.assert_allclose(np.cov(eased[inside] @ turn, rowvar=False), np.diag(wanted), atol=0.06)
    assert np.abs(eased).max() <= 3.0


def test_particles_of_the_prior_are_normal_and_cut_off() -> None:
    made = fit.prior_particles(2000, ("one", "two", "three"), 5)
    assert np.abs(made).max() <= 3.0
    for column in made.T:
        np.testing.assert_allclose(np.quantile(column, [0.1, 0.5, 0.9]), norm.ppf([0.1, 0.5, 0.9]), atol=0.01)
    # one of each 2000th part, those past 3 put there
    parts = np.sort(norm.cdf(made), axis=0) * 2000
    np.testing.assert_array_equal(np.floor(parts)[3:-3], np.tile(np.arange(2000.0)[3:-3, None], (1, 3)))


def test_the_record_tells_each_reading_and_unknown_as_the_particles_stand(posterior: fit.Posterior) -> None:
    record = as_calibration(posterior)
    normals, noise = posterior.sampled.normals, posterior.noise
    expected = posterior.expected(normals) + noise.shift
    for at, one in enumerate(record.fitted):
        off = posterior.book.readings[at].value - np.median(expected[:, at])
        assert one.reading is posterior.readings[at] and one.residual == pytest.approx(off)
        assert one.expected == pytest.approx(np.median(expected[:, at])) and one.expected_sd == pytest.approx(
            np.std(expected[:, at])
        )
        assert one.size == pytest.approx(off / np.sqrt(noise.own_doubt[at]))
        assert one.slip_probability == posterior.slips[at]
    for at, unknown in enumerate(record.learned):
        own = posterior.layout.multipliers.get(unknown.name)
        assert unknown.words == own.words if own else unknown.words.endswith((", mm", ", g"))
        assert unknown.name == record.names[at] and unknown.moved_sd == pytest.approx(np.median(normals[:, at]))
        assert unknown.narrowed == pytest.approx(np.std(normals[:, at]) / np.std(posterior.start[:, at]))
        points = np.quantile(posterior.layout.own(normals)[unknown.name], [0.1, 0.5, 0.9], method="inverted_cdf")
        assert unknown.posterior == pytest.approx(points) and not unknown.on_bound
    # more than a tenth of the draws within 0.3 sd of the cut-off
    for far, share, bound in ((2.71, 0.11, True), (-2.71, 0.11, True), (2.71, 0.09, False), (2.69, 0.2, False)):
        pressed = normals.copy()
        pressed[: round(share * 700), 0] = far
        pressed[round(share * 700) :, 0] = 0.0
        told = learned(replace(posterior, sampled=replace(posterior.sampled, normals=pressed)))
        assert told[0].on_bound is bound
    before, after = posterior.answers(posterior.start), posterior.answers()
    for band, name in zip(
        record.bands, ("action_dry_mm", "action_damp_mm", "action_reference_mm", "regrade_years"), strict=True
    ):
        for points, found in ((band.prior, before), (band.posterior, after)):
            for point, share in zip(points, (0.1, 0.5, 0.9), strict=True):  # to a rank
                values = getattr(found, name)
                assert np.mean(values < point) < share + 0.002 and np.mean(values <= point) > share - 0.002
    assert record.sampled is posterior.sampled


def test_draws_of_a_forecast_carry_the_weather_of_set_up(posterior: fit.Posterior) -> None:
    """In random order; to the error of the set-up comes what the readings say the weather then did, less what the
    forecast's own member, by how strongly the guitar answers, will bring along."""
    draws = fit.draws_of(posterior)
    order = np.random.default_rng([posterior.bench.scenario.seed, 9]).permutation(700)
    normals = posterior.sampled.normals[order]
    values = posterior.layout.values(normals)
    np.testing.assert_array_equal(draws.values["structure"], values["structure"])
    wanted = posterior.weather_of(normals)[:, -1]
    effects = setup_effects(posterior.particles(normals.mean(axis=0, keepdims=True)), posterior.seen)
    assert len(effects) == 4
    members = np.repeat([1, 2, 3, 4], 175)
    np.testing.assert_array_equal(draws.member, members)
    brought = np.array([effects[one] if one < 4 else 0.0 for one in members])
    own = brought * posterior.swing(normals) / posterior.noise.unsure.swing
    np.testing.assert_allclose(draws.set_up_error_mm, values["set_up_error"] + wanted - own)
    assert fit.draws_of(posterior, 50).count == 50 and "wood_mass" not in draws.values
