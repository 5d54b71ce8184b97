"""Every cell of a fleet, what it is asked, and by whatever crew there is (base.workers); kept as it goes.

Cells are independent and seeds come from their keys; a total is added up in its cells' order, whatever order they came
in. So neither the number of workers nor a kill and a restart changes a bit. Time is never split."""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from driftmodel.base.arrays import ratio
from driftmodel.base.keeping import Memory, Shelf, fingerprint
from driftmodel.base.schema import Array
from driftmodel.base.workers import Crew, Progress, each, in_order
from driftmodel.fleet.cell_demand import CellDemand, Window, expected_of_cell
from driftmodel.fleet.cohorts import Cohorts, Histories
from driftmodel.fleet.exposure import Spells
from driftmodel.fleet.passage import Cell, CellPassages, Passages
from driftmodel.fleet.roster import Fleet
from driftmodel.fleet.tables import NONE

SOON_MONTHS = 12
MOST_CELLS = 1_000_000  # in memory: all of a run's
MOST_GROUPS, MOST_REGRADE_GROUPS = 60, 36  # by month of sale, or of the last regrade, that the forecast tells apart
#: what _work is given
Job = tuple[CellPassages, Cell, Cohorts, Spells | None, Window, int, int, Path | None]


@dataclass(frozen=True)
class FleetDemand(CellDemand):
    """The same summed by region and design, in front of what a cell has, by month and region level and noise; due and
    beyond of all cells; cohort from first_sale_year on."""

    first_sale_year: int

    def first_months(self, months: int) -> FleetDemand:
        """The same forecast of so many months."""
        years = self.level.shape[2] - 1
        kept = [*range(-(-months // 12)), years]
        before = self.crossed.shape[2] - self.issued.shape[2]
        shorter = {name: getattr(self, name)[:, :, :months] for name in ("first", "repeat", "at_risk", "regraded")}
        shorter |= {"issued": self.issued[..., :months], "crossed": self.crossed[..., : before + months]}
        shorter |= {name: getattr(self, name)[..., :months] for name in ("cohort", "slope", "sold", "back")}
        shorter |= {name: getattr(self, name)[..., kept] for name in ("level", "noise")}
        return replace(self, **shorter)


def cell_passages(
    function: CellPassages, cell: Cell, members: int, draws: int, seed: int, folder: Path | None
) -> Passages:
    """A cell's passages, from its checkpoint when there is one that fits, else made and kept."""
    if folder is None or isinstance(function, Remembered):
        return function(cell, members, draws, seed)
    of = getattr(function, "fingerprint", None)
    made_from = of(cell) if of else function
    return Shelf(folder).of(
        fingerprint("cell", made_from, cell.key, members, draws, seed),
        lambda: function(cell, members, draws, seed),
        lambda made: (None, {"months": made.months, "grade": made.grade}),
        lambda _, arrays: Passages(arrays["months"], arrays["grade"]),
    )


class Remembered:
    """The same passages, each cell made, or read from the folder, once in this process."""

    def __init__(self, function: CellPassages, folder: Path | None) -> None:
        self.function, self.folder = function, folder
        self.kept: Memory[Passages] = Memory(MOST_CELLS)

    def __call__(self, cell: Cell, members: int, draws: int, seed: int) -> Passages:
        return self.kept.of(
            f"{cell.key} {members} {draws} {seed}",
            lambda: cell_passages(self.function, cell, members, draws, seed, self.folder),
        )


def remembered(function: CellPassages, crew: Crew | None) -> CellPassages:
    """The function for several runs by this crew: no cell is done twice where all is done in this process."""
    crew = crew or Crew()
    apart = crew.workers > 1 or crew.scheduler is not None
    return function if apart or isinstance(function, Remembered) else Remembered(function, crew.folder)


def run_cells(
    cohorts: Cohorts,
    function: CellPassages,
    window: Window,
    shape: tuple[int, int],
    *,
    draws: int,
    seed: int,
    between: dict[int, Spells] | None = None,
    crew: Crew | None = None,
    progress: Progress = lambda done, of: None,
) -> FleetDemand:
    """Expected demand of every cell, summed by region and design. shape: (regions, designs). between: times between two
    regrades of a unit by cell, the last ones left out.

    Raises BadInput as base.workers.each does."""
    crew = crew or Crew()
    order = np.argsort(cohorts.cell, kind="stable")
    bounds = np.searchsorted(cohorts.cell[order], np.arange(len(cohorts.cells) + 1))
    total: dict[str, Array] = {}
    between = between or {}
    due, beyond = np.zeros(cohorts.count.size), 0
    chosen = [order[bounds[c] : bounds[c + 1]] for c in range(len(cohorts.cells))]
    jobs = [
        ((function, cell, cohorts.part(rows), between.get(at), window, draws, seed, crew.folder), cell)
        for at, (cell, rows) in enumerate(zip(cohorts.cells, chosen, strict=True))
    ]
    if crew.workers > 1 and crew.scheduler is None and (prepare := getattr(function, "prepare", None)):
        prepare(cohorts.cells)
    places = [(int(cohorts.region[rows[0]]), int(cohorts.design[rows[0]])) for rows in chosen]
    for done, (index, found) in enumerate(in_order(each(_work, _grouped(function, jobs), crew), places), start=1):
        rows, (region, design) = chosen[index], places[index]
        for name in (field.name for field in fields(found) if field.name not in ("due", "beyond")):
            own, of_member = getattr(found, name), name in ("level", "noise")
            if name not in total:
                total[name] = np.zeros((len(own), shape[0], own.shape[1]) if of_member else (*shape, *np.shape(own)))
            total[name][(slice(None), region) if of_member else (region, design)] += own
        due[rows] = found.due
        beyond += found.beyond
        progress(done, len(jobs))
    return FleetDemand(**total, due=due, beyond=beyond, first_sale_year=window.first_sale_year)


def _grouped(function: CellPassages, jobs: list[tuple[Job, Cell]]) -> list[tuple[int, list[Job]]]:
    """Neighbouring cells that share most together, by function.group, each group with the index of its first cell; a
    function without groups has cells one by one. It is only a matter of speed: a worker may keep what they share."""
    of = getattr(function, "group", None)
    marks: list[Any] = [of(cell) if of else index for index, (_, cell) in enumerate(jobs)]
    groups: list[tuple[int, list[Job]]] = []
    for index, ((job, _), mark) in enumerate(zip(jobs, marks, strict=True)):
        if index and mark == marks[index - 1]:
            groups[-1][1].append(job)
        else:
            groups.append((index, [job]))
    return groups


def _work(jobs: list[Job]) -> list[CellDemand]:
    found = []
    for function, cell, own, between, window, draws, seed, folder in jobs:
        passages = cell_passages(function, cell, window.members, draws, seed, folder)
        found.append(expected_of_cell(passages, own, np.arange(own.count.size), window, between))
    return found


def window_of(
    fleet: Fleet,
    cutoff: int,
    months: int,
    past: Histories,
    *,
    lag: tuple[float, ...] = (1.0,),
    waiting: float = 0.0,
    soon: int = SOON_MONTHS,
) -> Window:
    """What every cell is asked."""
    settings, years = fleet.settings, fleet.units.sale // 12
    return Window(
        cutoff=cutoff,
        months=months,
        members=settings.members,
        grades=len(settings.grades) + 1,
        lag_shares=lag,
        claims_since=fleet.claims_since,
        soon=soon,
        waiting_share=waiting,
        waiting_months=settings.habits.end_of_cover_months,
        first_sale_year=int(years.min()),
        sale_years=int(years.max() - years.min()) + 1,
        since=past.since,
        sales=_groups(past.units.sale, cutoff, MOST_GROUPS),
        regrades=_groups(past.units.regraded[past.units.regraded != NONE], cutoff, MOST_REGRADE_GROUPS),
    )


def _groups(months: NDArray[np.int32], cutoff: int, most: int) -> tuple[int, ...]:
    """First months of about `most` groups of these, a new one after the cut-off."""
    if months.size == 0:
        return (cutoff,)
    low, high = int(months.min()), int(months.max())
    wide = -(-(high - low + 1) // most)
    return (*range(low, min(cutoff, high) + 1, wide), *range(max(cutoff + 1, low), high + 1, wide))


def weather_ratio(expected: FleetDemand) -> Array:
    """How much more or less than the mean member each member brings, (members, regions, years + 1), the past last.

    The spread between members is weather and the noise of a finite number of draws. The noise is known from the draws'
    scatter; what is left is weather, and each member's ratio is drawn in to 1 by the noise's share (the linear Bayes
    estimate, Robbins 1983)."""
    level = expected.level
    mean = level.mean(axis=0)
    members = level.shape[0]
    between = level.var(axis=0, ddof=1) if members > 1 else np.zeros_like(mean)
    weather = np.maximum(between - expected.noise.mean(axis=0), 0.0)
    kept = weather / np.maximum(weather + expected.noise, 1e-300)
    ratio = level / np.where(mean > 0.0, mean, 1.0)
    return np.asarray(np.where(mean > 0.0, np.maximum(1.0 + kept * (ratio - 1.0), 0.0), 1.0))


def weather_sd(expected: FleetDemand) -> float:
    """Log standard deviation of the first year ahead against the past of the same member, by the physics."""
    kept = weather_ratio(expected)
    ahead = np.log(np.maximum(ratio(kept[:, :, 0], kept[:, :, -1]), 0.1))
    return float(np.minimum(ahead.std(axis=0), 0.5).mean())
