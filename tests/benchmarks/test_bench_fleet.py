"""A million units, 300 cells, 20 years ahead: within 60 s and 2 GB, with the quick law of invented fleets.

The physics ensemble is not in it: this is reading, collapsing, expecting, sampling and tabling, which must not grow
with the units beyond reading the file.
"""

from __future__ import annotations

import resource
import time
from pathlib import Path

import pytest

from driftmodel.fleet.demand import forecast_demand, monthly_table, who_is_due
from driftmodel.fleet.invented import ToyDrift, invented_fleet, invented_settings, write_fleet
from driftmodel.fleet.roster import read_fleet


@pytest.mark.slow
def test_a_million_units_in_a_minute(tmp_path: Path) -> None:
    law = ToyDrift()
    settings = invented_settings(5, 5, 1, samples=200, draws=200, members=8, horizon_months=240)
    file = write_fleet(invented_fleet(settings, law, 1_000_000, years=10, seed=1)[0], tmp_path)
    start = time.perf_counter()
    fleet = read_fleet(file)
    found = forecast_demand(fleet, law)
    rows = monthly_table(found)
    who_is_due(found)
    seconds = time.perf_counter() - start
    peak_mb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(f"{seconds:.1f} s, {peak_mb:.0f} MB, {len(found.cohorts.cells)} cells")
    assert len(found.cohorts.cells) == 300
    assert len(rows) == 36 * 240
    assert seconds < 60.0
    assert peak_mb < 2048.0
