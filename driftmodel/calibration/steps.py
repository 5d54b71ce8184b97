"""A sudden lasting step: a joint that slipped, a brace that let go. A rival told beside "settles faster".

Between two visits the saddle over the fret plane jumps and stays. Neither day nor size is known: the size is normal
with STEP_SD_MM of action, every gap between visits is as likely, and both are integrated out in closed form, so
that the rival is one more likelihood for the same sampler, over the same ways readings may be slips. Its evidence
against that of no step is the Bayes factor (Kass and Raftery 1995, Journal of the American Statistical Association 90,
773-795).
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

import numpy as np
from numpy.typing import NDArray

from driftmodel.calibration.fit import Posterior
from driftmodel.calibration.outcomes import quantiles
from driftmodel.calibration.sampler import sample
from driftmodel.calibration.slips import Ways
from driftmodel.outlook.draws import WIDEST_SD

Array = NDArray[np.float64]

#: what a joint that slips by 0.02 to 0.2 degree does to the action, mm (from memory)
STEP_SD_MM = 0.15
#: a step is told, as a thing to look at, when the readings are more probable with one: logarithm of how many times. How
#: often a step of 0.05 degree is told, and one where there is none, stands in docs/learning.md
STEP_TOLD = 0.0
#: visits fewer than these cannot tell a step
LEAST_VISITS = 4
PARTICLES = 500


@dataclass(frozen=True)
class Step:
    """A lasting step as a rival: log_factor says how many times as probable (logarithm) it makes the readings; told
    when that is STEP_TOLD. between: the visits it most likely fell between, that_gap: how likely; action_mm: its size,
    10, 50 and 90 % points, + higher."""

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
    seed, values = posterior.bench.scenario.seed + 3, posterior.values_read

    def found(normals: Array, ways: Ways) -> tuple[Array, Array, Array]:
        """For each particle, way and gap: how likely it makes the readings (logarithm), a step's mean and variance."""
        residual, swing = values - posterior.expected(normals), posterior.swing(normals)
        each = ways.each(residual, swing)
        stepped = [_stepped(ways, way, shapes, residual, swing) for way in range(len(ways.slip))]
        gain, size, spread = (np.stack(part, axis=1) for part in zip(*stepped, strict=True))
        return each[:, :, None] + gain - np.log(len(shapes)), size, spread

    # a step makes ways likely that are not without one, in which all that comes after it is sound
    whole = np.logaddexp.reduce(found(posterior.sampled.normals[:particles], posterior.ways)[0], axis=2)
    ways = posterior.ways.pruned(np.exp(whole - np.logaddexp.reduce(whole, axis=1)[:, None]).mean(axis=0))

    def log_likelihood(normals: Array) -> Array:
        return np.asarray(np.logaddexp.reduce(found(normals, ways)[0], axis=(1, 2)))

    sampled = sample(log_likelihood, posterior.start[:particles], seed, WIDEST_SD)
    factor = sampled.log_evidence - posterior.sampled.log_evidence
    each, size, spread = found(sampled.normals, ways)
    odds = np.exp(each - each.max(axis=(1, 2), keepdims=True)).reshape(len(each), -1)
    odds /= odds.sum(axis=1, keepdims=True)
    share = odds.reshape(each.shape).sum(axis=1)
    gap = int(np.argmax(share.mean(axis=0)))
    random = np.random.default_rng(seed)
    chosen = np.array([random.choice(odds.shape[1], p=one) for one in odds])
    rows = np.arange(len(odds))
    size, spread = (part.reshape(odds.shape)[rows, chosen] for part in (size, spread))
    drawn = size + np.sqrt(spread) * random.standard_normal(len(odds))
    return Step(
        factor,
        factor > STEP_TOLD,
        (days[gap], days[gap + 1]),
        float(share.mean(axis=0)[gap]),
        quantiles(drawn),
    )


def _effect(what: str) -> float:
    """What a step of 1 mm of action does to a reading."""
    return 1.0 if what.startswith("action") else {"projection": -2.0}.get(what, 0.0)


def _stepped(ways: Ways, way: int, shapes: Array, residual: Array, swing: Array) -> tuple[Array, Array, Array]:
    """For each particle and gap, in one way: logarithm of how much more probable a step there makes the residuals, its
    size's mean and its variance, (n, gaps) each."""
    scale = (swing / ways.noise.unsure.swing)[:, None] ** 2
    spread = 1.0 + scale * ways.sizes[way]
    shape = shapes @ ways.whiten[way].T
    known = (residual - ways.shift[way]) @ ways.whiten[way].T
    informed = (1.0 / spread) @ (shape**2).T
    pulled = (known / spread) @ shape.T
    variance = 1.0 / (1.0 / STEP_SD_MM**2 + informed)
    gain = 0.5 * pulled**2 * variance + 0.5 * np.log(variance / STEP_SD_MM**2)
    return gain, variance * pulled, variance
