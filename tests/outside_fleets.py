"""Fleets whose regrades follow laws that are not the model's own, unit by unit; nothing here asks the model.

Weibull ages with renewal; a drift that settles, whose clock runs faster or slower by region and year; a drift that
creeps otherwise than the model thinks. A unit tells of a regrade 0 to 4 months after it is due.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
from invented_fleets import invented_settings
from numpy.typing import NDArray

from driftmodel.fleet.fleet_file import FleetFile
from driftmodel.fleet.roster import REGRADE, Claims, Fleet, Rates, Units
from driftmodel.fleet.tables import NONE, month_number

LAGS = np.array([0.3, 0.25, 0.2, 0.15, 0.1])
AHEAD = 12
OCCASIONS = 12
#: (region, design, sale, last month, random) -> months in which regrades fall due, (units, OCCASIONS), inf if never
Law = Callable[[NDArray[Any], NDArray[Any], NDArray[Any], int, np.random.Generator], NDArray[Any]]


def weibull_gaps(shape: float, scale_months: float = 110.0) -> Law:
    """Each gap between regrades is Weibull; regions and designs differ in scale by a tenth or two."""

    def told(
        region: NDArray[Any], design: NDArray[Any], sale: NDArray[Any], months: int, random: np.random.Generator
    ) -> NDArray[Any]:
        level = random.normal(0.0, 0.15, region.max() + 1)[region] + random.normal(0.0, 0.15, design.max() + 1)[design]
        scale = scale_months * np.exp(level)
        gaps = scale[:, None] * random.weibull(shape, (region.size, OCCASIONS))
        return sale[:, None] + random.random(region.size)[:, None] + np.cumsum(gaps, axis=1)

    return told


def mixed_gaps(*kinds: tuple[float, Callable[[np.random.Generator, tuple[int, ...]], NDArray[Any]]]) -> Law:
    """Each gap is of one of several kinds: (share, draw)."""

    def told(
        region: NDArray[Any], design: NDArray[Any], sale: NDArray[Any], months: int, random: np.random.Generator
    ) -> NDArray[Any]:
        shape = (region.size, OCCASIONS)
        which = random.choice(len(kinds), shape, p=[share for share, _ in kinds])
        gaps = np.choose(which, [draw(random, shape) for _, draw in kinds])
        level = np.exp(random.normal(0.0, 0.15, region.max() + 1)[region])
        return sale[:, None] + random.random(region.size)[:, None] + np.cumsum(gaps * level[:, None], axis=1)

    return told


def hump_hazard(highest: float = 30.0, most: float = 0.016) -> Law:
    """Each gap has a hazard a month that rises to `most` after `highest` months and falls from there on, as the 1.5th
    power of t exp(1 - t)."""
    age = np.arange(600.0)
    share = (age + 0.5) / highest
    gone = -np.expm1(-np.cumsum(most * (share * np.exp(1.0 - share)) ** 1.5))

    def told(
        region: NDArray[Any], design: NDArray[Any], sale: NDArray[Any], months: int, random: np.random.Generator
    ) -> NDArray[Any]:
        level = random.normal(0.0, 0.12, region.max() + 1)[region] + random.normal(0.0, 0.12, design.max() + 1)[design]
        chance = -np.expm1(np.log1p(-random.random((region.size, OCCASIONS))) * np.exp(-level)[:, None])
        gaps = np.where(chance < gone[-1], np.interp(chance, gone, age + 1.0), np.inf)
        return sale[:, None] + random.random(region.size)[:, None] + np.cumsum(gaps, axis=1)

    return told


def settling_drift(
    settling: float = 60.0,
    reach: float = 0.85,
    year_sd: float = 0.0,
    power: float = 0.0,
    faster: tuple[int, int, float] | None = None,
    newer_reach: float = 1.0,
) -> Law:
    """Drift reach x (1 - exp(-t / settling)), or reach x (t / settling)^power; due at each whole tolerance. The clock
    of a region runs at exp(noise) in each calendar year. faster: (regions, months, factor): in the first so many
    it runs faster from so many months before the cut-off on, for a winter where they are negative; newer_reach: reach
    of the first design, times, where sold in the last three years."""

    def told(
        region: NDArray[Any], design: NDArray[Any], sale: NDArray[Any], months: int, random: np.random.Generator
    ) -> NDArray[Any]:
        level = random.normal(0.0, 0.1, region.max() + 1)[region] + random.normal(0.0, 0.1, design.max() + 1)[design]
        most = reach * np.exp(level + 0.5 * random.normal(size=region.size))
        most = most * np.where((design == 0) & (sale > months - AHEAD - 37), newer_reach, 1.0)
        steps = np.arange(1, OCCASIONS + 1)[None, :] / most[:, None]
        if power:
            clock = settling * steps ** (1.0 / power)
        else:
            clock = np.where(steps < 1.0, -settling * np.log1p(-np.minimum(steps, 1.0 - 1e-12)), np.inf)
        first = int(sale.min()) // 12 * 12
        years = (months - first) // 12 + 3
        pace = np.repeat(np.exp(random.normal(0.0, year_sd, (region.max() + 1, years))), 12, axis=1)
        if faster is not None:
            since = months - AHEAD - abs(faster[1]) - first
            pace[: faster[0], since : None if faster[1] > 0 else since + 5] *= faster[2]
        by = np.concatenate([np.zeros((pace.shape[0], 1)), np.cumsum(pace, axis=1)], axis=1)
        out = np.full(clock.shape, np.inf)
        for place in range(by.shape[0]):
            own = region == place
            begin = sale[own] + random.random(own.sum()) - first
            started = np.interp(begin, np.arange(by.shape[1]), by[place])
            when = started[:, None] + clock[own]
            here = when < by[place, -1]
            out[own] = np.where(
                here, first + np.interp(np.where(here, when, 0.0), by[place], np.arange(by.shape[1])), np.inf
            )
        return out

    return told


def outside_fleet(law: Law, seed: int, **how: Any) -> tuple[Fleet, NDArray[np.float64]]:
    """The fleet and what comes of `outside_fleet_and_due`."""
    return outside_fleet_and_due(law, seed, **how)[:2]


def outside_fleet_and_due(
    law: Law,
    seed: int,
    *,
    units: int = 8000,
    years: int = 6,
    regions: int = 2,
    designs: int = 2,
    named: bool = True,
    growth: float = 0.0,
    slower_months: int = 0,
    settings: FleetFile | None = None,
) -> tuple[Fleet, NDArray[np.float64], int]:
    """A fleet sold evenly over `years`, or growing by the log `growth` a year, and its claims, what comes: (months
    ahead, regions, designs), and how many are due at the cut-off and not yet told. What falls due in the last
    slower_months before the cut-off, and after, is told two months later than before."""
    random = np.random.default_rng([seed, 4711])
    settings = settings or invented_settings(
        regions, designs, 1, samples=300, draws=256, members=8, horizon_months=AHEAD, seed=seed
    )
    cutoff, exposures = month_number(settings.cutoff), tuple(next(iter(settings.regions.values())).climates)
    regions, designs = len(settings.regions), len(settings.designs)
    region, design = (random.integers(0, many, units).astype(np.int32) for many in (regions, designs))
    chance = np.exp(-growth / 12.0 * np.arange(12 * years))
    ago = random.choice(12 * years, units, p=chance / chance.sum()) if growth else random.integers(0, 12 * years, units)
    build = (cutoff - ago).astype(np.int32)
    sale = np.minimum(build + random.integers(0, 3, units), cutoff).astype(np.int32)
    due = law(region, design, sale, cutoff + AHEAD + 1, random)
    due = np.where(np.isfinite(due), np.floor(np.where(np.isfinite(due), due, 0.0)), 10**7).astype(np.int64)
    late = random.choice(LAGS.size, due.shape, p=LAGS)
    late = late + 2 * ((due > cutoff - slower_months) if slower_months else 0)
    due = np.minimum(due + np.cumsum(late, axis=1) - late, 10**7)  # a late one puts off those after it
    report = due + late
    known = report <= cutoff
    who, occasion = np.nonzero(known)
    order = np.argsort(report[who, occasion], kind="stable")
    who, occasion = who[order], occasion[order]
    event, came = (table[who, occasion].astype(np.int32) for table in (due, report))
    regraded = np.where(known, report, NONE).max(axis=1).astype(np.int32)
    cover = np.full(units, 60, dtype=np.int32)
    fleet = Fleet(
        Path("outside.toml"), settings, tuple(settings.regions), exposures, tuple(settings.designs), cutoff, NONE,
        Units(region, np.zeros(units, np.int32), design, build, sale, cover, regraded, np.full(units, 2, np.int32),
              np.ones(units, np.int64), np.zeros(units, bool), np.arange(2, units + 2, dtype=np.int32)),
        Claims(region[who], design[who], event, came, came, np.full(who.size, REGRADE, np.int32),
               np.full(who.size, 1.5), np.full(who.size, 100.0), (sale + cover)[who].astype(np.int32),
               who if named else np.full(who.size, NONE), np.full(who.size, NONE, np.int32)),
        Rates(*(np.full(regions, value) for value in (1.5, 0.25, 60.0, 8.0, 25.0))),
        [f"S{index:07d}" for index in range(units)], (), (),
    )  # fmt: skip
    truth = np.zeros((AHEAD, regions, designs))
    row, occasion = np.nonzero((report > cutoff) & (report <= cutoff + AHEAD))
    np.add.at(truth, (report[row, occasion] - cutoff - 1, region[row], design[row]), 1.0)
    return fleet, truth, int(((due <= cutoff) & ~known).sum())


GENERATORS = {
    "Weibull 0.8": weibull_gaps(0.8),
    "Weibull 1.6": weibull_gaps(1.6),
    "region-year noise": settling_drift(year_sd=0.2),
    "wrong creep": settling_drift(settling=90.0, reach=0.7, power=0.45),
}
#: laws that nobody's model was made for, and what is unlike in the fleet
OTHERS: dict[str, tuple[Law, dict[str, Any]]] = {
    "lognormal ages": (mixed_gaps((1.0, lambda random, size: 90.0 * random.lognormal(0.0, 0.8, size))), {}),
    "bathtub": (
        mixed_gaps(
            (0.1, lambda random, size: 20.0 * random.weibull(0.7, size)),
            (0.9, lambda random, size: 95.0 * random.weibull(3.0, size)),
        ),
        {},
    ),
    "doubled in three years": (settling_drift(), {"growth": 0.6}),
    "one region twice as fast for a year": (settling_drift(faster=(1, 12, 2.0)), {}),
    "a better design for three years": (settling_drift(newer_reach=0.7), {}),
    "reports two months later for a year": (settling_drift(), {"slower_months": 12}),
    "one dry winter, twice as fast": (settling_drift(faster=(2, -8, 2.0)), {}),
}
