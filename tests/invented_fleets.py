"""Invented fleets with a known truth: to try a demand forecast where the answer is known, and for demonstrations.

The law of drift here is a toy, not the physics of `outlook`: quick, and of the same form as a cell's passages.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from driftmodel.fleet.fleet_file import FleetFile
from driftmodel.fleet.passage import Cell, Passages, cell_seed
from driftmodel.fleet.roster import DISPOSITIONS, Claims, Fleet, Rates, Units
from driftmodel.fleet.tables import NONE, month_label, month_number

Array = NDArray[np.float64]


@dataclass(frozen=True)
class ToyDrift:
    """drift(t) = reach x (1 - exp(-t / settling)); a regrade is due at each whole multiple of the tolerance.

    reach: median of what a life drifts to, in tolerances; scatter: its log standard deviation between units; weather:
    log standard deviation between weather members; settling_months. Plain data, so that it travels to workers.
    """

    reach: float = 0.9
    scatter: float = 0.5
    weather: float = 0.1
    settling_months: float = 60.0
    occasions: int = 4
    grades: int = 5
    pause_s: float = 0.0

    def fingerprint(self, cell: Cell) -> str:
        return repr(self)

    def __call__(self, cell: Cell, members: int, draws: int, seed: int) -> Passages:
        if self.pause_s:
            import time

            time.sleep(self.pause_s)
        random = np.random.default_rng(cell_seed(cell, seed))
        member = np.arange(draws) * members // draws
        climate = np.random.default_rng([seed, *cell.region.encode()]).normal(0.0, self.weather, members)[member]
        kind = 0.1 * np.sin(2.0 * np.pi * cell.build_month / 12.0) + _level(cell)
        total = self.reach * np.exp(kind + climate + self.scatter * random.normal(size=draws))
        share = np.arange(1, self.occasions + 1)[None, :] / total[:, None]
        reached = share < 1.0
        months = np.where(reached, -self.settling_months * np.log1p(-np.where(reached, share, 0.0)), np.inf)
        step = random.integers(0, 2, size=months.shape) + np.arange(self.occasions)
        return Passages(months, np.where(reached, np.minimum(step, self.grades - 1), -1).astype(np.intp))


def _level(cell: Cell) -> float:
    """A fixed bias of exposure and design, from their names."""
    return (sum(cell.exposure.encode()) % 7 - 3) * 0.05 + (sum(cell.design.encode()) % 5 - 2) * 0.05


@dataclass(frozen=True)
class Truth:
    """What really comes: reports (regions, designs, months) after the cut-off, the hidden multipliers and the share of
    owners who wait until their cover ends."""

    reports: NDArray[np.int64]
    multiplier: Array
    waiting: float


def invented_settings(regions: int, designs: int, exposures: int, **changed: Any) -> FleetFile:
    """A fleet file's content with regions north, r1, ...; designs d0, ...; exposures e0, ..."""
    names = [f"e{index}" for index in range(exposures)]
    content: dict[str, Any] = {
        "title": "Invented fleet",
        "invented": True,
        "cutoff": "2026-06-30",
        "horizon_months": 24,
        "seed": 1,
        "currency": "EUR",
        "grades": ["H", "I", "J", "K", "L"],
        "files": {"units": "units.csv", "claims": "claims.csv", "plan": "plan.csv", "rates": "rates.csv"},
        "habits": {"report_lag_shares": [0.3, 0.25, 0.2, 0.15, 0.1], "job_lag_months": 1, "sale_lag_months": 3},
        "designs": {f"d{index}": {"scenario": "first-winter"} for index in range(designs)},
        "regions": {
            f"r{index}": {
                "climates": dict.fromkeys(names, "cold_city_heated"),
                "seasonal_complaints_per_thousand": [2.0, 2.0, 1.0, 0.5, 0.2, 0.2, 0.2, 0.2, 0.2, 0.5, 1.0, 2.0],
            }
            for index in range(regions)
        },
    }
    return FleetFile.model_validate(content | changed, strict=False)


def invented_fleet(
    settings: FleetFile,
    law: Callable[[Cell, int, int, int], Passages],
    units: int,
    *,
    years: int,
    seed: int,
    every: int = 1,
) -> tuple[Fleet, Truth]:
    """A fleet built in every `every`-th month and sold evenly over `years`, its claims to the cut-off, and what comes
    after. Few months of build make few cells, and a forecast of a third of the work.

    Each unit is drawn from `law` in one hidden run of weather, with a hidden multiplier of the hazard for each region x
    design (log standard deviation as the settings state) and the stated lags of reporting; a hidden share of owners,
    about the stated one, waits until cover ends.
    """
    random = np.random.default_rng([seed, 77])
    waits, share = np.random.default_rng([seed, 78]), _hidden_share(settings, seed)
    regions, designs = tuple(settings.regions), tuple(settings.designs)
    exposures = tuple(next(iter(settings.regions.values())).climates)
    cutoff = month_number(settings.cutoff)

    def pick(many: int) -> NDArray[np.int32]:
        return random.integers(0, many, units).astype(np.int32)

    region, design, exposure = pick(len(regions)), pick(len(designs)), pick(len(exposures))
    build = (cutoff - every * random.integers(0, 12 * years // every, units)).astype(np.int32)
    sale = np.minimum(build + random.integers(0, 3, units), cutoff).astype(np.int32)
    cover = np.full(units, 60, dtype=np.int32)
    size = 1.0 / (np.exp(settings.multiplier_log_sd**2) - 1.0)
    multiplier = random.gamma(size, 1.0 / size, (len(regions), len(designs)))
    months = settings.horizon_months
    reports = np.zeros((len(regions), len(designs), months), dtype=np.int64)
    lags = np.asarray(settings.habits.report_lag_shares)
    regraded = np.full(units, NONE, dtype=np.int32)
    claimed: list[NDArray[np.int64]] = []
    place = ((region.astype(np.int64) * len(designs) + design) * len(exposures) + exposure) * 12 + build % 12
    order = np.argsort(place, kind="stable")
    for rows in np.split(order, np.flatnonzero(np.diff(place[order])) + 1):
        one = rows[0]
        climate = settings.regions[regions[region[one]]].climates[exposures[exposure[one]]]
        cell = Cell(
            regions[region[one]], climate, exposures[exposure[one]], designs[design[one]], int(build[one] % 12) + 1
        )
        world = law(cell, 1, 4000, seed + 1_000_000)
        event = (
            _crossings(world, multiplier[region[one], design[one]], sale[rows] - build[rows], random)
            + build[rows, None]
        )
        lag = random.choice(lags.size, event.shape, p=lags)
        event, report = _told(event, lag)
        if share:
            late = waits.random(rows.size) < share
            end = (sale + cover)[rows][late]
            months_before_end = settings.habits.end_of_cover_months
            event[late], report[late] = _told_late(event[late], report[late], end, months_before_end, waits)
        known = report <= cutoff
        last = np.where(known, report, NONE).max(axis=1)
        regraded[rows] = last
        for occasion in range(event.shape[1]):
            came = np.flatnonzero(known[:, occasion])
            claimed.append(np.stack([rows[came], event[came, occasion], report[came, occasion]]))
        later = report - cutoff - 1
        ahead = (later >= 0) & (later < months)
        np.add.at(reports[region[one], design[one]], later[ahead], 1)
    who, event_month, report_month = np.concatenate(claimed, axis=1)
    fleet = Fleet(
        Path("invented.toml"), settings, regions, exposures, designs, cutoff, NONE,
        Units(region, exposure, design, build, sale, cover, regraded, np.full(units, 2, np.int32),
              np.ones(units, dtype=np.int64), np.zeros(units, dtype=bool), np.arange(2, units + 2, dtype=np.int32)),
        Claims(region[who], design[who], event_month.astype(np.int32), report_month.astype(np.int32),
               report_month.astype(np.int32), np.full(who.size, DISPOSITIONS.index("regrade"), np.int32),
               np.full(who.size, 1.5), np.full(who.size, 100.0), (sale + cover)[who].astype(np.int32), who,
               np.full(who.size, NONE, np.int32)),
        Rates(*(np.full(len(regions), value) for value in (1.5, 0.25, 60.0, 8.0, 25.0))),
        [f"S{index:07d}" for index in range(units)], (), (),
    )  # fmt: skip
    return fleet, Truth(reports, multiplier, share)


def _hidden_share(settings: FleetFile, seed: int) -> float:
    stated, worth = settings.habits.end_of_cover_share, settings.habits.end_of_cover_worth
    if stated in (0.0, 1.0):
        return stated
    return float(np.random.default_rng([seed, 79]).beta(worth * stated, worth * (1.0 - stated)))


def _told(event: NDArray[np.int64], lag: NDArray[Any]) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Months in which regrades fall due and are told, (units, occasions) each: a late one puts off those after it."""
    event = event + np.cumsum(lag, axis=1) - lag
    there = event < 10**6
    return np.where(there, event, 10**6), np.where(there, event + lag, 10**6)


def _told_late(
    event: NDArray[np.int64], report: NDArray[np.int64], end: NDArray[Any], months: int, random: np.random.Generator
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """The same of owners who wait: in cover, in their own one of its last months or at once after it; what falls due
    again before then is the same job. Past cover, as `report` has it."""
    turn = end - 1 - random.integers(0, months, end.size)
    waiting = (event <= turn[:, None]).sum(axis=1)
    some = np.flatnonzero(waiting)
    put_off = np.zeros(end.size, dtype=np.int64)
    put_off[some] = turn[some] - event[some, waiting[some] - 1]
    at = np.arange(event.shape[1]) + (waiting - np.minimum(waiting, 1))[:, None]
    beyond, at = at >= event.shape[1], np.minimum(at, event.shape[1] - 1)
    due = np.take_along_axis(event, at, axis=1) + put_off[:, None]
    told = due + np.where(due < end[:, None], 0, np.take_along_axis(report - event, at, axis=1))
    due[some, 0], told[some, 0] = event[some, 0], turn[some]
    return tuple(np.minimum(np.where(beyond, 10**6, months), 10**6) for months in (due, told))  # type: ignore[return-value]


def _crossings(
    world: Passages, multiplier: float, sold_at: NDArray[Any], random: np.random.Generator
) -> NDArray[np.int64]:
    """Month indices (units, occasions) of units that had none before sale, hazard of the first times `multiplier`."""
    first = np.argsort(world.months[:, 0], kind="stable")
    index = np.where(np.isfinite(world.months), np.ceil(world.months) - 1.0, 10**7).astype(np.int64)[first]
    before = np.searchsorted(index[:, 0], sold_at) / first.size  # share that had crossed before sale
    level = 1.0 - (1.0 - before) * (1.0 - random.random(sold_at.size)) ** (1.0 / multiplier)
    row = np.minimum((level * first.size).astype(np.int64), first.size - 1)
    return np.asarray(index[row])


def write_fleet(fleet: Fleet, folder: Path) -> Path:
    """The fleet's tables and TOML as files, as a planner would keep them; returns the fleet file."""
    import csv

    settings, units, claims = fleet.settings, fleet.units, fleet.claims
    folder.mkdir(parents=True, exist_ok=True)

    def table(name: str, header: str, rows: Any) -> None:
        with (folder / name).open("w", encoding="utf-8", newline="") as out:
            writer = csv.writer(out)
            writer.writerow(header.split())
            writer.writerows(rows)

    def day(month: int) -> str:
        return "" if month == NONE else f"{month_label(month)}-01"

    regions, exposures, designs, grades = fleet.regions, fleet.exposures, fleet.designs, settings.grades
    table(
        "units.csv",
        "serial design build_date ship_date sale_date region exposure grade cover_months last_regrade",
        (
            (fleet.serial[i], designs[d], day(b), day(b), day(s), regions[r], exposures[e], grades[g], c, day(last))
            for i, (d, b, s, r, e, g, c, last) in enumerate(
                zip(
                    *(
                        getattr(units, name).tolist()
                        for name in ("design", "build", "sale", "region", "exposure", "grade", "cover", "regraded")
                    ),
                    strict=True,
                )
            )
        ),
    )
    table(
        "claims.csv",
        "claim serial design region event_date report_date close_date disposition hours cost",
        (
            (
                f"C{i:06d}",
                fleet.serial[unit] if unit != NONE else "",
                designs[d],
                regions[r],
                day(event),
                day(report),
                "",
                DISPOSITIONS[kind],
                1.5,
                100,
            )
            for i, (d, r, event, report, kind, unit) in enumerate(
                zip(
                    *(
                        getattr(claims, name).tolist()
                        for name in ("design", "region", "event", "report", "disposition", "unit")
                    ),
                    strict=True,
                )
            )
        ),
    )
    table("plan.csv", "design region exposure build_date sale_date cover_months count", ())
    table(
        "rates.csv",
        "region hours_regrade hours_seasonal cost_per_hour cost_per_part cost_freight",
        ((name, 1.5, 0.25, 60, 8, 25) for name in regions),
    )
    file = folder / "fleet.toml"
    file.write_text(_toml(settings), encoding="utf-8")
    return file


def _toml(settings: FleetFile) -> str:
    def value(item: Any) -> str:
        if isinstance(item, bool):
            return str(item).lower()
        if isinstance(item, str):
            return f'"{item}"'
        if isinstance(item, list):
            return "[" + ", ".join(value(part) for part in item) + "]"
        return str(item)

    lines: list[str] = []

    def table(name: str, content: dict[str, Any]) -> None:
        if name:
            lines.append(f"\n[{name}]")
        inner = {key: item for key, item in content.items() if isinstance(item, dict)}
        lines.extend(f"{key} = {value(item)}" for key, item in content.items() if key not in inner and item is not None)
        for key, item in inner.items():
            table(f"{name}.{key}" if name else key, item)

    table("", settings.model_dump())
    return "\n".join(lines) + "\n"
