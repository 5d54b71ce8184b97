"""Slips of hand: readings that may be off by anything, and every way the most doubtful of them may be slips or sound.

Readings' errors hang together (`unsure.Noise`), so that one slip makes its neighbours look wrong. The likelihood is
therefore the sum over the ways: in each, sound readings have the normal law, and a slip may be off by anything, so that
it says nothing: how wild it is does not matter. The rest, which are hardly in doubt, count by their chance to be sound.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import product

import numpy as np
from numpy.typing import NDArray

from driftmodel.calibration.records import QUANTITIES, ReadingRow
from driftmodel.calibration.unsure import SURELY, Noise

Array = NDArray[np.float64]

#: one reading in ten is a slip (from memory); it may be off by anything, as densely as if all were off by less than a
#: quarter of the step that asks for a second look
SLIP_SHARE, SLIP_REACH = 0.10, 0.25
#: a reading a step away from the one before is a slip until others bear it out
DOUBTFUL_SLIP_SHARE = 0.9
#: a reading more likely a slip than not is told as one
SLIP_TOLD = 0.5
#: most readings that are weighed in every way, and the cost allowed: ways times readings squared
MOST_DOUBTFUL, MOST_COST = 6, 10_000
#: a reading with so many others that alone would move what is asked about by more than this, mm, counts as so much more
#: likely a slip beforehand; it holds for wild readings, not for each that is half in doubt (docs/learning.md)
LEAST_OTHERS, MOST_MOVED = 4, 0.1
#: a way less likely than this is left out where rivals are weighed
LEAST_LIKELY = 1e-3


def slip_of(readings: tuple[ReadingRow, ...]) -> tuple[Array, Array, Array]:
    """Values, uncertainties and chances of a slip beforehand, (readings,) each."""
    slip = [DOUBTFUL_SLIP_SHARE if one.doubt else SLIP_SHARE for one in readings]
    return np.array([one.value for one in readings]), np.array([one.sd for one in readings]), np.array(slip)


def slip_reach(readings: tuple[ReadingRow, ...]) -> Array:
    """How far off slips would lie if they had a bound, (readings,): their density is the same at any size."""
    return np.array([SLIP_REACH * QUANTITIES[one.what].doubtful_step + 2.0 * one.sd for one in readings])


def mixture(residual: Array, sd: Array, doubt: Array, reach: Array) -> Array:
    """Logarithm of the density of residuals (particles, readings), each by itself: a normal, or with some chance
    anything."""
    return np.asarray(np.logaddexp(*_two_laws(residual, sd, doubt, reach)))


def slip_chance(residual: Array, sd: Array, doubt: Array, reach: Array) -> Array:
    """Probability of each reading by itself being a slip, mean over the particles, (readings,)."""
    sound, wild = _two_laws(residual, sd, doubt, reach)
    return np.asarray(np.exp(wild - np.logaddexp(sound, wild)).mean(axis=0))


def _two_laws(residual: Array, sd: Array, doubt: Array, reach: Array) -> tuple[Array, Array]:
    return np.log1p(-doubt) + _log_normal(residual, sd), np.log(doubt) - np.log(2.0 * reach)


def _log_normal(residual: Array, sd: Array) -> Array:
    return np.asarray(-0.5 * (residual / sd) ** 2 - np.log(sd) - 0.5 * np.log(2.0 * np.pi))


@dataclass(frozen=True)
class Ways:
    """The likelihood over all ways. noise: with the chance of each reading to be a slip. slip (ways, readings): 1 for a
    slip, 0 for sound, between for what is not weighed in every way; doubtful (readings,): what is."""

    noise: Noise
    slip: Array
    doubtful: NDArray[np.intp]
    doubt: Array
    reach: Array
    noises: tuple[Noise, ...]

    def each(self, residual: Array, swing: Array) -> Array:
        """Logarithm of the density of residuals (n, readings) of particles with such a swing, for each way,
        (n, ways)."""
        away = (residual - self.noise.shift)[:, self.doubtful]
        doubt, own = self.doubt[self.doubtful], self.noise.own_doubt[self.doubtful]
        # a slip stands in the normal law with next to no weight; its own law takes the place of that
        wild = np.log(doubt / (2.0 * self.reach[self.doubtful])) - _log_normal(away, np.sqrt(own / SURELY))
        sound = np.log1p(-doubt)
        slip = self.slip[:, self.doubtful]
        normal = np.stack([one.log_density(residual, swing) for one in self.noises], axis=1)
        return np.asarray(normal + wild @ slip.T + (1.0 - slip) @ sound)

    def log_density(self, residual: Array, swing: Array) -> Array:
        """Logarithm of the density of residuals, all ways together, (n,)."""
        return np.asarray(np.logaddexp.reduce(self.each(residual, swing), axis=1))

    def likely(self, residual: Array, swing: Array) -> Array:
        """How likely each way is for each particle, (n, ways)."""
        each = self.each(residual, swing)
        return np.asarray(np.exp(each - np.logaddexp.reduce(each, axis=1)[:, None]))

    def pruned(self, likely: Array) -> Ways:
        """Without the ways that are all but impossible."""
        kept = np.flatnonzero(likely > LEAST_LIKELY)
        return replace(self, slip=self.slip[kept], noises=tuple(self.noises[place] for place in kept))

    def chances(self, residual: Array, swing: Array) -> Array:
        """Probability of each reading being a slip, (readings,)."""
        away, variance = self.noise.left_out(residual)
        found = slip_chance(away, np.sqrt(variance), self.doubt, self.reach)
        found[self.doubtful] = self.likely(residual, swing).mean(axis=0) @ self.slip[:, self.doubtful]
        return found

    def held_back(self, residual: Array, swing: Array, answer: Array) -> Ways:
        """The same with a slip so much more likely beforehand that no doubtful reading by itself moves the mean of an
        answer (n,) by more than MOST_MOVED against leaving it out; it must have LEAST_OTHERS others.

        Particles weighed by the chance that a reading is a slip are those without it, by the chance that it is sound
        those it is sure of; what it moves is their distance times the chance that it is sound.
        """
        if self.doubt.size <= LEAST_OTHERS:
            return self
        slip = self.likely(residual, swing) @ self.slip[:, self.doubtful]
        chance = np.clip(slip.mean(axis=0), 1e-6, 1.0 - 1e-6)
        apart = np.abs(answer @ (1.0 - slip) / (1.0 - chance) - answer @ slip / chance) / len(answer)
        wanted = np.maximum(1.0 - MOST_MOVED / np.maximum(apart, MOST_MOVED), chance)
        before = self.doubt[self.doubtful]
        odds = before / (1.0 - before) * wanted / (1.0 - wanted) * (1.0 - chance) / chance
        doubt = self.doubt.copy()
        doubt[self.doubtful] = odds / (1.0 + odds)
        return replace(self, doubt=doubt)


def ways_of(noise: Noise, doubt: Array, reach: Array) -> Ways:
    """All ways the most doubtful readings of a noise may be slips or sound."""
    count = noise.slip.size
    fit = int(np.log2(max(MOST_COST / max(count, 1) ** 2, 1.0)))
    doubtful = np.argsort(-noise.slip, kind="stable")[: min(MOST_DOUBTFUL, fit, count)]
    slip = np.tile(noise.slip, (2**doubtful.size, 1))
    slip[:, doubtful] = np.array(list(product((0.0, 1.0), repeat=doubtful.size))).reshape(len(slip), doubtful.size)
    noises = tuple(Noise(noise.unsure, noise.tool_sd, one, noise.likely) for one in slip)
    return Ways(noise, slip, doubtful, doubt, reach, noises)
