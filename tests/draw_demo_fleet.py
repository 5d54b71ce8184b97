"""Draws the claims of the shipped demonstration fleet anew from today's physics:  python tests/draw_demo_fleet.py

Units, plan and rates stay as they are; regrades, who waits for the end of cover, visits, hours and cost are invented.
"""

from __future__ import annotations

import csv
from collections import Counter
from datetime import date
from pathlib import Path
from typing import Any

import numpy as np
from invented_fleets import _crossings, _told, _told_late

from driftmodel.fleet.passage import Cell
from driftmodel.fleet.physics import physics_of
from driftmodel.fleet.reading import read_fleet
from driftmodel.fleet.tables import month_label, month_number

FLEET = Path(__file__).parents[1] / "scenarios" / "fleets" / "two-regions.toml"
SEED, DRAWS = 20260630, 800
MULTIPLIER = {("lakes", "large"): 1.15, ("lakes", "small"): 0.8, ("south", "large"): 0.9, ("south", "small"): 1.2}
WAITS, HOURS, SPREAD = 0.2, {"lakes": 1.85, "south": 1.6}, 0.4
KEPT = ("design", "build_date", "ship_date", "sale_date", "region", "exposure", "grade", "cover_months")
CLAIM = "claim serial design region event_date report_date close_date disposition hours cost"


def draw() -> None:
    random = np.random.default_rng(SEED)
    fleet = read_fleet(FLEET)
    settings, physics = fleet.settings, physics_of(fleet)
    beside = FLEET.with_suffix("")
    with beside.with_name("two-regions-units.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    with beside.with_name("two-regions-rates.csv").open(encoding="utf-8", newline="") as file:
        read = list(csv.DictReader(file))
    rates = {row["region"]: {name: float(row[name]) for name in row if name != "region"} for row in read}
    kinds: Counter[tuple[str, ...]] = Counter()
    for row in rows:
        kinds[tuple(row[name] for name in KEPT)] += int(row["count"] or 1)
    units: list[list[Any]] = []
    claims: list[tuple[Any, ...]] = []
    numbers: Counter[str] = Counter()
    worlds: dict[Any, Any] = {}
    for kind, many in sorted(kinds.items(), key=lambda each: (each[0][1], *each[0])):
        design, built, _, sold, region, exposure, _, cover = kind
        build, sale = (month_number(date.fromisoformat(day)) for day in (built, sold))
        climate = settings.regions[region].climates[exposure]
        cell = Cell(region, climate, exposure, design, build % 12 + 1)
        if cell.key not in worlds:
            worlds[cell.key] = physics(cell, 1, DRAWS, settings.seed + 1_000_000)
        lags = np.array(settings.habits.report_lag_shares)
        event = _crossings(worlds[cell.key], MULTIPLIER[region, design], np.full(many, sale - build), random) + build
        event, report = _told(event, random.choice(lags.size, event.shape, p=lags))
        late = random.random(many) < WAITS
        end = np.full(many, sale + int(cover))
        months = settings.habits.end_of_cover_months
        if late.any():
            event[late], report[late] = _told_late(event[late], report[late], end[late], months, random)
        plain = 0
        rate = np.array(settings.regions[region].seasonal_complaints_per_thousand) / 1000.0
        for unit in range(many):
            pairs = zip(event[unit].tolist(), report[unit].tolist(), strict=True)
            told = [(e, r) for e, r in pairs if sale <= r <= fleet.cutoff]
            in_cover = np.arange(sale, min(int(end[unit]), fleet.cutoff + 1))
            visits = in_cover[random.random(in_cover.size) < rate[in_cover % 12]].tolist()
            if not told and not visits:
                plain += 1
                continue
            prefix = {"large": "LG", "small": "SM"}[design] + built[2:4]
            numbers[prefix] += 1
            serial = f"{prefix}-{numbers[prefix]:04d}"
            done = [r + settings.habits.job_lag_months for _, r in told]
            last = max((month for month in done if month <= fleet.cutoff), default=None)
            units.append([serial, *kind, 1, f"{month_label(last)}-20" if last is not None else ""])
            mean, price = HOURS[region], rates[region]
            for e, r in told:
                hours = max(round(float(random.gamma(SPREAD**-2, mean * SPREAD**2)), 1), 0.1)
                cost = round(hours * price["cost_per_hour"] + price["cost_per_part"] + price["cost_freight"])
                shut = r + settings.habits.job_lag_months
                claims.append((r, serial, design, region, e, r, shut, "regrade", hours, cost))
            for month in visits:
                hours = max(round(float(random.gamma(SPREAD**-2, price["hours_seasonal"] * SPREAD**2)), 1), 0.1)
                cost = round(hours * price["cost_per_hour"])
                claims.append((month, serial, design, region, month, month, month, "seasonal", hours, cost))
        if plain:
            units.append(["", *kind, plain, ""])
    _write(beside.with_name("two-regions-units.csv"), ["serial", *KEPT, "count", "last_regrade"], units)
    claims.sort(key=lambda claim: claim[:2])
    _write(
        beside.with_name("two-regions-claims.csv"),
        CLAIM.split(),
        [
            (f"C{at:05d}", serial, design, region, f"{month_label(e)}-05", f"{month_label(r)}-24",
             f"{month_label(done)}-28" if done <= fleet.cutoff else "", kind, hours, cost)
            for at, (_, serial, design, region, e, r, done, kind, hours, cost) in enumerate(claims, start=1)
        ],
    )  # fmt: skip


def _write(file: Path, head: list[str], rows: list[Any]) -> None:
    with file.open("w", encoding="utf-8", newline="") as out:
        writer = csv.writer(out, lineterminator="\n")
        writer.writerow(head)
        writer.writerows(rows)


if __name__ == "__main__":
    draw()
