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

from driftmodel.base.schema import Array
from driftmodel.calibration.bench import STAYS
from driftmodel.calibration.records import QUANTITIES, ReadingRow
from driftmodel.calibration.unsure import Noise

#: one reading in ten is a slip (from memory); it may be off by anything, as densely as if all were off by less than a
#: quarter of the step that asks for a second look
SLIP_SHARE, SLIP_REACH = 0.10, 0.25
#: how often two readings are away by one cause, which leaves them so much alike, mm (from memory)
ONE_CAUSE, ALIKE_MM = 0.05, 0.3
#: how often one thing is wrong with all of a guitar's readings, or with what is known of it; and how many times as
#: dense a sound reading is where it lies as a slip (from memory)
WRONG_SHARE, SOUND_TIMES = 0.1, 6.0
#: a reading a step away from the one before is a slip until others bear it out
DOUBTFUL_SLIP_SHARE = 0.9
#: a reading more likely a slip than not is told as one
SLIP_TOLD = 0.5
#: most readings that are weighed in every way, and the cost allowed: ways times readings squared; most ways with stays
MOST_DOUBTFUL, MOST_COST, MOST_WAYS = 6, 10_000, 750
#: a stay is weighed in every way where it would do so much to a reading, in standard deviations of all else
NOTABLE = 0.5
#: alternatives of a blank by whether it lay in other air, each set adding up to 1, and how often it did
LAY = np.array([1.0 if hours > 0.0 else 0.0 for hours in STAYS])
STAY_SHARE = float(LAY.mean())
LAY, STRAIGHT = LAY / LAY.sum(), (1.0 - LAY) / (1.0 - LAY).sum()
#: numbers held at once, and readings so few that products of their variances are safe
AT_ONCE, FEW = 1_000_000, 30
#: a way that is less likely than this is left out
LEAST_LIKELY = 1e-3


def slip_of(readings: tuple[ReadingRow, ...]) -> tuple[Array, Array, Array]:
    """Values, uncertainties and chances of a slip beforehand, (readings,) each."""
    slip = [DOUBTFUL_SLIP_SHARE if one.doubt else SLIP_SHARE for one in readings]
    return np.array([one.value for one in readings]), np.array([one.sd for one in readings]), np.array(slip)


def slip_reach(readings: tuple[ReadingRow, ...]) -> Array:
    """How far off slips would lie if they had a bound, (readings,): their density is the same at any size."""
    return np.array([SLIP_REACH * QUANTITIES[one.what].doubtful_step + 2.0 * one.sd for one in readings])


def called_slips(readings: tuple[ReadingRow, ...], chance: Array, away: Array) -> Array:
    """Chance of each reading to be a slip of hand, (readings,), by the one it is weighed with and how far it is away:
    readings of two days that are away alike have sooner one cause; and where most would be slips, one thing wrong with
    all is likelier than so many."""
    odds = chance / np.maximum(1.0 - chance, 1e-12)
    days, kinds = (
        np.array(each) for each in ([one.date.toordinal() for one in readings], [one.what for one in readings])
    )
    others = (days[:, None] != days) & (kinds[:, None] == kinds)
    alike = others * np.exp(_log_normal(away[:, None] - away, np.full(1, ALIKE_MM)))
    causes = ONE_CAUSE / max(len(readings) - 1, 1) * (alike @ chance) * 2.0 * slip_reach(readings) / SLIP_SHARE**2
    odds = odds / (1.0 + causes)
    called, doubt = odds / (1.0 + odds), slip_of(readings)[2]
    sound = (1.0 - called) @ np.log((1.0 - doubt) * SOUND_TIMES)
    return np.asarray(called / (1.0 + WRONG_SHARE * np.exp(-called @ np.log(doubt) - sound)))


def mixture(residual: Array, sd: Array, doubt: Array, reach: Array) -> Array:
    """Logarithm of the density of residuals (particles, readings), each by itself: a normal, or with some chance
    anything."""
    return np.asarray(np.logaddexp(*_two_laws(residual, sd, doubt, reach)))


def slip_chance(residual: Array, sd: Array, doubt: Array, reach: Array) -> Array:
    """Probability of each reading by itself being a slip, mean over the particles, (readings,)."""
    sound, wild = _two_laws(residual, sd, doubt, reach)
    return np.asarray(np.exp(wild - np.logaddexp(sound, wild)).mean(axis=0))


def summed(each: Array) -> Array:
    """Logarithm of the sum of what logarithms (n, ...) are of, (n,)."""
    flat = each.reshape(len(each), -1)
    top = flat.max(axis=1)
    return np.asarray(top + np.log(np.exp(flat - top[:, None]).sum(axis=1)))


def shares_of(each: Array) -> Array:
    """The part each has of the sum of what logarithms (n, ...) are of, of the same shape."""
    return np.asarray(np.exp(each - summed(each).reshape(-1, *[1] * (each.ndim - 1))))


def _two_laws(residual: Array, sd: Array, doubt: Array, reach: Array) -> tuple[Array, Array]:
    return np.log1p(-doubt) + _log_normal(residual, sd), np.log(doubt) - np.log(2.0 * reach)


def _log_normal(residual: Array, sd: Array) -> Array:
    return np.asarray(-0.5 * (residual / sd) ** 2 - np.log(sd) - 0.5 * np.log(2.0 * np.pi))


@dataclass(frozen=True)
class Ways:
    """The likelihood over all ways. noise: with the chance of each reading to be a slip. slip (ways, readings): 1 for a
    slip, 0 for sound, between for what is not weighed in every way; lain: 1 where it had lain in other air before, 0
    where it came straight; stays_before (ways,): how likely that is beforehand (logarithm). doubtful, stayed: the
    readings of which either is weighed. shift, whiten, sizes, log_det: as
    of a noise, for each way."""

    noise: Noise
    slip: Array
    lain: Array
    stays_before: Array
    doubtful: NDArray[np.intp]
    stayed: NDArray[np.intp]
    doubt: Array
    reach: Array
    shift: Array
    whiten: Array
    sizes: Array
    log_det: Array

    @property
    def before(self) -> Array:
        """Logarithm of how likely each way is beforehand, with the density of its slips, (ways,)."""
        doubt, slip = self.doubt[self.doubtful], self.slip[:, self.doubtful]
        density = np.log(doubt / (2.0 * self.reach[self.doubtful])) + 0.5 * np.log(2.0 * np.pi)
        return np.asarray(slip @ density + (1.0 - slip) @ np.log1p(-doubt) + self.stays_before)

    def each(self, residual: Array, swing: Array) -> Array:
        """Logarithm of the density of residuals (n, readings) of particles with such a swing, for each way,
        (n, ways)."""
        ways, count = self.slip.shape
        at_once = max(AT_ONCE // max(ways * count, 1), 1)
        if len(residual) > at_once:
            parts = range(0, len(residual), at_once)
            return np.concatenate([self.each(residual[p : p + at_once], swing[p : p + at_once]) for p in parts])
        scale = (swing / self.noise.unsure.swing)[:, None, None] ** 2
        flat = self.whiten.transpose(2, 0, 1).reshape(count, ways * count)
        known = (residual @ flat).reshape(len(residual), ways, count) - np.einsum("wij,wj->wi", self.whiten, self.shift)
        spread = 1.0 + scale * self.sizes
        wide = np.log(spread).sum(axis=2) if count > FEW else np.log(spread.prod(axis=2))
        fit = np.sum(known**2 / spread, axis=2) + wide + self.log_det + count * np.log(2.0 * np.pi)
        return np.asarray(self.before - 0.5 * fit)

    def log_density(self, residual: Array, swing: Array) -> Array:
        """Logarithm of the density of residuals, all ways together, (n,)."""
        return summed(self.each(residual, swing))

    def likely(self, residual: Array, swing: Array) -> Array:
        """How likely each way is for each particle, (n, ways)."""
        return shares_of(self.each(residual, swing))

    def only(self, kept: NDArray[np.intp]) -> Ways:
        """Some of the ways."""
        names = ("slip", "lain", "stays_before", "shift", "whiten", "sizes", "log_det")
        return replace(self, **{name: getattr(self, name)[kept] for name in names})

    def pruned(self, likely: Array) -> Ways:
        """Without the ways that are all but impossible; likely (ways,): how likely each is."""
        return self.only(np.flatnonzero(likely > LEAST_LIKELY))

    def without(self, place: int, likely: Array) -> Ways:
        """The ways in which the doubtful reading `place` is a slip, pruned: what the others say."""
        slip = np.flatnonzero(self.slip[:, self.doubtful[place]] == 1.0)
        return self.only(slip).pruned(likely[slip] / likely[slip].sum())

    def chances(self, residual: Array, swing: Array) -> Array:
        """Probability of each reading being a slip, (readings,)."""
        away, variance = self.noise.left_out(residual)
        found = slip_chance(away, np.sqrt(variance), self.doubt, self.reach)
        found[self.doubtful] = self.likely(residual, swing).mean(axis=0) @ self.slip[:, self.doubtful]
        return found

    def stays(self, residual: Array, swing: Array) -> Array:
        """How likely each alternative of a blank is, (alternatives, readings)."""
        found = self.noise.stays_after(residual)
        if not self.stayed.size:
            return found
        lain = self.likely(residual, swing).mean(axis=0) @ self.lain[:, self.stayed]
        found[:, self.stayed] = lain * LAY[:, None] + (1.0 - lain) * STRAIGHT[:, None]
        return found


def ways_of(noise: Noise, doubt: Array, reach: Array) -> Ways:
    """All ways the most doubtful readings of a noise may be slips or sound, and the visits to which a stay in other air
    would do most may have come after one or not."""
    unsure, count = noise.unsure, noise.slip.size
    fit = int(np.log2(max(MOST_COST / max(count, 1) ** 2, 1.0)))
    doubtful = np.argsort(-noise.slip, kind="stable")[: min(MOST_DOUBTFUL, fit, count)]
    visits = _notable(noise, int(np.log(MOST_WAYS / 2.0**doubtful.size) / np.log(1.5)) if fit else 0)
    both = np.array(list(product((0.0, 1.0), repeat=doubtful.size + len(visits))))
    slip, there = np.tile(noise.slip, (len(both), 1)), both[:, doubtful.size :]
    slip[:, doubtful] = both[:, : doubtful.size]
    on = unsure.visit == np.array(visits, dtype=np.intp)[:, None]  # (visits, readings)
    gone = np.where(on, slip[:, None, :], 1.0).min(axis=2, initial=1.0) == 1.0  # nothing is known of that visit
    kept = ~np.any(gone & (there == 1.0), axis=1)
    slip, there, gone = slip[kept], there[kept], gone[kept]
    stays = np.where(gone, 0.0, np.where(there == 1.0, np.log(STAY_SHARE), np.log1p(-STAY_SHARE))).sum(axis=1)
    lain, stayed = there @ on, np.flatnonzero(on.any(axis=0))
    sound = np.ones_like(slip)
    sound[:, doubtful] = 1.0 - slip[:, doubtful]
    diagonal = noise.inflated.copy()
    diagonal[doubtful] = 0.0
    shift, blank = _blanks(noise, lain, stayed)
    pair = sound[:, :, None] * sound[:, None, :]
    fixed = pair * (unsure.law + blank + np.diag(noise.tool_sd**2 + diagonal))
    factor = np.linalg.cholesky(fixed + np.eye(count) * (1.0 - sound)[:, None, :])
    white = np.linalg.inv(factor)
    sizes, turn = np.linalg.eigh(white @ (pair * unsure.weather[:count, :count]) @ white.transpose(0, 2, 1))
    whiten = turn.transpose(0, 2, 1) @ white * sound[:, None, :]
    log_det = 2.0 * np.log(np.diagonal(factor, axis1=1, axis2=2)).sum(axis=1)
    return Ways(
        noise, slip, lain, stays, doubtful, stayed, doubt, reach, shift, whiten, np.maximum(sizes, 0.0), log_det
    )


def _notable(noise: Noise, most: int) -> list[int]:
    """The visits to whose readings a stay would do most, against all else they may be away."""
    unsure, count = noise.unsure, noise.slip.size
    if len(unsure.stays) != LAY.size:
        return []
    away = np.sqrt(LAY @ (unsure.stays - STRAIGHT @ unsure.stays) ** 2)
    away /= np.sqrt(noise.tool_sd**2 + np.diag(unsure.law) + np.diag(unsure.weather)[:count])
    found = sorted(((float(away[unsure.visit == one].max()), int(one)) for one in set(unsure.visit)), reverse=True)
    return [visit for size, visit in found[:most] if size > NOTABLE]


def _blanks(noise: Noise, lain: Array, stayed: NDArray[np.intp]) -> tuple[Array, Array]:
    """What a blank shifts readings by in each way, (ways, readings), and its covariance, (ways, readings, readings)."""
    shift, blank = np.tile(noise.shift, (len(lain), 1)), np.tile(noise.stayed, (len(lain), 1, 1))
    visit, weighed = noise.unsure.visit, np.isin(np.arange(lain.shape[1]), stayed)
    for state, share in ((0.0, STRAIGHT), (1.0, LAY)) if stayed.size else ():
        own = share @ noise.unsure.stays
        away = np.sqrt(share)[:, None] * (noise.unsure.stays - own)
        on = (lain == state) & weighed
        shift = np.where(on, own, shift)
        blank = np.where(on[:, :, None] & on[:, None, :] & (visit[:, None] == visit), away.T @ away, blank)
    return shift, blank
