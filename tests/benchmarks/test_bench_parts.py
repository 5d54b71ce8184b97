"""How long the parts take on which a person waits: `pytest tests/benchmarks --benchmark-enable -s`.

Times are CPU seconds of this process, best of three; what one thing costs beside another is a ratio in one run.
"""

from __future__ import annotations

import resource
import subprocess
import sys
import time
from collections.abc import Callable
from datetime import timedelta
from pathlib import Path
from unittest import mock

import numpy as np
import pytest

from driftmodel.base.climate_file import Humidifier, RoomFile
from driftmodel.base.records import Scenario
from driftmodel.base.rooms import room_of
from driftmodel.base.scenarios import load_scenario
from driftmodel.calibration.fit import learn
from driftmodel.calibration.pooled import Known, learn_one
from driftmodel.calibration.records import BenchBook, ReadingRow
from driftmodel.climate.air import hours_from, make_air
from driftmodel.climate.history import scenario_air
from driftmodel.climate.room import indoor_air
from driftmodel.outlook import chain as chains
from driftmodel.outlook.chain import LagCache, run_chain
from driftmodel.outlook.draws import draw_unknowns
from driftmodel.outlook.moisture import air_lags
from driftmodel.structure.body import respond
from driftmodel.wood.sorption import scanning_moisture


@pytest.fixture(scope="module")
def scenario() -> Scenario:
    return load_scenario("first-winter")


def seconds(work: Callable[[], object]) -> float:
    """CPU seconds of the quickest of three runs."""
    took = []
    for _ in range(3):
        begin = time.process_time()
        work()
        took.append(time.process_time() - begin)
    return min(took)


def cpu_of(*words: str) -> float:
    """CPU seconds of a process of this Python."""
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    subprocess.run([sys.executable, *words], check=True, capture_output=True)
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    return after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime


def test_a_person_waits_for_a_few_bare_imports(tmp_path: Path) -> None:
    """Whole commands against one bare import of their libraries in the same run; design and weathers known already."""
    bare = min(cpu_of("-c", "import numpy, xarray, matplotlib") for _ in range(3))
    verbs = {
        "words": ("forecast", "first-winter", "--no-pictures", "--draws", "200"),
        "forecast": ("forecast", "first-winter", "--draws", "200"),
        "compare": ("compare", "first-winter", "first-winter-humidified", "--draws", "200"),
        "advise": ("advise", "first-winter", "--draws", "200"),
    }
    took = {}
    for name, line in verbs.items():
        command = ("-m", "driftmodel", *line, "--out", str(tmp_path / name))
        cpu_of(*command)
        took[name] = min(cpu_of(*command) for _ in range(2)) / bare
    print(f"one bare import {bare:.2f} s; " + ", ".join(f"{name} {ratio:.1f} of it" for name, ratio in took.items()))
    assert took["words"] < 5.0
    assert max(took["compare"], took["advise"]) < 2.0 * took["forecast"]


def test_drawn_rooms_cost_under_a_quarter_more(scenario: Scenario) -> None:
    """A thousand draws over twenty years in four weathers, with and without rooms of their own."""
    draws = draw_unknowns(scenario, 1000, 1)
    run_chain(scenario, draw_unknowns(scenario, 20, 1))

    def anew() -> LagCache:
        return LagCache(4, lambda each, member: scenario_air(each, member))  # nothing read from disk

    rooms = seconds(lambda: run_chain(scenario, draws, anew()))
    with mock.patch.object(chains, "air_lags", lambda air, of, rooms=False: air_lags(air, of)):
        plain = seconds(lambda: run_chain(scenario, draws, anew()))
    print(f"drawn rooms {rooms:.2f} s, one room {plain:.2f} s, ratio {rooms / plain:.2f}")
    assert rooms < 1.25 * plain


def test_twenty_years_of_a_room_with_a_humidifier(scenario: Scenario) -> None:
    hours = 20 * 8766
    rng = np.random.default_rng(1)
    air = make_air(hours_from("2026-01-01", hours), rng.normal(8, 10, hours).clip(-30, 40), np.full(hours, 70.0))
    room, winter = room_of(RoomFile(), Path("room.toml")), (10, 11, 12, 1, 2, 3, 4)
    assert seconds(lambda: indoor_air(air, room, Humidifier(45.0, 10.0, winter))) < 1.0


def test_twenty_years_of_one_weather_member(scenario: Scenario) -> None:
    scenario_air(scenario)
    assert seconds(lambda: scenario_air(scenario, 2)) < 1.0


def test_twenty_years_of_sorption_memory() -> None:
    humidity = np.random.default_rng(1).uniform(20.0, 70.0, 7305)
    assert seconds(lambda: scanning_moisture(humidity)) < 0.1


def test_the_first_response_of_a_design(scenario: Scenario) -> None:
    took = seconds(lambda: respond(scenario.instrument.body))
    print(f"first response {took:.1f} s")
    assert took < 5.0


def test_the_page_answers_a_slider() -> None:
    """Ten fresh settings of the humidifier, each a climate not seen before; asked: 0.3 s in the median."""
    pytest.importorskip("flask")
    from driftmodel.doors.page import create_app

    client = create_app().test_client()
    client.get("/answer?rough=yes")
    took = []
    for setting in range(30, 40):
        begin = time.process_time()
        client.get(f"/answer?humidifier={setting}&rough=yes")
        took.append(time.process_time() - begin)
    print(f"median {1000 * np.median(took):.0f} ms")
    assert np.median(took) < 0.9


def invented_readings(scenario: Scenario, count: int, years: float) -> BenchBook:
    random = np.random.default_rng(1)
    days = np.sort(random.integers(30, round(365 * years), count))
    values = 2.3 + 0.3 * np.sin(2.0 * np.pi * days / 365.25) + 0.1 * random.standard_normal(count)
    rows = [
        ReadingRow(scenario.setup.setup + timedelta(days=int(day)), "action", float(value), 0.05, "feeler gauge")
        for day, value in zip(days, values, strict=True)
    ]
    return BenchBook(tuple(rows))


def test_three_hundred_readings_are_learned_from(scenario: Scenario) -> None:
    book = invented_readings(scenario, 300, 10.0)
    took = seconds(lambda: learn(scenario, book))
    print(f"300 readings {took:.1f} s")
    assert took < 10.0


def test_a_workshop_of_a_hundred_is_learned_from(scenario: Scenario) -> None:
    """A hundred guitars with ten readings within three minutes on two cores: 3.6 s of a core each."""
    case = Known("one", scenario, invented_readings(scenario, 10, 5.0))
    took = seconds(lambda: learn_one(case))
    print(f"one instrument with ten readings {took:.1f} s")
    assert took < 3.6
