"""How claims move the physics' hazard: by level, by age, by season, and from time to time.

Regrades told are Poisson about the physics' expected number times exp(effects). Effects are penalised: a level with
partial pooling over regions and designs, P-splines over log age (Eilers and Marx 1996, citation from memory) before and
after a first regrade with departures of regions and designs, a season, and a pace of all regions and of each that falls
back to the usual one (Ornstein and Uhlenbeck's law), how soon being told by the claims. Their spreads are learned
(empirical Bayes on the Laplace approximation, as in Breslow and Clayton 1993, by MacKay's fixed point of 1992, both
citations from memory) from weak priors, so that few claims leave the physics and many replace it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import solve_triangular
from scipy.special import softmax

from driftmodel.base import library
from driftmodel.base.arrays import first_order_recursion, ratio
from driftmodel.base.schema import Array
from driftmodel.fleet.exposure import AGAIN, EXPECTED, FRESH, KINDS, UNITS

KNOT_STEP = 0.35  # in log age
BEYOND = "age beyond claims"
NEWER = "newer units of design"
TRUST = "trust"
GOES_ON = 0.6  # of a knot's step that the next one past the claims goes on with; own choice (read off invented fleets)
PRIOR_WORTH = 0.5
MOST_APART = 3.0  # in log hazard
SORT = np.array([FRESH] + [AGAIN] * (KINDS - 1))  # of each kind


@dataclass(frozen=True)
class Block:
    """Effects `columns` with prior precision `shape` / variance; learned: whether the variance is. prior: its size."""

    name: str
    columns: slice
    shape: Array
    prior: float
    learned: bool

    @property
    def size(self) -> int:
        return int(self.columns.stop - self.columns.start)


@dataclass(frozen=True)
class Correction:
    """A fit. mean (effects,) with `factor`, the upper Cholesky factor of its precision; variance by block name. knots:
    of the splines over log age, before a first regrade and after one; least: (KINDS, bins) hazard that the physics' is
    taken for no less than, `least_hazard`; middle: (2,) log of its mean hazard, before and after. first: month with
    which the paces begin, of `wide` months each; paces: their number up to the cut-off; kept: months over which one is
    alike; changed: whether newer units are taken for unlike their design's older ones; lag: share of reports 0, 1, ...
    months late; scatter: variance of a region's month about all this; evidence: what is to be said for it, in logs,
    beside its rivals, fits that keep a pace for longer or less, and one of a changed design. claims, expected:
    (regions, designs) used."""

    regions: int
    designs: int
    blocks: tuple[Block, ...]
    mean: Array
    factor: Array
    variance: dict[str, float]
    knots: tuple[Array, Array]
    least: Array
    middle: Array
    first: int
    wide: int
    paces: int
    kept: float
    changed: bool
    lag: tuple[float, ...]
    scatter: float
    evidence: float
    claims: Array
    expected: Array
    rivals: tuple[Correction, ...] = ()

    @property
    def chances(self) -> Array:
        """Of each of the rivals, by what is to be said for it."""
        return np.asarray(softmax([each.evidence for each in self.rivals]))

    def one(self, random: np.random.Generator) -> Correction:
        """One of the rivals, by their chances."""
        chance = np.cumsum(self.chances)
        return self.rivals[int(np.searchsorted(chance, random.random() * chance[-1]))]

    def block(self, name: str) -> Block | None:
        return next((block for block in self.blocks if block.name == name), None)

    def part(self, effects: Array, name: str, *shape: int) -> Array:
        """Effects of a block (..., *shape), zeros where the fit has no such block."""
        found = self.block(name)
        if found is None:
            return np.zeros((*effects.shape[:-1], *shape))
        return effects[..., found.columns].reshape(*effects.shape[:-1], *shape)

    def draw(self, normal: Array) -> Array:
        """Effects (..., effects) from standard normal numbers of the same shape."""
        flat = normal.reshape(-1, self.mean.size)
        return self.mean + solve_triangular(self.factor, flat.T).T.reshape(normal.shape)

    def level(self, effects: Array) -> Array:
        """Log level (..., regions, designs)."""
        shape = (self.regions, self.designs)
        return np.asarray(
            self.part(effects, "mean", 1, 1)
            + self.part(effects, "region", self.regions, 1)
            + self.part(effects, "design", 1, self.designs)
            + self.part(effects, "place", *shape)
        )

    def by_age(self, effects: Array, months: int) -> tuple[Array, Array]:
        """Log correction at each whole age from 0 on, (..., regions, designs, months): before the first regrade, and by
        months since one."""
        basis, later = (spline(np.arange(months), knots) for knots in self.knots)
        more = self.block(BEYOND)
        bases, level = basis.shape[1], self.level(effects)[..., None]
        common = self.part(effects, "age", 1, 1, bases)
        age = common + self.part(effects, "age of region", self.regions, 1, bases)
        age = age + self.part(effects, "age of design", 1, self.designs, bases)
        whole = level + age @ basis.T
        if more is not None:  # past the last knot no claim says where it goes: less and less far as it went
            far = self.knots[0][-1] + KNOT_STEP * np.arange(more.size + 1)
            damped = np.cumsum(GOES_ON ** np.arange(1.0, more.size + 1.0))
            steps = self.part(effects, BEYOND, 1, 1, more.size) + (common[..., -1:] - common[..., -2:-1]) * damped
            whole = whole + steps @ spline(np.arange(months), far)[:, 1:].T
        again = self.part(effects, "again", 1, 1, 1) + self.part(effects, "age again", 1, 1, later.shape[1]) @ later.T
        return whole, level + again

    def trust(self, effects: Array) -> Array:
        """How much more, or less, the physics' own differences in hazard, its seasons' among them, count than as they
        are, (..., 2), before a first regrade and after one; -1: they count for nothing."""
        return self.part(effects, TRUST, 2)

    def apart(self, hazard: Array) -> Array:
        """How far hazards (..., KINDS, bins) are from the physics' mean, in logs, which `trust` weighs."""
        return apart_of(hazard, self.middle[SORT][:, None])

    def at_least(self, units: Array, expected: Array) -> Array:
        """What is added to the physics' chance of a report (..., KINDS, bins), so that it is no less than `least`."""
        return _raised(units, expected, self.least)

    def newer(self, effects: Array) -> Array:
        """Log correction of units sold of late before their first regrade (..., 1, designs), see `newer_sold`."""
        return self.part(effects, NEWER, 1, self.designs)

    def season(self, effects: Array) -> Array:
        """Log correction (..., regions, 12), January first."""
        return self.part(effects, "season", 1, 12) + self.part(effects, "season of region", self.regions, 12)

    def pace(self, effects: Array, months: NDArray[np.int64], random: np.random.Generator) -> Array:
        """Log effect (regions, months) of one draw of the effects on reports; from the cut-off on each goes its way."""
        ahead = max(int((months.max(initial=0) - self.first) // self.wide) + 1 - self.paces, 1)
        total = np.zeros((self.regions, self.paces + ahead))
        stays = self.stays
        for name, rows in (("pace", 1), ("pace of region", self.regions)):
            own = self.part(effects, name, rows, self.paces)
            sd = self.spread(name, effects, random) * np.sqrt(1.0 - stays**2)
            fresh = sd * np.random.default_rng(random.integers(1 << 62)).standard_normal((ahead, rows))
            later = np.transpose(first_order_recursion(stays, fresh, own[:, -1]))
            total += np.concatenate([own, later], axis=1)
        return np.asarray(total @ paces_of(months, self.first, self.wide, total.shape[1], self.lag).T)

    def pace_due(self, effects: Array, months: NDArray[np.int64]) -> Array:
        """Log effect (regions, months) of the pace on what fell due in months up to the cut-off."""
        pace = self.part(effects, "pace", 1, self.paces) + self.part(
            effects, "pace of region", self.regions, self.paces
        )
        return np.asarray(pace @ paces_of(months, self.first, self.wide, self.paces, (1.0,)).T)

    @property
    def stays(self) -> float:
        """How much of a pace is left in the next."""
        return float(np.exp(-self.wide / self.kept))

    def last_year(self) -> tuple[Array, Array, Array]:
        """How far each region's last year with claims lies from its earlier ones, in logs, its standard deviation, and
        how much of that the coming year is expected to keep, (regions,) each."""
        last = min(12 // self.wide, self.paces - 1)
        if last < 1:
            return (np.zeros(self.regions),) * 3
        apart, kept = np.zeros((2, self.regions, self.mean.size))
        weigh = np.full(self.paces, -1.0 / (self.paces - last))
        ahead = weigh.copy()
        weigh[-last:], ahead[-last:] = 1.0 / last, 0.0
        ahead[-1] += np.mean(self.stays ** np.arange(1, last + 1))
        for name, own in (("pace", np.ones((self.regions, 1))), ("pace of region", np.eye(self.regions))):
            if (block := self.block(name)) is not None:
                apart[:, block.columns], kept[:, block.columns] = np.kron(own, weigh), np.kron(own, ahead)
        return apart @ self.mean, self._sd(apart), kept @ self.mean

    def sd(self, name: str) -> Array:
        """Standard deviations of a block's effects."""
        own = self.block(name)
        return self._sd(np.eye(self.mean.size)[[] if own is None else own.columns])

    def _sd(self, sums: Array) -> Array:
        """Of sums (..., effects) of the effects."""
        return np.asarray(np.sqrt(np.square(solve_triangular(self.factor.T, sums.T, lower=True)).sum(axis=0)))

    def spread(self, name: str, effects: Array, random: np.random.Generator) -> float:
        """A standard deviation of a block's effects that they could as well come from (inverse gamma)."""
        block = self.block(name)
        chance = random.standard_gamma(0.5 * (PRIOR_WORTH + (0 if block is None else block.size)))
        if block is None:
            return 0.0
        own = effects[block.columns]
        square = float(own @ block.shape @ own) + PRIOR_WORTH * block.prior**2
        return float(np.sqrt(0.5 * square / chance))


def newer_sold(ago: NDArray[np.int64] | Array) -> NDArray[np.bool_]:
    """Whether units sold so many months ago are newer ones, that may have been changed."""
    return np.asarray(ago < 12.0 * library.general("newer_sold_within").value)


def spline(age: NDArray[np.int64] | Array, knots: Array) -> Array:
    """Linear B-splines of log(1 + age), (ages, knots); ages past the last knot count as there."""
    at = np.minimum(np.log1p(np.asarray(age, dtype=float)), knots[-1])
    return np.asarray(np.maximum(1.0 - np.abs(at[:, None] - knots) / KNOT_STEP, 0.0))


def paces_of(months: NDArray[np.int64], first: int, wide: int, paces: int, lag: tuple[float, ...]) -> Array:
    """How much of each pace is in the reports of each month, (months, paces): of what fell due then or `lag` later."""
    out = np.zeros((months.size, paces))
    for late, share in enumerate(lag):
        np.add.at(out, (np.arange(months.size), np.clip((months - late - first) // wide, 0, paces - 1)), share)
    return out


def _raised(units: Array, expected: Array, least: Array) -> Array:
    return np.asarray(np.where(units > 0.0, np.maximum(least - ratio(expected, units), 0.0), least))


def expected_of(past: Array, least: Array) -> Array:
    """What the physics expects of past units, (regions, designs, KINDS, bins, months), its hazard no less than that."""
    units, expected = past[:, :, :, UNITS], past[:, :, :, EXPECTED]
    return np.asarray(expected + units * _raised(units, expected, least[..., None]))


def apart_of(hazard: Array, middle: Array) -> Array:
    """How far hazards are from the one whose log is `middle`, in logs."""
    log = np.log(np.maximum(hazard, 1e-12)) - middle
    return np.asarray(np.where(hazard > 0.0, np.clip(log, -MOST_APART, MOST_APART), 0.0))
