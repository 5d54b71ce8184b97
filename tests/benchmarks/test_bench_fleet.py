"""A million units, 300 cells, 20 years ahead, with the physics of every cell: within 60 s and 2 GB on two cores.

Figures are for reading the files, the physics, the samples and the tables; memory is of all processes. The fleet is
invented: its units and claims come from the quick law of tests/invented_fleets.py.
"""

from __future__ import annotations

import os
import threading
import time
from concurrent.futures import ProcessPoolExecutor
from itertools import pairwise
from multiprocessing import get_context
from pathlib import Path

import pytest
from invented_fleets import ToyDrift, invented_fleet, invented_settings, write_fleet

from driftmodel.base.workers import Crew
from driftmodel.fleet.demand import forecast_demand
from driftmodel.fleet.fleet_file import FleetFile
from driftmodel.fleet.money import sampled_money
from driftmodel.fleet.physics import physics_of
from driftmodel.fleet.planner_tables import monthly_table, who_is_due
from driftmodel.fleet.reading import read_fleet

CLIMATES = ("cold_city_heated", "cold_city_case", "damp_coast", "dry_highland", "humid_south_cooled")
SCENARIOS = ("first-winter", "damp-coast", "dry-highland", "southern-summer", "moving-inland")


def resident_mb(process: int) -> float:
    """Resident memory of a process and all its children now, from /proc; 0 for one that is gone."""
    try:
        pages = int(Path(f"/proc/{process}/statm").read_text().split()[1])
        tasks = list(Path(f"/proc/{process}/task").iterdir())
        children = [int(child) for task in tasks for child in (task / "children").read_text().split()]
    except OSError:
        return 0.0
    return pages * os.sysconf("SC_PAGE_SIZE") / 2**20 + sum(resident_mb(child) for child in children)


class PeakMemory:
    """Watches this process and its children twenty times a second."""

    def __enter__(self) -> PeakMemory:
        self.mb, self._over = 0.0, threading.Event()
        self._watch = threading.Thread(target=self._run)
        self._watch.start()
        return self

    def _run(self) -> None:
        while not self._over.wait(0.05):
            self.mb = max(self.mb, resident_mb(os.getpid()))

    def __exit__(self, *_: object) -> None:
        self._over.set()
        self._watch.join()


def settings_of_300_cells() -> FleetFile:
    """5 regions of one climate each x 5 designs x 12 months of build."""
    plain = invented_settings(5, 5, 1)
    regions = {
        name: region.model_dump() | {"climates": {"e0": climate}}
        for (name, region), climate in zip(plain.regions.items(), CLIMATES, strict=True)
    }
    designs = {name: {"scenario": scenario} for name, scenario in zip(plain.designs, SCENARIOS, strict=True)}
    changed = {"regions": regions, "designs": designs, "grades": list("ABCDEFGHIJKLMNOPQRSTUVWXYZ"), "samples": 200}
    numbers = {"draws": 64, "members": 4, "horizon_months": 240}
    return FleetFile.model_validate(plain.model_dump() | changed | numbers)


def a_million_units(folder: Path) -> Path:
    return write_fleet(invented_fleet(settings_of_300_cells(), ToyDrift(), 1_000_000, years=10, seed=1)[0], folder)


@pytest.mark.slow
@pytest.mark.parametrize("workers", [1, 2])
def test_a_million_units_in_a_minute(tmp_path: Path, workers: int) -> None:
    with ProcessPoolExecutor(1, mp_context=get_context("spawn")) as apart:  # so that making it is not in the memory
        file = apart.submit(a_million_units, tmp_path).result()
    load, before = os.getloadavg()[0], sum(os.times()[:4])
    marks = [time.perf_counter()]
    with PeakMemory() as peak:
        fleet = read_fleet(file)
        marks.append(time.perf_counter())
        found = forecast_demand(fleet, physics_of(fleet), crew=Crew(workers))
        marks.append(time.perf_counter())
        rows = monthly_table(found, sampled_money(found))
        who_is_due(found)
        marks.append(time.perf_counter())
    reading, forecasting, telling = (b - a for a, b in pairwise(marks))
    seconds, spent = marks[-1] - marks[0], sum(os.times()[:4]) - before
    print(
        f"{workers} workers: {seconds:.1f} s, {spent:.1f} CPU seconds "
        f"(reading {reading:.1f}, forecast {forecasting:.1f}, tables {telling:.1f}), "
        f"{peak.mb:.0f} MB in all processes, {len(found.cohorts.cells)} cells, load before {load:.1f}"
    )
    assert len(found.cohorts.cells) == 300
    assert len(rows) == 36 * 240
