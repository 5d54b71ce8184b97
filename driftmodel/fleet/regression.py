"""A penalised Poisson regression of claims of which some have no known age: its mode, spreads, and normal law."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import cho_factor, cho_solve

from driftmodel.base.arrays import group_sums, ratio
from driftmodel.base.schema import Array
from driftmodel.fleet.correction import NEWER, PRIOR_WORTH, TRUST, Block

ROUNDS, MORE_ROUNDS, STEP_MOST, CENTRE_ROUNDS = 20, 8, 2.0, 3  # from nothing; from the fit before
MOST_DENSE = 1_000_000  # cells of a table that is worked whole, zeros and all, which is quicker while it is small
CHANGED_SD, ALIKE_SD = 0.5, 1e-3  # of newer units' log hazard where they were changed, and where not; own choice
SLOW = 0.02  # variances that move by less a round are found


@dataclass(frozen=True)
class Rows:
    """Rows of the regression: place of each (region, design, kind, bin, month), units, expected, told, and the claims
    of its region, design and month whose age is not known, which the rows `hidden` are to take."""

    at: tuple[NDArray[np.int64], ...]
    expected: Array
    told: Array
    group: NDArray[np.int64]
    unplaced: Array
    hidden: NDArray[np.bool_]


@dataclass(frozen=True)
class Model:
    """A regression's rows, its table (rows, effects) and blocks."""

    rows: Rows
    table: Any
    blocks: tuple[Block, ...]
    groups: int

    @cached_property
    def halves(self) -> list[tuple[NDArray[np.int64], Any, NDArray[np.int64]]]:
        """The effects of a month and all others but `own`: their columns, the rows of these that are unlike each other
        (few: all months of an age and kind are alike in the others), and which of them each row of the table has."""
        monthly, others = np.zeros((2, self.table.shape[1]), dtype=bool)
        for block in self.blocks:
            monthly[block.columns] = block.name.startswith(("pace", "season"))
            others[block.columns] = block.name != TRUST
        return [_unlike(self.table, np.flatnonzero(chosen)) for chosen in (others & ~monthly, monthly)]

    @cached_property
    def own(self) -> tuple[slice, Array]:
        """The effects that go by month and by age and kind: their columns, and these (rows, columns)."""
        columns = next((block.columns for block in self.blocks if block.name == TRUST), slice(0, 0))
        return columns, _filled(self.table[:, columns])

    def told(self, mean: Array) -> Array:
        """Claims by row, those of unknown age where the fit expects them."""
        rows = self.rows
        mean = mean * rows.hidden
        share = ratio(rows.unplaced, group_sums(rows.group, mean, self.groups))
        return np.asarray(rows.told + mean * share[rows.group])

    def prior(self, variance: dict[str, float]) -> Array:
        out = np.zeros((self.table.shape[1], self.table.shape[1]))
        for block in self.blocks:
            out[block.columns, block.columns] = block.shape / variance[block.name]
        return out

    def mean(self, effects: Array) -> Array:
        return np.asarray(self.rows.expected * np.exp(self.table @ effects))

    def precision(self, mean: Array, prior: Array) -> Array:
        from scipy.sparse import csr_matrix, diags

        (columns, rows, of), (others, their, of_their) = self.halves
        out, shape = prior.copy(), (rows.shape[0], their.shape[0])
        few = shape[0] * shape[1] <= MOST_DENSE
        both: Any = csr_matrix((mean, (of, of_their)), shape=shape)
        for at, each, which in self.halves:
            weight = group_sums(which, mean, each.shape[0])
            out[np.ix_(at, at)] += _filled(each.T @ (weight[:, None] * each.toarray() if few else diags(weight) @ each))
        across = _filled(their.T @ (rows.T @ (both.toarray() if few else both)).T).T
        out[np.ix_(columns, others)] += across
        out[np.ix_(others, columns)] += across.T
        own_at, own = self.own
        weighed = self.table.T @ (mean[:, None] * own)
        weighed[own_at] /= 2.0  # which stands in both
        out[:, own_at] += weighed
        out[own_at] += weighed.T
        return np.asarray(out)

    def steady(self, effects: Array, size: tuple[int, int]) -> Array:
        """Claims expected by region and month, (regions, months) of this size, at the usual pace."""
        usual = effects.copy()
        for block in self.blocks:
            if "pace" in block.name:
                usual[block.columns] = 0.0
        place = self.rows.at[0] * size[1] + self.rows.at[4]
        return group_sums(place, self.mean(usual), size[0] * size[1]).reshape(size)

    def with_lateness(self, late: Array, apart: Array, share: Array) -> Model:
        """The same with what the last months' lateness says of when regrades fell due: of a month's reports the share
        that is so late goes with the pace of the month they fell due in, against that of the others (to first order).
        late: (regions, months ago, lags) reports; share: of each lag at the usual pace, as many; apart: (months ago,
        lags, paces)."""
        from scipy.sparse import csr_matrix, vstack

        region, ago, step = np.nonzero((late.sum(axis=2, keepdims=True) > 0.0) & (share > 0.0) & np.any(apart, axis=2))
        if not region.size:
            return self
        more = np.zeros((region.size, self.table.shape[1]))
        for block in self.blocks:
            if block.name in ("pace", "pace of region"):
                place = block.columns.start + (region if block.name != "pace" else 0 * region) * apart.shape[2]
                more[np.arange(region.size)[:, None], place[:, None] + np.arange(apart.shape[2])] = apart[ago, step]
        rows = replace(
            self.rows,
            expected=np.append(self.rows.expected, late.sum(axis=2)[region, ago] * share[region, ago, step]),
            told=np.append(self.rows.told, late[region, ago, step]),
            group=np.append(self.rows.group, np.zeros(region.size, dtype=np.int64)),
            hidden=np.append(self.rows.hidden, np.zeros(region.size, dtype=bool)),
        )
        return replace(self, rows=rows, table=csr_matrix(vstack([self.table, csr_matrix(more)])))

    def reading(self, drifts: Array, changed: bool) -> Model:
        """The same with this precision of the paces, and newer units taken for unlike the older ones or for alike."""
        sd = CHANGED_SD if changed else ALIKE_SD
        blocks = (
            replace(block, shape=np.asarray(np.kron(np.eye(block.size // len(drifts)), drifts), dtype=float))
            if "pace" in block.name
            else replace(block, shape=np.eye(block.size) / sd**2)
            if block.name == NEWER
            else block
            for block in self.blocks
        )
        return replace(self, blocks=tuple(blocks))

    def fitted(self, start: tuple[Array, dict[str, float]] | None = None) -> tuple[Array, dict[str, float]]:
        """Effects, and the variance of each block: Newton steps, and between them each variance as its effects' squares
        have it, by as many of them as the claims tell."""
        effects, variance = start or (np.zeros(self.table.shape[1]), {each.name: each.prior**2 for each in self.blocks})
        variance, moved, rounds = dict(variance), 1.0, MORE_ROUNDS if start else ROUNDS
        for turn in range(rounds):
            mean, prior = self.mean(effects), self.prior(variance)
            factor = cho_factor(self.precision(mean, prior))
            move = cho_solve(factor, self.table.T @ (self.told(mean) - mean) - prior @ effects)
            far = float(np.abs(self.table @ move).max(initial=0.0))
            effects = effects + move * min(1.0, STEP_MOST / max(far, 1e-12))
            if turn >= rounds - 2 or moved < SLOW:
                if far < SLOW**2:
                    break
                continue
            if turn < 2 and start is None:
                continue
            before = dict(variance)
            spread = cho_solve(factor, np.eye(effects.size))
            for block in self.blocks:
                if block.learned:
                    own, at = effects[block.columns], block.columns
                    told = block.size - float(np.sum(block.shape * spread[at, at])) / variance[block.name]
                    square = float(own @ block.shape @ own) + PRIOR_WORTH * block.prior**2
                    variance[block.name] = square / (max(told, 0.0) + PRIOR_WORTH)
            moved = max(abs(float(np.log(variance[name] / was))) for name, was in before.items())
        return effects, variance

    def centred(self, effects: Array, prior: Array) -> tuple[Array, Array]:
        """Mean and precision of the normal law nearest to the posterior, from its mode on (Gaussian variational
        approximation for Poisson counts, as in Hall, Ormerod and Wand 2011, citation from memory). Rates about the mode
        would be half a claim too many for each effect that the claims tell: what is expected of the past is what came.
        """
        mean = self.mean(effects)
        for _ in range(CENTRE_ROUNDS):
            spread = cho_solve(cho_factor(self.precision(mean, prior)), np.eye(effects.size))
            more = np.exp(0.5 * self.variances(spread))
            mean = self.mean(effects) * more
            factor = cho_factor(self.precision(mean, prior))
            effects = effects + cho_solve(factor, self.table.T @ (self.told(mean) - mean) - prior @ effects)
            mean = self.mean(effects) * more
        return effects, self.precision(mean, prior)

    def variances(self, spread: Array) -> Array:
        """Of the log rate of each row, from the effects' covariance."""
        (columns, rows, of), (others, their, of_their) = self.halves
        total = np.zeros(self.table.shape[0])
        for at, each, which in self.halves:
            total += np.asarray(each.multiply(each @ spread[np.ix_(at, at)]).sum(axis=1)).ravel()[which]
        across, whole = rows @ spread[np.ix_(columns, others)], their[of_their]
        own_at, own = self.own
        total += np.sum(own * (2.0 * (self.table @ spread[:, own_at]) - own @ spread[own_at, own_at]), axis=1)
        row = np.repeat(np.arange(total.size), np.diff(whole.indptr))
        return total + 2.0 * group_sums(row, across[of[row], whole.indices] * whole.data, total.size)


def _filled(table: Any) -> Array:
    return np.asarray(table.toarray() if hasattr(table, "toarray") else table)


def _unlike(table: Any, columns: NDArray[np.int64]) -> tuple[NDArray[np.int64], Any, NDArray[np.int64]]:
    """Columns of a table, their rows that are unlike each other, and which of them each row has."""
    own = table[:, columns]
    weights = np.random.default_rng(0).normal(size=(columns.size, 2))  # rows that are alike have the same sums
    _, first, of = np.unique((own @ weights).view(complex), return_index=True, return_inverse=True)
    return columns, own[first], of.ravel()


def scatter_of(came: Array, mean: Array, group: NDArray[np.int64], groups: int, effects: float) -> float:
    """Relative variance of a region's month beyond what chance and the effects give, by moments, drawn in to 0 where
    months are few."""
    total, expected = group_sums(group, came, groups), group_sums(group, mean, groups)
    there = expected > 0.0
    many = int(there.sum())
    if many < 12:
        return 0.0
    square = ((total - expected)[there] ** 2).sum()
    free = 1.0 + min(effects, many / 3.0) / many  # the effects have taken up some of the scatter
    more = (free * square - expected[there].sum()) / np.square(expected[there]).sum()
    return max(float(more), 0.0) * many / (many + 24.0)
