"""Benchmarks run only when asked for: times and memory depend on the machine, so no test run is judged by them."""

from __future__ import annotations

import pytest


@pytest.fixture(autouse=True)
def only_when_asked(request: pytest.FixtureRequest) -> None:
    if not request.config.getoption("benchmark_enable"):
        pytest.skip("a benchmark: pytest tests/benchmarks --benchmark-enable -s")
