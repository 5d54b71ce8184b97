"""First and repeat passages per cell of a fleet, and the lives that units of a cell can have.

A cell is one region's climate x exposure x design x calendar month of build: physics is run per cell, never per unit,
and the spread of woods, set-up and tolerance lies inside the cell's draws. Draws come in blocks of weather members; a
member is one run of weather years, the same for all cells of a region."""

from __future__ import annotations

import hashlib
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from driftmodel.base.schema import Array, Integers

KERNEL_MONTHS = 12.0  # regrades within a year of a unit's own may stand for it; own choice, no source
NEAREST = 20  # ... but no more than about so many, the nearest in age; own choice, no source
#: read off ensembles: lives left out of cells of four kinds are foretold better than by 1 and hardly worse than by 2;
#: where another law holds no age far from the draws' own is to be made out of them: own choice
SLOWING, MOST_APART = 1.5, 2.0


@dataclass(frozen=True)
class Cell:
    """One kind of life. build_month: 1 to 12. design, region, climate and exposure are names."""

    region: str
    climate: str
    exposure: str
    design: str
    build_month: int

    @property
    def key(self) -> str:
        """A text that names the cell in seeds, checkpoints and messages."""
        return "|".join((self.region, self.climate, self.exposure, self.design, f"{self.build_month:02d}"))


@dataclass(frozen=True)
class Passages:
    """months: (draws, occasions) age in months at which each regrade becomes due, inf if never, rising along a row.
    grade: (draws, occasions) index into the fleet's grades, -1 where none mends it. Draw i lives in weather member
    i x members // draws."""

    months: Array
    grade: NDArray[np.intp]


#: (cell, members, draws, seed) -> Passages; weather from `seed` alone, unknowns from the seed and the cell's key
CellPassages = Callable[[Cell, int, int, int], Passages]


def cell_seed(cell: Cell, seed: int) -> int:
    """Seed of a cell: from its key alone, so no order, chunk or worker changes a bit."""
    return int.from_bytes(hashlib.sha256(f"{seed}|{cell.key}".encode()).digest()[:6], "big")


@dataclass(frozen=True)
class Lives:
    """Ensemble lives of some kinds of unit: next and later crossings, (lives, occasions) month indices since build and
    grades; member, weight and kind (lives,). A month index j stands for age in (j, j + 1]; FAR is never. told: (lives,
    occasions) month index of a report whose month is sure, FAR where the ordinary lag holds; None: it does for all."""

    crossing: Integers
    grade: Integers
    member: Integers
    weight: Array
    kind: Integers
    told: Integers | None = None


FAR = 1 << 40


def lives_of(passages: Passages, members: int, no_grade: int) -> Lives:
    """The draws as whole lives from build on, all of kind 0. no_grade: grade index that stands for 'none mends it'."""
    draws = passages.months.shape[0]
    finite = np.isfinite(passages.months)
    index = np.where(finite, np.ceil(np.where(finite, passages.months, 0.0)) - 1.0, FAR).astype(np.int64)
    grade = np.where(passages.grade < 0, no_grade, passages.grade).astype(np.int64)
    member = np.arange(draws) * members // draws
    return Lives(np.maximum(index, 0), grade, member, np.ones(draws), np.zeros(draws, dtype=np.int64))


def of_each_kind(lives: Lives, kinds: int) -> Lives:
    """The same lives once for each of `kinds` kinds, kind by kind."""
    many = np.repeat(np.arange(kinds), lives.member.size)
    return Lives(
        np.tile(lives.crossing, (kinds, 1)),
        np.tile(lives.grade, (kinds, 1)),
        np.tile(lives.member, kinds),
        np.tile(lives.weight, kinds),
        many,
    )


def late_by(lives: Lives, months: int) -> Lives:
    """The same where each regrade is done so many months after it is due: the angle is reset then, so what follows
    comes as much later."""
    behind = months * np.arange(lives.crossing.shape[1])
    return replace(lives, crossing=np.where(lives.crossing < FAR, lives.crossing + behind, FAR))


def lives_after_regrade(lives: Lives, age: Integers, lag: int = 0) -> Lives:
    """Lives of units regraded at month index `age` (kinds,), `lag` months after it was due: what draws that were due
    about then went on to need.

    A regrade resets the angle and not the wood, so the later crossings of the same path are used, counted from the
    regrade. The draws nearest in age stand for a unit, by a triangular kernel as wide as NEAREST of them need and no
    wider than KERNEL_MONTHS (nearest-neighbour weights, Stone 1977; citation from memory); without any draw so near,
    the nearest do. A draw due at another age than the unit was goes its way as much sooner or later: times after it are
    stretched by SLOWING powers of the ratio of the two ages (one where drift is a power of time, more where it slows),
    taken for no more than MOST_APART."""
    occasions = lives.crossing.shape[1]
    row, occasion = np.nonzero(lives.crossing[:, : max(occasions - 1, 1)] < FAR)  # what follows the last is not known
    if row.size == 0:
        never, zero = np.full((age.size, 1), FAR), np.zeros(age.size, dtype=np.int64)
        return Lives(never, np.zeros_like(never), zero, np.ones(age.size), np.arange(age.size))
    apart = np.abs(lives.crossing[row, occasion] - (age - lag)[:, None]).astype(float)
    width = np.full(age.size, KERNEL_MONTHS)
    if row.size > NEAREST:
        width = np.minimum(np.partition(apart, NEAREST, axis=1)[:, NEAREST], KERNEL_MONTHS)
    weight = np.maximum(1.0 - apart / (width + 1.0)[:, None], 0.0)
    alone = ~weight.any(axis=1)
    weight[alone] = apart[alone] == apart[alone].min(axis=1, keepdims=True)
    kind, pair = np.nonzero(weight)
    row, occasion = row[pair], occasion[pair]
    column = occasion[:, None] + 1 + np.arange(max(occasions - 1, 1))[None, :]
    there = column < occasions
    inside = np.minimum(column, occasions - 1)
    later = np.where(there, lives.crossing[row[:, None], inside], FAR)
    own, unit = lives.crossing[row, occasion][:, None], age[kind][:, None]
    apart = np.clip((np.maximum(unit - lag, 0) + 0.5) / (own + 0.5), 1.0 / MOST_APART, MOST_APART)
    after = np.round(np.maximum(later - own - lag, 0) * apart**SLOWING).astype(np.int64)
    moved = np.where(later < FAR, unit + after, FAR)
    return Lives(moved, lives.grade[row[:, None], inside], lives.member[row], weight[kind, pair], kind)
