"""The law of readings' errors, slips and steps against sums written out here: dense normal densities, conditional
normals, all alternatives counted. No outside values but where one is named."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from itertools import product
from types import SimpleNamespace as Stub
from typing import Any

import numpy as np
import pytest
from scipy.stats import multivariate_normal, norm

from driftmodel.calibration import steps
from driftmodel.calibration.records import ReadingRow
from driftmodel.calibration.slips import Ways, called_slips, mixture, slip_chance, slip_of, slip_reach, ways_of
from driftmodel.calibration.unsure import Noise, Unsure, _shrunk, _taper

Array = np.ndarray

#: four readings of three days, two things asked; the guitar stands at a swing of 0.4
VISIT = np.array([0, 0, 1, 2])
STAYS = np.array([[0.0, 0.0, 0.05, 0.0], [0.1, 0.2, -0.05, 0.0], [0.3, 0.1, 0.1, 0.0]])
LIKELY = np.array([[0.5, 0.5, 0.2, 1 / 3], [0.3, 0.3, 0.3, 1 / 3], [0.2, 0.2, 0.5, 1 / 3]])
TOOL = np.array([0.05, 0.06, 0.05, 0.08])
SLIP = np.array([0.1, 0.0, 0.6, 0.2])
DOUBT, REACH = np.array([0.1, 0.2, 0.3, 0.9]), np.array([1.3, 1.3, 1.2, 0.4])
SWING = 0.4


def spread_of(count: int, seed: int, size: float) -> Array:
    root = np.random.default_rng(seed).standard_normal((count, count))
    return size**2 * root @ root.T / count


LAW, WEATHER = spread_of(4, 1, 0.06), spread_of(6, 2, 0.12)
UNSURE = Unsure(STAYS, VISIT, LAW, WEATHER, SWING)
RESIDUAL = np.array([[0.1, 0.25, -0.1, 0.05], [0.0, -0.3, 0.2, 0.6], [0.3, 0.2, 0.0, -0.1]])
SWINGS = np.array([0.4, 0.8, 0.1])


def noise() -> Noise:
    return Noise(UNSURE, TOOL, SLIP, LIKELY)


def stays_by_hand() -> tuple[Array, Array]:
    """Mean and covariance of what blanks do: of a visit together, between visits nothing."""
    middle = np.array([sum(LIKELY[k, i] * STAYS[k, i] for k in range(3)) for i in range(4)])
    covariance = np.zeros((4, 4))
    for i, j in product(range(4), repeat=2):
        if VISIT[i] == VISIT[j]:
            shares = np.sqrt(LIKELY[:, i] * LIKELY[:, j])
            covariance[i, j] = sum(shares * (STAYS[:, i] - middle[i]) * (STAYS[:, j] - middle[j]))
    return middle, covariance


def dense(slip: Array = SLIP, scale: float = 1.0, likely: bool = True) -> Array:
    """Covariance of the readings: a slip's own variance is divided by its chance to be sound, at least a millionth."""
    stayed = stays_by_hand()[1]
    own = TOOL**2 + np.diag(LAW) + np.diag(stayed) + np.diag(WEATHER)[:4]
    sound = np.maximum(1.0 - slip, 1e-6)
    return LAW + stayed + np.diag(TOOL**2 + own * (1.0 / sound - 1.0)) + scale**2 * WEATHER[:4, :4]


def test_readings_errors_are_one_normal_law() -> None:
    made, middle = noise(), stays_by_hand()[0]
    np.testing.assert_allclose(made.shift, middle)
    np.testing.assert_allclose(made.covariance(), dense(np.zeros(4)), atol=1e-12)
    np.testing.assert_allclose(made.own_doubt, np.diag(dense(np.zeros(4))))
    alike = Noise(UNSURE, TOOL, SLIP)
    np.testing.assert_allclose(alike.shift, STAYS.mean(axis=0))
    blind = made.unread()
    assert blind.unsure is UNSURE and (blind.tool_sd == 1e3).all() and (blind.slip == 1.0).all()


def test_each_reading_against_what_the_others_make_of_it() -> None:
    """Conditional normals: given the other three, mean and variance by their regression."""
    covariance, middle = dense(), stays_by_hand()[0]
    away, variance = noise().left_out(RESIDUAL)
    own = np.diag(covariance) * 0.0 + (np.diag(dense()) - np.diag(dense(np.zeros(4))))
    for at in range(4):
        rest = [place for place in range(4) if place != at]
        slope = covariance[at, rest] @ np.linalg.inv(covariance[np.ix_(rest, rest)])
        known = RESIDUAL - middle
        np.testing.assert_allclose(away[:, at], known[:, at] - known[:, rest] @ slope)
        left = covariance[at, at] - slope @ covariance[rest, at]
        assert variance[at] == pytest.approx(left - own[at])


def test_what_a_blank_stood_for_is_found_from_the_other_visits() -> None:
    """Each alternative of a visit, given the readings of all others; what blanks do is left out of its own law."""
    covariance, (middle, stayed) = dense(), stays_by_hand()
    found, expected = noise().stays_after(RESIDUAL), LIKELY.copy()
    for visit in (0, 1):
        on, rest = np.flatnonzero(visit == VISIT), np.flatnonzero(visit != VISIT)
        slope = covariance[np.ix_(on, rest)] @ np.linalg.inv(covariance[np.ix_(rest, rest)])
        left = covariance[np.ix_(on, on)] - slope @ covariance[np.ix_(rest, on)] - stayed[np.ix_(on, on)]
        share = np.zeros(3)
        for one in RESIDUAL:
            mean = slope @ (one - middle)[rest]
            density = [multivariate_normal.pdf(one[on] - STAYS[k, on] - mean, cov=left) for k in range(3)]
            share += np.array(density) / sum(density) / len(RESIDUAL)
        expected[:, on] = share[:, None]
    np.testing.assert_allclose(found, expected)


def test_the_weather_asked_about_follows_from_the_readings() -> None:
    """Draws against the conditional normal. A particle that answers the weather twice as strongly has four times its
    covariance; the spread left is of one that answers as the guitar does, times its own answer."""
    count, middle = 40000, stays_by_hand()[0]
    for one, swing in zip(RESIDUAL[:2], SWINGS[:2], strict=True):
        drawn = noise().asked(np.tile(one, (count, 1)), np.full(count, swing), np.random.default_rng(1))
        scale = swing / SWING
        slope = scale**2 * WEATHER[4:, :4] @ np.linalg.inv(dense(scale=scale))
        like = WEATHER[4:, :4] @ np.linalg.inv(dense())
        left = scale**2 * (WEATHER[4:, 4:] - like @ WEATHER[:4, 4:])
        error = np.sqrt(np.diag(left) / count)
        assert (np.abs(drawn.mean(axis=0) - slope @ (one - middle)) < 5.0 * error).all()
        np.testing.assert_allclose(np.cov(drawn.T), left, atol=0.05 * left.max())


def test_far_weathers_are_cut_to_nothing_as_published() -> None:
    """Gaspari and Cohn 1999, Eq. 4.10: a cone of radius c smeared by itself in space, here by summing over a grid."""
    x, z = (np.arange(400) + 0.5) / 200.0 - 1.0, (np.arange(200) + 0.5) / 200.0
    along, out = np.meshgrid(x, z, indexing="ij")

    def cone(shift: float) -> Array:
        return np.maximum(1.0 - np.hypot(along - shift, out), 0.0)

    whole = np.sum(cone(0.0) ** 2 * out)
    for r in (0.0, 0.3, 0.8, 1.0, 1.3, 1.8):
        expected = np.sum(cone(0.0) * cone(r) * out) / whole
        assert _taper(np.array(45.0 * r)) == pytest.approx(expected, abs=2e-4), r
    assert (_taper(np.array([90.0, 91.0, 4000.0])) == 0.0).all()


def test_variances_of_few_members_are_drawn_half_way_to_their_kinds() -> None:
    own = np.random.default_rng(3).standard_normal((5, 3)) * np.array([1.0, 2.0, 3.0])
    plan: Any = Stub(what=("action", "projection", "action"))
    covariance = sum(np.outer(one, one) for one in own) / 4.0
    variance = np.diag(covariance)
    pair = (variance[0] + variance[2]) / 2.0
    wanted = np.array([0.5 * (variance[0] + pair), variance[1], 0.5 * (variance[2] + pair)])
    found = _shrunk(own, plan)
    np.testing.assert_allclose(np.diag(found), wanted)
    apart = np.sqrt(np.diag(found))
    likeness = covariance / np.sqrt(np.outer(variance, variance))
    np.testing.assert_allclose(found / np.outer(apart, apart), likeness)
    assert (_shrunk(own[:1], plan) == np.zeros((3, 3))).all() and _shrunk(own[:2], plan).any()
    assert (_shrunk(np.zeros((4, 3)), plan) == 0.0).all()


# ---- slips ---------------------------------------------------------------------------------------------------------


def made_ways() -> Ways:
    return ways_of(noise(), DOUBT, REACH)


def sound_law(slip: Array, one: Array, scale: float, doubtful: Array, shift: Array, stayed: Array) -> float:
    """Logarithm of: slips of the doubtful by an even density, the rest by the normal law of what is left."""
    out = slip.astype(bool) & doubtful
    on = np.flatnonzero(~out)
    log = float(np.sum(np.log(DOUBT[out] / (2.0 * REACH[out]))) + np.sum(np.log(1.0 - DOUBT[doubtful & ~out])))
    own = LAW + stayed + np.diag(TOOL**2) + scale**2 * WEATHER[:4, :4]
    return log + (float(multivariate_normal.logpdf((one - shift)[on], cov=own[np.ix_(on, on)])) if on.size else 0.0)


def test_every_way_is_its_chance_times_its_normal_law() -> None:
    """What slipped is out of the normal law; a way less likely than a thousandth is left out."""
    made, (middle, stayed) = made_ways(), stays_by_hand()
    assert sorted(map(tuple, made.slip)) == sorted(product((0.0, 1.0), repeat=4)) and not made.stayed.size
    assert list(made.doubtful) == [2, 3, 0, 1]
    every = np.full(4, True)
    expected = np.array([
        [sound_law(slip, one, swing / SWING, every, middle, stayed) for slip in made.slip]
        for one, swing in zip(RESIDUAL, SWINGS, strict=True)
    ])  # fmt: skip
    np.testing.assert_allclose(made.each(RESIDUAL, SWINGS), expected)
    whole = np.log(np.exp(expected).sum(axis=1))
    np.testing.assert_allclose(made.log_density(RESIDUAL, SWINGS), whole)
    share = np.exp(expected - whole[:, None])
    np.testing.assert_allclose(made.likely(RESIDUAL, SWINGS), share)
    np.testing.assert_allclose(made.chances(RESIDUAL, SWINGS), share.mean(axis=0) @ made.slip)
    mean = share.mean(axis=0)
    likely = np.flatnonzero(mean > 0.001)
    assert 0 < len(likely) < 16
    kept = made.pruned(mean)
    np.testing.assert_array_equal(kept.slip, made.slip[likely])
    np.testing.assert_allclose(kept.each(RESIDUAL, SWINGS), expected[:, likely])
    for place, reading in enumerate(made.doubtful):
        slips = np.flatnonzero(made.slip[:, reading])
        own = mean[slips] / mean[slips].sum()
        np.testing.assert_array_equal(made.without(place, mean).slip, made.slip[slips[own > 0.001]])


def test_stays_are_ways_beside_slips_where_they_would_do_much() -> None:
    """Three in ten had lain in other air, the last three alternatives alike; seven came straight. Weighed where a stay
    does half of all else a reading may be away: the first visit's, not the second's; told once where all of the visit
    slipped. In parts of a million numbers the same."""
    random = np.random.default_rng(8)
    stays = 0.02 * random.standard_normal((10, 4))
    stays[7:, :2] += [[0.25, 0.2], [0.3, 0.35], [0.2, 0.3]]
    unsure = replace(UNSURE, stays=stays)
    own = Noise(unsure, TOOL, SLIP)
    made = ways_of(own, DOUBT, REACH)
    assert list(made.stayed) == [0, 1] and len(made.slip) == 16 + 12
    expected = np.zeros((3, 28))
    for way, (slip, lain) in enumerate(zip(made.slip, made.lain, strict=True)):
        shift, stayed = own.shift.copy(), own.stayed.copy()
        part = stays[7:] if lain[0] else stays[:7]
        assert lain[0] == lain[1] and not lain[2:].any()
        shift[:2] = part[:, :2].mean(axis=0)
        stayed[:2, :2] = np.cov(part[:, :2].T, bias=True)
        gone = slip[0] == slip[1] == 1.0
        assert not (gone and lain[0])
        before = 0.0 if gone else np.log(0.3 if lain[0] else 0.7)
        for at, (one, swing) in enumerate(zip(RESIDUAL, SWINGS, strict=True)):
            expected[at, way] = before + sound_law(slip, one, swing / SWING, np.full(4, True), shift, stayed)
    np.testing.assert_allclose(made.each(RESIDUAL, SWINGS), expected)
    many = np.tile(RESIDUAL, (3000, 1))
    np.testing.assert_allclose(made.each(many, np.tile(SWINGS, 3000))[-3:], expected)
    share = np.exp(expected) / np.exp(expected).sum(axis=1, keepdims=True)
    after = made.stays(RESIDUAL, SWINGS)
    lain = float(share.mean(axis=0) @ made.lain[:, 0])
    np.testing.assert_allclose(after[:, 0], [(1.0 - lain) / 7.0] * 7 + [lain / 3.0] * 3)
    np.testing.assert_allclose(after[:, 2:], own.stays_after(RESIDUAL)[:, 2:])
    # what a stay does against what came straight: just below and above half of tool, law and weather
    size = np.sqrt(TOOL[2] ** 2 + LAW[2, 2] + WEATHER[2, 2])
    for by, weighed in ((0.49, []), (0.51, [2])):
        one = np.zeros((10, 4))
        one[7:, 2] = by * size
        flat = ways_of(Noise(replace(UNSURE, stays=one), TOOL, SLIP), DOUBT, REACH)
        assert list(flat.stayed) == weighed


def test_readings_that_are_not_weighed_in_every_way_count_by_their_chance() -> None:
    """Of eight, six: the two least doubted keep their chance, and theirs is told from the others' regression."""
    count = 8
    unsure = Unsure(np.zeros((1, count)), np.arange(count), spread_of(count, 4, 0.05), np.zeros((count, count)), 1.0)
    slip = np.array([0.2, 0.3, 0.01, 0.4, 0.5, 0.02, 0.6, 0.7])
    own = Noise(unsure, np.full(count, 0.05), slip)
    doubt, reach = np.full(count, 0.15), np.full(count, 1.1)
    made = ways_of(own, doubt, reach)
    assert set(made.doubtful) == set(range(8)) - {2, 5} and len(made.slip) == 64
    assert (made.slip[:, 2] == 0.01).all() and (made.slip[:, 5] == 0.02).all()
    residual, swing = 0.1 * np.random.default_rng(5).standard_normal((3, count)), np.ones(3)
    # of the two the errors are wider by their chance: sd^2 / (1 - chance) in place of sd^2
    wide = own.inflated * np.isin(np.arange(count), (2, 5))
    assert (wide[[2, 5]] > 0.0).all()
    densities = [
        multivariate_normal.logpdf(residual[0, on], cov=(unsure.law + np.diag(0.05**2 + wide))[np.ix_(on, on)])
        + (way[made.doubtful] * np.log(0.15 / 2.2) + (1.0 - way[made.doubtful]) * np.log(0.85)).sum()
        for way, on in zip(made.slip, made.slip < 0.5, strict=True)
    ]
    each = made.each(residual, swing)[0]
    np.testing.assert_allclose(each - each[0], np.array(densities) - densities[0], atol=1e-9)
    away, variance = own.left_out(residual)
    sound = 0.85 * norm.pdf(away, scale=np.sqrt(variance))
    chance = (0.15 / 2.2 / (0.15 / 2.2 + sound)).mean(axis=0)
    assert made.chances(residual, swing)[[2, 5]] == pytest.approx(chance[[2, 5]])
    alone = np.log(sound + 0.15 / 2.2)
    np.testing.assert_allclose(mixture(away, np.sqrt(variance), doubt, reach), alone)
    np.testing.assert_allclose(slip_chance(away, np.sqrt(variance), doubt, reach), chance)
    # ways times readings squared stay within 10,000: 2 at 60, 1 at 100
    sizes = [(16, 5), (25, 4), (60, 1), (71, 0), (101, 0)]
    for many, doubtful in sizes:
        flat = Unsure(np.zeros((1, many)), np.arange(many), np.eye(many), np.zeros((many, many)), 1.0)
        fitted = ways_of(Noise(flat, np.ones(many), np.full(many, 0.1)), np.full(many, 0.1), np.ones(many))
        assert fitted.doubtful.size == doubtful, many


def test_chances_beforehand_and_how_far_a_slip_reaches() -> None:
    """A tenth, nine in ten where a step asked for a second look; a quarter of that step (5 mm; relief 1 mm) and two
    uncertainties."""
    rows = (
        ReadingRow(date(2027, 1, 1), "action", 2.4, 0.05, ""),
        ReadingRow(date(2027, 1, 1), "relief", 0.3, 0.02, "", doubt="a step"),
    )
    value, sd, doubt = slip_of(rows)
    assert (list(value), list(sd), list(doubt)) == ([2.4, 0.3], [0.05, 0.02], [0.1, 0.9])
    np.testing.assert_allclose(slip_reach(rows), [1.25 + 0.1, 0.25 + 0.04])


def test_slips_of_one_cause_or_of_most_readings_are_called_less() -> None:
    """One by itself is called by its odds; four of six are sooner one thing wrong: one guitar in ten, against a tenth
    for each slip and 0.9, six times as dense, for each sound one."""
    rows = tuple(ReadingRow(date(2027, 1, 1 + day), "action", 2.4, 0.05, "") for day in range(6))
    apart = np.array([1.0, -3.0, 5.0, -7.0, 9.0, -11.0])
    alone = called_slips(rows, np.array([0.8, 0.0, 0.0, 0.0, 0.0, 0.0]), apart)
    alone_odds = odds = 4.0
    np.testing.assert_allclose(alone, [odds / (1.0 + odds), 0.0, 0.0, 0.0, 0.0, 0.0], rtol=1e-3)
    two, four = (called_slips(rows, np.array([1.0] * count + [0.0] * (6 - count)), apart) for count in (2, 4))
    assert two[:2].min() > 0.95 and two[2:].max() == 0.0
    np.testing.assert_allclose(four[:4], 1.0 / (1.0 + 0.1 * 1e4 / 5.4**2), rtol=1e-6)
    # two away by 1.0 and 1.3 mm: by one cause in twenty, with one of five others, alike to 0.3 mm; not so of one visit
    pair, chance = np.array([1.0, 1.3, 5.0, -7.0, 9.0, -11.0]), np.array([0.8, 0.8, 0.0, 0.0, 0.0, 0.0])
    cause = 0.01 * 0.8 * np.exp(-0.5) / (0.3 * np.sqrt(2.0 * np.pi)) * 2.7 / 0.1**2
    odds /= 1.0 + cause
    np.testing.assert_allclose(called_slips(rows, chance, pair)[:2], odds / (1.0 + odds), rtol=0.02)
    visit = (rows[0], replace(rows[1], date=rows[0].date), *rows[2:])
    weighed = (rows[0], replace(rows[1], what="projection"), *rows[2:])
    for each in (visit, weighed):
        assert called_slips(each, chance, pair)[0] == pytest.approx(alone_odds / (1.0 + alone_odds), rel=0.02)
    assert called_slips((), np.zeros(0), np.zeros(0)).size == 0


# ---- a sudden step -------------------------------------------------------------------------------------------------


def test_a_step_is_one_more_normal_law_at_each_gap() -> None:
    """Its size normal with 0.15 mm: the readings' covariance gets size^2 times its shape's outer product."""
    made, middle = made_ways(), stays_by_hand()[0]
    shapes = np.array([[0.0, 1.0, 1.0, -2.0], [0.0, 0.0, 1.0, 1.0]])
    gain, size, variance = steps._stepped(made, 0, shapes, np.full(2, 0.15), RESIDUAL, SWINGS)
    for at, (one, swing) in enumerate(zip(RESIDUAL, SWINGS, strict=True)):
        covariance = dense(np.zeros(4), swing / SWING)
        for gap, shape in enumerate(shapes):
            wider = covariance + 0.15**2 * np.outer(shape, shape)
            known = one - middle
            more = multivariate_normal.logpdf(known, cov=wider) - multivariate_normal.logpdf(known, cov=covariance)
            assert gain[at, gap] == pytest.approx(more)
            slope = 0.15**2 * shape @ np.linalg.inv(wider)
            assert size[at, gap] == pytest.approx(slope @ known)
            assert variance[at, gap] == pytest.approx(0.15**2 - slope @ shape * 0.15**2)


def test_a_step_is_found_where_it_fell_and_none_where_there_is_none() -> None:
    """A guitar of which all else is known: the factor is the mean over gaps of what a step there makes of the readings,
    all ways of slips counted."""
    days = [date(2027, 1, 10), date(2027, 3, 1), date(2027, 6, 1), date(2027, 9, 1), date(2027, 9, 1), date(2028, 1, 1)]
    kinds = ["action", "projection", "action", "action_bass", "relief", "action"]
    rows = tuple(ReadingRow(day, what, 2.0, 0.05, "") for day, what in zip(days, kinds, strict=True))
    effect = np.array([1.0, -2.0, 1.0, 1.0, 0.0, 1.0])
    unsure = Unsure(np.zeros((1, 6)), np.arange(6), np.zeros((6, 6)), np.zeros((6, 6)), 1.0)
    own = ways_of(Noise(unsure, np.full(6, 0.05), np.full(6, 0.1)), np.full(6, 0.1), np.full(6, 1.3))
    noisy = np.array([0.01, -0.02, 0.02, 0.0, 0.01, -0.01])
    for size in (0.12, 0.5, 0.0):
        values = 2.0 + noisy + size * effect * np.array([0, 0, 1, 1, 1, 1])
        start = np.random.default_rng(1).standard_normal((500, 2))
        residual = (values - 2.0)[None, :]
        plain = float(own.log_density(residual, np.ones(1))[0])
        posterior: Any = Stub(
            readings=rows, values_read=values, ways=own, start=start, bench=Stub(scenario=Stub(seed=4)),
            expected=lambda normals: np.full((len(normals), 6), 2.0), swing=lambda normals: np.ones(len(normals)),
            sampled=Stub(normals=start[:50], log_evidence=plain),
        )  # fmt: skip
        told = steps.lasting_step(posterior)
        assert told is not None
        each = []
        for first in (1, 2, 3, 5):
            shape = effect * (np.arange(6) >= first)
            density = 0.0
            for slip in product((False, True), repeat=6):
                off = ~np.array(slip)
                chance = 0.9 ** off.sum() * (0.1 / 2.6) ** (~off).sum()
                for sd, share in ((0.15, 0.8), (0.6, 0.2)):
                    wide = np.diag(np.full(off.sum(), 0.05**2)) + sd**2 * np.outer(shape[off], shape[off])
                    pdf = multivariate_normal.pdf(residual[0, off], cov=wide) if off.any() else 1.0
                    density += share * chance * pdf
            each.append(density)
        factor = min(np.log(np.mean(each)) - plain, np.log(500))  # no surer than one particle of 500
        assert told.log_factor == pytest.approx(factor, abs=0.03)
        assert told.told == bool(size) and told.told == (told.log_factor > 0.1)
        gap = int(np.argmax(each))
        visits = [days[0], days[1], days[2], days[3], days[5]]
        assert told.between == (visits[gap], visits[gap + 1]) and told.that_gap == pytest.approx(
            each[gap] / sum(each), abs=0.02
        )
        if size == 0.12:
            # three readings of the action after it, 0.123 on the mean: with a step's 0.15 mm 0.119, sd 0.028
            assert told.between == (days[1], days[2]) and told.action_mm[1] == pytest.approx(0.119, abs=0.008)
            assert told.action_mm[2] - told.action_mm[0] == pytest.approx(2.0 * 1.2816 * 0.0283, rel=0.15)
        if size == 0.5:  # what comes after a step is no slip once the step is taken off

            def stepped(cloud: Array, ways: Ways) -> Any:
                return tuple(np.tile(part, (len(cloud), len(ways.slip), 1)) for part in ([-50.0, 0.0], [0.0, 0.5], 0.0))

            after = steps._ways(posterior, np.stack([np.zeros(6), effect * (np.arange(6) >= 2)]), stepped)
            assert after.noise.slip.max() < 0.1
        three = [place for place, day in enumerate(days) if day != days[0] and day != days[1]]
        few = Stub(**{**vars(posterior), "readings": tuple(rows[place] for place in three)})
        assert steps.lasting_step(few) is None
