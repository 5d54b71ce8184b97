"""A sudden lasting step: a joint that slipped, a brace that let go. A rival told beside "settles faster".

Between two visits the saddle over the fret plane jumps and stays. Neither day nor size is known: the size is normal
with one of STEP_SD_MM of action, every gap between visits is as likely, and both are integrated out in closed form. No
step and one in any gap are weighed within one sampling, over all ways readings may be slips: how far the one is more
probable than the other is the Bayes factor (Kass and Raftery 1995, Journal of the American Statistical Association 90,
773-795)."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import date

import numpy as np

from driftmodel.base.schema import Array
from driftmodel.calibration.fit import Posterior
from driftmodel.calibration.outcomes import quantiles
from driftmodel.calibration.sampler import sample
from driftmodel.calibration.slips import Ways, shares_of, slip_chance, slip_of, summed, ways_of
from driftmodel.calibration.unsure import Noise
from driftmodel.outlook.draws import WIDEST_SD

#: what a joint that slips by 0.02 to 0.2 degree does to the action, mm, and one step in five that is larger, as where a
#: brace lets go (from memory)
STEP_SD_MM, STEP_SHARE = np.array([0.15, 0.6]), np.array([0.8, 0.2])
#: a step is told, as a thing to look at, when the readings are more probable with one: logarithm of how many times. How
#: often a step of 0.05 degree is told, and one where there is none, stands in docs/learning.md
STEP_TOLD = 0.1
#: visits fewer than these cannot tell a step
LEAST_VISITS = 4
PARTICLES = 500
#: particles and rounds in which it is found which readings are doubtful
SCOUTS, ROUNDS = 100, 2


@dataclass(frozen=True)
class Step:
    """A lasting step as a rival: log_factor says how many times as probable (logarithm, no more than the particles can
    tell) it makes the readings; told when that is STEP_TOLD. between: the visits it most likely fell between, that_gap:
    how likely; action_mm: its size, 10, 50 and 90 % points, + higher."""

    log_factor: float
    told: bool
    between: tuple[date, date]
    that_gap: float
    action_mm: tuple[float, float, float]


def lasting_step(posterior: Posterior, particles: int = PARTICLES) -> Step | None:
    """The rival of a posterior; None where there are fewer than LEAST_VISITS visits."""
    readings = posterior.readings
    days = sorted({one.date for one in readings if _effect(one.what) != 0.0})
    if len(days) < LEAST_VISITS:
        return None
    kinds = np.array([_effect(one.what) for one in readings])
    shapes = np.stack([kinds * np.array([one.date >= day for one in readings]) for day in days[1:]])
    # no step, as likely as all others together; then each gap with each spread of sizes
    before = np.log(np.append(1.0, np.outer(STEP_SHARE, np.full(len(shapes), 1.0 / len(shapes)))) / 2.0)
    sds = np.append(STEP_SD_MM[0], np.repeat(STEP_SD_MM, len(shapes)))
    shapes = np.concatenate([np.zeros((1, len(readings))), *[shapes] * STEP_SD_MM.size])
    seed, values = posterior.bench.scenario.seed + 3, posterior.values_read

    def found(normals: Array, ways: Ways) -> tuple[Array, Array, Array]:
        """For each particle, way and shape: how likely it makes the readings (logarithm), a step's mean and
        variance."""
        residual, swing = values - posterior.expected(normals), posterior.swing(normals)
        each = ways.each(residual, swing)
        stepped = [_stepped(ways, way, shapes, sds, residual, swing) for way in range(len(ways.slip))]
        gain, size, spread = (np.stack(part, axis=1) for part in zip(*stepped, strict=True))
        return each[:, :, None] + gain + before, size, spread

    ways = _ways(posterior, shapes, found)
    sampled = sample(lambda normals: summed(found(normals, ways)[0]), posterior.start[:particles], seed, WIDEST_SD)
    each, size, spread = found(sampled.normals, ways)
    odds = shares_of(each)
    share = odds.sum(axis=1).mean(axis=0)
    factor = float(np.log(share[1:].sum()) - np.log(max(share[0], 1.0 / particles)))
    gaps = share[1:].reshape(STEP_SD_MM.size, -1).sum(axis=0)
    gap = int(np.argmax(gaps))
    random = np.random.default_rng(seed)
    with_one = odds[:, :, 1:].reshape(len(odds), -1)
    rows = random.choice(len(odds), len(odds), p=with_one.sum(axis=1) / with_one.sum())
    chosen = np.array([random.choice(with_one.shape[1], p=one / one.sum()) for one in with_one[rows]])
    size, spread = (part[:, :, 1:].reshape(with_one.shape)[rows, chosen] for part in (size, spread))
    drawn = size + np.sqrt(spread) * random.standard_normal(len(odds))
    return Step(factor, factor > STEP_TOLD, (days[gap], days[gap + 1]), float(gaps[gap] / gaps.sum()), quantiles(drawn))


def _ways(posterior: Posterior, shapes: Array, found: Callable[[Array, Ways], tuple[Array, Array, Array]]) -> Ways:
    """The ways that are likely with a step or without: which readings are doubtful is asked anew, since what comes
    after a step is a slip only where there is none."""
    cloud = posterior.sampled.normals[:SCOUTS]
    residual, known = posterior.values_read - posterior.expected(cloud), posterior.ways.noise
    _, sd, doubt = slip_of(posterior.readings)
    slip = doubt
    for _ in range(ROUNDS):
        noise = Noise(known.unsure, sd, slip, known.likely)
        ways = ways_of(noise, doubt, posterior.ways.reach)
        each, size, _ = found(cloud, ways)
        odds = shares_of(each)
        away, variance = noise.left_out(residual - (odds * size).sum(axis=1) @ shapes)
        slip = slip_chance(away, np.sqrt(variance), doubt, posterior.ways.reach)
    likely = [shares_of(part).sum(axis=2).mean(axis=0) for part in (each[:, :, :1], each[:, :, 1:])]
    return ways.pruned(np.maximum(*likely))


def _effect(what: str) -> float:
    """What a step of 1 mm of action does to a reading."""
    return 1.0 if what.startswith("action") else {"projection": -2.0}.get(what, 0.0)


def _stepped(
    ways: Ways, way: int, shapes: Array, sds: Array, residual: Array, swing: Array
) -> tuple[Array, Array, Array]:
    """For each particle and shape, in one way: logarithm of how much more probable such a step, normal with sds
    (shapes,), makes the residuals, its size's mean and its variance, (n, shapes) each."""
    scale = (swing / ways.noise.unsure.swing)[:, None] ** 2
    spread = 1.0 + scale * ways.sizes[way]
    shape = shapes @ ways.whiten[way].T
    known = (residual - ways.shift[way]) @ ways.whiten[way].T
    informed = (1.0 / spread) @ (shape**2).T
    pulled = (known / spread) @ shape.T
    variance = 1.0 / (1.0 / sds**2 + informed)
    gain = 0.5 * pulled**2 * variance + 0.5 * np.log(variance / sds**2)
    return gain, variance * pulled, variance
