"""First and repeat passages per cell of a fleet, and the lives that units of a cell can have.

A cell is one region's climate x exposure x design x calendar month of build: physics is run per cell, never per unit,
and the spread of woods, set-up and tolerance lies inside the cell's draws. Draws come in blocks of weather members; a
member is one run of weather years, the same for all cells of a region.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Whole = NDArray[np.int64]
KERNEL_MONTHS = 12.0  # regrades within a year of a unit's own may stand for it; own choice, no source
NEAREST = 20  # ... but no more than about so many, the nearest in age; own choice, no source


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
    """Ensemble lives of one kind of unit: next and later crossings, (draws, occasions) month indices since build and
    grades; member and weight (draws,). A month index j stands for age in (j, j + 1]; FAR is never. told: (draws,
    occasions) month index of a report whose month is sure, FAR where the ordinary lag holds; None: it does for all."""

    crossing: Whole
    grade: Whole
    member: Whole
    weight: Array
    told: Whole | None = None


FAR = 1 << 40


def lives_of(passages: Passages, members: int, no_grade: int) -> Lives:
    """The draws as whole lives from build on. no_grade: grade index that stands for 'none mends it'."""
    draws = passages.months.shape[0]
    finite = np.isfinite(passages.months)
    index = np.where(finite, np.ceil(np.where(finite, passages.months, 0.0)) - 1.0, FAR).astype(np.int64)
    grade = np.where(passages.grade < 0, no_grade, passages.grade).astype(np.int64)
    return Lives(np.maximum(index, 0), grade, np.arange(draws) * members // draws, np.ones(draws))


def late_by(lives: Lives, months: int) -> Lives:
    """The same where each regrade is done so many months after it is due: the angle is reset then, so what follows
    comes as much later."""
    behind = months * np.arange(lives.crossing.shape[1])
    return replace(lives, crossing=np.where(lives.crossing < FAR, lives.crossing + behind, FAR))


def lives_after_regrade(lives: Lives, age: int, lag: int = 0) -> Lives:
    """Lives of a unit regraded at month index `age`, `lag` months after it was due: what draws that were due about then
    went on to need.

    A regrade resets the angle and not the wood, so the later crossings of the same path are used, counted from the
    regrade. The draws nearest in age stand for the unit, by a triangular kernel as wide as NEAREST of them need and no
    wider than KERNEL_MONTHS (nearest-neighbour weights, Stone 1977; citation from memory); without any draw so near,
    the nearest do.
    """
    occasions = lives.crossing.shape[1]
    row, occasion = np.nonzero(lives.crossing[:, : max(occasions - 1, 1)] < FAR)  # what follows the last is not known
    if row.size == 0:
        return Lives(np.full((1, 1), FAR), np.zeros((1, 1), dtype=np.int64), np.zeros(1, dtype=np.int64), np.ones(1))
    apart = np.abs(lives.crossing[row, occasion] - (age - lag)).astype(float)
    width = np.partition(apart, NEAREST)[NEAREST] if apart.size > NEAREST else KERNEL_MONTHS
    weight = np.maximum(1.0 - apart / (min(float(width), KERNEL_MONTHS) + 1.0), 0.0)
    if not weight.any():
        weight = (apart == apart.min()).astype(float)
    kept = weight > 0.0
    row, occasion, weight = row[kept], occasion[kept], weight[kept]
    column = occasion[:, None] + 1 + np.arange(max(occasions - 1, 1))[None, :]
    there = column < occasions
    inside = np.minimum(column, occasions - 1)
    later = np.where(there, lives.crossing[row[:, None], inside], FAR)
    shift = age - lives.crossing[row, occasion]
    moved = np.where(later < FAR, np.maximum(later + shift[:, None], age), FAR)
    return Lives(moved, lives.grade[row[:, None], inside], lives.member[row], weight)
