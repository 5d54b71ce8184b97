"""A sudden lasting step: a joint that slipped, a brace that let go. A rival told beside "settles faster".

Between two visits the saddle over the fret plane jumps and stays. Neither day nor size is known: the size is normal
with STEP_SD_MM of action, every gap between visits is as likely, and both are integrated out in closed form, so
that the rival is one more likelihood for the same sampler. Its evidence against that of no step is the Bayes factor
(Kass and Raftery 1995, Journal of the American Statistical Association 90, 773-795); what the other model takes for
slips must be paid for as slips by both.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

import numpy as np
from numpy.typing import NDArray

from driftmodel.calibration.fit import Posterior, slip_chance, slip_of, slip_reach, two_laws
from driftmodel.calibration.outcomes import quantiles
from driftmodel.calibration.sampler import sample
from driftmodel.calibration.unsure import Noise
from driftmodel.outlook.draws import WIDEST_SD

Array = NDArray[np.float64]

#: what a joint that slips by 0.02 to 0.2 degree does to the action, mm (from memory)
STEP_SD_MM = 0.15
#: a step is told, as a thing to look at, when the readings are this much (logarithm) more probable with one: a step of
#: 0.05 degree is then told about half the time with twelve visits, and one guitar in four without a step is looked at
STEP_TOLD = 0.25
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
    own, seed = posterior.noise, posterior.bench.scenario.seed + 3
    value, sd, doubt = slip_of(readings)
    reach = slip_reach(readings)
    start = posterior.start[:particles]
    noise = Noise(own.unsure, sd, np.minimum(own.slip, doubt), own.likely)
    for _ in range(2):

        def log_likelihood(normals: Array, noise: Noise = noise) -> Array:
            residual, swing = value - posterior.expected(normals), posterior.swing(normals)
            gain, _, _ = _stepped(noise, shapes, residual, swing)
            return noise.log_density(residual, swing) + _mean_of(gain)

        sampled = sample(log_likelihood, start, seed, WIDEST_SD)
        cloud = sampled.normals
        residual, swing = value - posterior.expected(cloud), posterior.swing(cloud)
        gain, size, spread = _stepped(noise, shapes, residual, swing)
        share = np.exp(gain - gain.max(axis=1, keepdims=True))
        share /= share.sum(axis=1, keepdims=True)
        with_step = residual - (share * size) @ shapes
        evidence = sampled.log_evidence + _paid(noise, with_step, doubt, reach)
        away, variance = noise.left_out(with_step)
        noise = Noise(own.unsure, sd, slip_chance(away, np.sqrt(variance), doubt, reach), own.likely)
    plain = posterior.sampled
    without = plain.log_evidence + _paid(own, value - posterior.expected(plain.normals), doubt, reach)
    factor = float(evidence - without)
    gap = int(np.argmax(share.mean(axis=0)))
    random = np.random.default_rng(seed)
    chosen = np.array([random.choice(len(shapes), p=one) for one in share])
    rows = np.arange(len(cloud))
    drawn = size[rows, chosen] + np.sqrt(spread[rows, chosen]) * random.standard_normal(len(cloud))
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


def _stepped(noise: Noise, shapes: Array, residual: Array, swing: Array) -> tuple[Array, Array, Array]:
    """For each particle and gap: logarithm of how much more probable a step there makes the residuals, its size's mean
    and its variance, (n, gaps) each."""
    scale = (swing / noise.unsure.swing)[:, None] ** 2
    spread = 1.0 + scale * noise.sizes
    shape = shapes @ noise.whiten.T
    known = (residual - noise.shift) @ noise.whiten.T
    informed = (1.0 / spread) @ (shape**2).T
    pulled = (known / spread) @ shape.T
    variance = 1.0 / (1.0 / STEP_SD_MM**2 + informed)
    gain = 0.5 * pulled**2 * variance + 0.5 * np.log(variance / STEP_SD_MM**2)
    return gain, variance * pulled, variance


def _mean_of(gain: Array) -> Array:
    """Logarithm of the mean over the gaps, (n,)."""
    top = gain.max(axis=1)
    return np.asarray(top + np.log(np.exp(gain - top[:, None]).mean(axis=1)))


def _paid(noise: Noise, residual: Array, doubt: Array, reach: Array) -> float:
    """What the chances of slips cost: the normal law of a reading that counts for little, put right to a slip's own."""
    away, variance = noise.left_out(residual)
    sd = np.sqrt(variance + noise.inflated)
    _, wild = two_laws(away, sd, doubt, reach)
    normal = -0.5 * (away / sd) ** 2 - np.log(sd) - 0.5 * np.log(2.0 * np.pi)
    slip = noise.slip
    return float(np.sum(np.mean(slip * (wild - normal) + (1.0 - slip) * np.log1p(-doubt), axis=0)))
